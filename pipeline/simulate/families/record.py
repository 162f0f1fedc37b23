"""What a family of physics is: laws and ranges that a fleet's sites, tanks, meters and tickets are drawn from."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType

from pipeline.simulate.laws.climate import Climate, VapourLaw
from pipeline.simulate.laws.level import LevelLaw
from pipeline.simulate.laws.meters import MeterLaw, WarmthLaw
from pipeline.simulate.laws.shells import WallLaw
from pipeline.simulate.laws.spreads import Rng, Spreads
from pipeline.simulate.laws.thermometer import ThermometerLaw
from pipeline.simulate.laws.tickets import TicketLaw
from pipeline.simulate.laws.trade import DemandLaw, FlowLaw, SizeLaw, TillLaw
from pipeline.simulate.seeds import named_stream

_AS_USUAL: Spreads = MappingProxyType({})


@dataclass(frozen=True)
class Family:
    """One physics. What it leaves out is as the plain family has it.

    Attributes
    ----------
    name, about : str
        How it is asked for, and what is unlike elsewhere in one line.
    start : date
        First day of its fleets, where none is asked for.
    climate : Climate
    gauge, truth, tank, meter, haulier : mapping
        Fields of `Gauge`, `TrueTank`, `Tank`, `Meter` and `Haulier` that are drawn anew, and from what.
    level_laws, thermometer_laws, wall_laws, meter_laws, warmth_laws, ticket_laws : tuple of laws
        Of gauges, thermometers, walls, meters, product at the meter, and loads with their tickets.
    till_laws, demand_laws, size_laws, flow_laws, vapour_laws : tuple of laws
        Of tills, days' demand, sizes of sales, flows, and vapour. Laws act one after the other, each on what the last
        one made, with random numbers of their own.
    """

    name: str
    about: str
    start: date = date(2026, 3, 1)
    climate: Climate = field(default_factory=Climate)
    gauge: Spreads = field(default_factory=lambda: _AS_USUAL)
    truth: Spreads = field(default_factory=lambda: _AS_USUAL)
    tank: Spreads = field(default_factory=lambda: _AS_USUAL)
    meter: Spreads = field(default_factory=lambda: _AS_USUAL)
    haulier: Spreads = field(default_factory=lambda: _AS_USUAL)
    level_laws: tuple[LevelLaw, ...] = ()
    thermometer_laws: tuple[ThermometerLaw, ...] = ()
    wall_laws: tuple[WallLaw, ...] = ()
    meter_laws: tuple[MeterLaw, ...] = ()
    warmth_laws: tuple[WarmthLaw, ...] = ()
    ticket_laws: tuple[TicketLaw, ...] = ()
    till_laws: tuple[TillLaw, ...] = ()
    demand_laws: tuple[DemandLaw, ...] = ()
    size_laws: tuple[SizeLaw, ...] = ()
    flow_laws: tuple[FlowLaw, ...] = ()
    vapour_laws: tuple[VapourLaw, ...] = ()

    def rng(self, seed: int, what: str, *keys: int | str) -> Rng:
        """Return the generator of one of this family's laws; the plain simulator draws from none of them."""
        return named_stream(seed, f"{self.name}/{what}", *keys)


PLAIN = Family("plain", "every fleet before there were families: calm gauges, meters and tickets of one kind")
"""The default; it changes nothing and draws nothing."""
