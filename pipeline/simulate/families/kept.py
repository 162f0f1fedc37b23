"""Families that are kept: benchmarks alone draw from them, and nothing is ever set by looking inside them.

They differ from those for development in kind: no law of gauges, thermometers, walls, meters, warmth, tickets, tills,
demand, sizes or vapour is in both. Every range is common practice with no source; a sound tank stays within the same
service tolerances as there.
"""

from datetime import date

from pipeline.simulate.families.record import Family
from pipeline.simulate.laws.climate import Climate, MorningBreathing
from pipeline.simulate.laws.level import Bursts, Draught, Flicker, Foam, HeadWarmth, Sinking, StickSlip, Telegraph
from pipeline.simulate.laws.meters import ErrorWalk, LineContent, Slippage
from pipeline.simulate.laws.shells import Dent, Ribs
from pipeline.simulate.laws.spreads import LogUniform, Normal, OneOf, Uniform
from pipeline.simulate.laws.thermometer import LowElement, Shaft
from pipeline.simulate.laws.tickets import BasisChanges, BlendedDepot, LeftBehind, NominalWarmth, StaleCertificate
from pipeline.simulate.laws.trade import MarketDays, RoundLitres, StampedAtStart, ToppingUp, WholeMinutes

# Of gauges whose slow wander is the family's own law.
_NO_WALK = Uniform(0.0, 0.0)

FLICKERING = Family(
    "flickering",
    "1/f noise, foam after drops, one low thermometer, dented and ribbed walls, meters that slip at low flow",
    start=date(2026, 5, 4),
    climate=Climate(warmer_c=0.5, year_times=0.9, half_day_c=5.5, weather_sd_c=3.0, weather_h=80.0),
    gauge={
        "white_mm": LogUniform(0.02, 0.15),
        "coloured_mm": Uniform(0.0, 0.0),
        "wander_l": _NO_WALK,
        "resolution_mm": OneOf((0.01, 0.1, 0.5)),
    },
    meter={"error": Normal(0.0008, 0.0012)},
    level_laws=(
        Flicker(LogUniform(0.08, 0.45), Uniform(0.8, 1.3), 0.1, 160.0),
        Foam(Uniform(0.2, 3.0), LogUniform(8.0, 45.0)),
    ),
    thermometer_laws=(LowElement(Uniform(0.0, 0.35)),),
    wall_laws=(
        Dent(0.4, Uniform(0.002, 0.008), LogUniform(60.0, 200.0)),
        Ribs(Uniform(0.0005, 0.003), Uniform(80.0, 500.0)),
    ),
    # 0.01 to 0.05 l/min past the pistons: 0.03 to 0.14 % at 35 l/min.
    meter_laws=(Slippage(LogUniform(0.01, 0.05)),),
    flow_laws=(ToppingUp(Uniform(1.0, 6.0), Uniform(4.0, 12.0)),),
    ticket_laws=(BlendedDepot(5.0, 3.2, 5.0, 0.6), LeftBehind(LogUniform(3.0, 15.0))),
    size_laws=(RoundLitres(0.35, 5.0),),
)

TIPPING = Family(
    "tipping",
    "floats that hang at two heights, interference, tanks that sink, pipes that warm, tills that stamp at start",
    start=date(2026, 7, 6),
    climate=Climate(warmer_c=3.0, year_times=1.0, half_day_c=7.0, weather_sd_c=2.0, weather_h=30.0),
    gauge={"white_mm": LogUniform(0.03, 0.18), "wander_l": Uniform(0.0, 0.03)},
    tank={"chart_rows": OneOf((20.0, 25.0, 40.0))},
    meter={"wear_per_m3": Uniform(0.0, 0.0)},
    level_laws=(
        Telegraph(LogUniform(0.1, 0.8), LogUniform(2.0, 48.0)),
        Bursts(LogUniform(0.2, 3.0), LogUniform(5.0, 120.0), LogUniform(0.3, 3.0)),
        Sinking(Normal(0.0, 0.7), LogUniform(20.0, 120.0)),
    ),
    meter_laws=(ErrorWalk(LogUniform(0.0001, 0.0006)),),
    warmth_laws=(LineContent(Uniform(2.0, 12.0), LogUniform(30.0, 240.0)),),
    ticket_laws=(NominalWarmth(0.5, Normal(0.0, 2.0), 7.0), BlendedDepot(4.5, 2.6, 8.0, 0.75)),
    till_laws=(StampedAtStart(1.0),),
)

WAFTING = Family(
    "wafting",
    "gauge heads and stems that follow the air, floats that ride by density, old certificates, tills of whole minutes",
    start=date(2026, 8, 3),
    climate=Climate(warmer_c=-1.0, year_times=1.3, half_day_c=6.5, weather_sd_c=3.5, weather_h=50.0),
    gauge={"white_mm": LogUniform(0.02, 0.14), "wander_l": _NO_WALK, "temp_offset_c": Normal(0.0, 0.2)},
    truth={"breathing_l_per_h": Uniform(0.01, 0.06)},
    level_laws=(HeadWarmth(Normal(0.0, 0.02)), Draught(Uniform(15.0, 60.0))),
    thermometer_laws=(Shaft(Uniform(0.0, 0.03)),),
    wall_laws=(Ribs(Uniform(0.001, 0.004), Uniform(200.0, 900.0)),),
    warmth_laws=(LineContent(Uniform(1.0, 6.0), LogUniform(15.0, 90.0)),),
    ticket_laws=(BlendedDepot(5.5, 3.8, 3.0, 0.5), StaleCertificate(0.15, 5.0), LeftBehind(LogUniform(2.0, 8.0))),
    till_laws=(WholeMinutes(),),
    vapour_laws=(MorningBreathing(1.3),),
)

CLINGING = Family(
    "clinging",
    "floats that stick and slip, tickets that change their basis one day, compartments not drained, market days",
    start=date(2026, 10, 5),
    climate=Climate(warmer_c=2.0, year_times=0.6, half_day_c=4.0, weather_sd_c=1.5, weather_h=96.0),
    gauge={
        "white_mm": LogUniform(0.02, 0.10),
        "wander_l": Uniform(0.0, 0.06),
        "resolution_mm": OneOf((0.1, 0.5, 1.0)),
    },
    haulier={"bias": Normal(0.0, 0.0004)},
    level_laws=(StickSlip(LogUniform(0.15, 1.0)),),
    wall_laws=(Dent(0.7, Uniform(0.001, 0.006), LogUniform(100.0, 350.0)),),
    meter_laws=(ErrorWalk(LogUniform(0.0002, 0.0008)),),
    ticket_laws=(BasisChanges(0.4, Uniform(5.0, 60.0)), LeftBehind(LogUniform(4.0, 20.0))),
    demand_laws=(MarketDays(Uniform(1.4, 3.0)),),
    size_laws=(RoundLitres(0.6, 10.0),),
)

KEPT = (FLICKERING, TIPPING, WAFTING, CLINGING)
