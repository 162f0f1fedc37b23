"""Families that detection may be developed on.

Every range is common practice with no source but where a source stands beside it. Where several laws act on one thing,
sizes are chosen so that a sound tank stays within service tolerance: a meter within 0.5 % (International Organization
of Legal Metrology, OIML R 117-1, accuracy class 0.5), a level gauge within a few millimetres as installed (OIML R 85,
2008; from memory), a chart within some 0.5 % of its capacity.
"""

from dataclasses import replace
from datetime import date

from pipeline.simulate.families.record import Family
from pipeline.simulate.laws.climate import ByVapourPressure, Climate
from pipeline.simulate.laws.level import OrnsteinUhlenbeck, Play, Spikes
from pipeline.simulate.laws.meters import FlowSlope, SteadyWarmth
from pipeline.simulate.laws.shells import Waves
from pipeline.simulate.laws.spreads import LogUniform, Normal, OneOf, Uniform
from pipeline.simulate.laws.thermometer import Drift, Lag, Layers
from pipeline.simulate.laws.tickets import Batches, FifteenBasis, Rounded, TerminalBias
from pipeline.simulate.laws.trade import Closures, HalfOpen, RoundMoney, StampedAtPayment, Swings

# Of gauges whose slow wander is the family's own law.
_NO_WALK = Uniform(0.0, 0.0)

ROAMING = Family(
    "roaming",
    "gauges that wander slowly over minutes to days, late thermometers, product warmed on its way to the meter",
    start=date(2026, 4, 6),
    climate=Climate(warmer_c=-2.0, year_times=0.8, half_day_c=3.5, weather_sd_c=3.5, weather_h=60.0),
    gauge={
        "white_mm": LogUniform(0.02, 0.12),
        "coloured_mm": Uniform(0.0, 0.02),
        "wander_l": _NO_WALK,
        "resolution_mm": OneOf((0.01, 0.1, 0.1)),
        "temp_offset_c": Normal(0.0, 0.25),
    },
    level_laws=(
        OrnsteinUhlenbeck(LogUniform(0.02, 0.10), LogUniform(0.2, 1.0)),
        OrnsteinUhlenbeck(LogUniform(0.05, 0.30), LogUniform(2.0, 14.0)),
        OrnsteinUhlenbeck(LogUniform(0.03, 0.20), LogUniform(24.0, 90.0)),
    ),
    thermometer_laws=(Lag(Uniform(10.0, 90.0)),),
    wall_laws=(
        Waves(LogUniform(0.001, 0.004), LogUniform(60.0, 150.0)),
        Waves(LogUniform(0.0005, 0.002), LogUniform(600.0, 1_200.0)),
    ),
    warmth_laws=(SteadyWarmth(Uniform(0.02, 0.12)),),
    # Batches of one grade differ by 4 to 6 kg/m³ in petrol and 2.5 to 4 in diesel (SD; common practice).
    ticket_laws=(Batches(4.5, 2.8, 1.5, 4.0),),
)

HANGING = Family(
    "hanging",
    "floats with play, coarse grids, charts of few rows, meters that go by flow and wear, tills that stamp at payment",
    start=date(2026, 9, 7),
    gauge={
        "white_mm": LogUniform(0.03, 0.20),
        "wander_l": Uniform(0.0, 0.05),
        "resolution_mm": OneOf((0.1, 0.2, 0.5, 1.0)),
        "temp_resolution_c": OneOf((0.1, 0.1, 0.5)),
    },
    tank={"chart_step_mm": OneOf((50.0, 100.0, 100.0, 150.0)), "chart_round_l": OneOf((1.0, 5.0, 10.0))},
    meter={
        "error": Normal(0.0003, 0.0013),
        # Wear gives away: up to 0.1 % in 100 m³.
        "wear_per_m3": Uniform(-1.0e-5, 0.0),
        "repeatability": Uniform(0.0004, 0.0012),
    },
    level_laws=(Play(LogUniform(0.1, 0.9)), OrnsteinUhlenbeck(LogUniform(0.02, 0.12), LogUniform(6.0, 30.0))),
    wall_laws=(Waves(LogUniform(0.001, 0.003), LogUniform(150.0, 400.0)),),
    # A meter's curve is within 0.1 to 0.2 % over its flows.
    meter_laws=(FlowSlope(Normal(0.0, 0.0015)),),
    flow_laws=(HalfOpen(0.25, Uniform(0.25, 0.7)),),
    ticket_laws=(Rounded(0.6, 10.0), TerminalBias(Normal(0.0, 0.0008))),
    till_laws=(StampedAtPayment(Uniform(30.0, 75.0), 0.5),),
    size_laws=(RoundMoney(0.7, (1.0, 2.0, 5.0)),),
)

PARCHED = Family(
    "parched",
    "hot days and cold nights, hot loads, tickets in tens of litres or at 15 °C, thermometers that drift, much vapour",
    start=date(2026, 6, 1),
    climate=Climate(warmer_c=6.0, year_times=1.1, half_day_c=8.5, weather_sd_c=2.0, weather_h=72.0),
    gauge={
        "white_mm": LogUniform(0.05, 0.25),
        "wander_l": Uniform(0.0, 0.08),
        "temp_rate_c_per_h": LogUniform(0.003, 0.01),
        "shell_share": LogUniform(2e-4, 1.5e-3),
    },
    truth={"vapour_share": Uniform(3e-4, 8e-4), "expansion_factor": Normal(1.0, 0.02)},
    level_laws=(OrnsteinUhlenbeck(LogUniform(0.05, 0.25), LogUniform(4.0, 24.0)),),
    thermometer_laws=(Drift(Normal(0.0, 0.12)), Layers(Normal(0.0, 0.25), LogUniform(3.0, 20.0))),
    wall_laws=(Waves(LogUniform(0.001, 0.003), LogUniform(100.0, 300.0)),),
    warmth_laws=(SteadyWarmth(Uniform(0.05, 0.20)),),
    ticket_laws=(Batches(5.5, 3.6, 1.0, 6.0), FifteenBasis(0.35), Rounded(0.5, 10.0)),
    demand_laws=(Swings(Uniform(0.05, 0.15), Uniform(2.0, 6.0)),),
    # Petrol's vapour pressure goes as exp(−B / T), B of some 5,200 °R or 2,900 K: 3.4 % a kelvin at 20 °C (US EPA,
    # AP-42, section 7.1, from memory).
    vapour_laws=(ByVapourPressure(0.034),),
)

BUSTLING = Family(
    "bustling",
    "spikes and heavy tails, demand that swings, days shut, biased terminals and carriers, slow drift over days",
    start=date(2026, 11, 2),
    climate=Climate(warmer_c=1.0, year_times=1.2, half_day_c=3.0, weather_sd_c=4.0, weather_h=36.0),
    gauge={
        "white_mm": LogUniform(0.05, 0.30),
        "tail_dof": Uniform(2.6, 6.0),
        "wander_l": _NO_WALK,
        "ripple_mm": Uniform(0.4, 1.2),
        "ripple_tau_s": Uniform(120.0, 480.0),
    },
    truth={"scale": Normal(0.0, 0.004)},
    haulier={"bias": Normal(-0.0005, 0.0012)},
    level_laws=(
        OrnsteinUhlenbeck(LogUniform(0.1, 0.4), LogUniform(30.0, 150.0)),
        OrnsteinUhlenbeck(LogUniform(0.02, 0.08), LogUniform(0.1, 0.5)),
        Spikes(LogUniform(0.2, 6.0), LogUniform(0.5, 6.0)),
    ),
    thermometer_laws=(Layers(Normal(0.0, 0.15), LogUniform(2.0, 10.0)),),
    wall_laws=(
        Waves(LogUniform(0.001, 0.003), LogUniform(80.0, 200.0)),
        Waves(Uniform(0.001, 0.003), Uniform(500.0, 900.0)),
    ),
    warmth_laws=(SteadyWarmth(Uniform(0.0, 0.08)),),
    ticket_laws=(Batches(4.0, 3.0, 2.0, 3.0), TerminalBias(Normal(0.0, 0.0012)), Rounded(0.3, 10.0)),
    till_laws=(StampedAtPayment(Uniform(20.0, 60.0), 0.7),),
    demand_laws=(Swings(Uniform(0.15, 0.35), Uniform(3.0, 10.0)), Closures(Uniform(0.0, 0.8), Uniform(1.0, 3.0))),
    size_laws=(RoundMoney(0.4, (1.0, 2.0)),),
)

DAWDLING = replace(
    BUSTLING,
    name="dawdling",
    about="as bustling, with tills that stamp at payment minutes after the hose was hung up",
    till_laws=(StampedAtPayment(Uniform(120.0, 600.0), 0.9),),
)

DEVELOPMENT = (ROAMING, HANGING, PARCHED, BUSTLING, DAWDLING)
