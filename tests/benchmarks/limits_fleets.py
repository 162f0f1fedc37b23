"""Fleets for the benchmark of limits: typical 30,000 l tanks, one like another, sound but for what is put in.

A tank as the noise budget's worked case has it: 30,000 l lying flat-ended (2.5 m across, 6.11 m long), 5 m³ a day
through six to ten hoses, closed from midnight to five, read once a minute in tenths of a millimetre by a gauge of the
typical class. What else is drawn stays as drawn: the gauge's own noise within its class, chart, meters, carriers,
temperatures, water, gaps, late and repeated rows.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.analysis import analyse
from pipeline.physics.geometry import TankShape
from pipeline.simulate.layout import SitePlan, fleet_of
from pipeline.simulate.model import Fleet, Site, Tank, Window
from pipeline.simulate.places import REGIONS, town_name
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from tests.support.fleets import Tables, clean

START = date(2026, 3, 1)
SHAPE = TankShape("horizontal_cylinder", "flat", 2_500.0, 6_110.0)
CAPACITY_L = 30_000.0
DAILY_L = 5_000.0
MENU = ("gasoline_e10", "gasoline_e5", "diesel_b7")
DAYS_A_MONTH = 30.4
MONTH = START.replace(month=START.month + 1)
"""The second month, which is judged where months are."""


@dataclass(frozen=True)
class Figure:
    """One printed line: what was measured, the figure, and what is wanted of it."""

    item: str
    measured: str
    wanted: str
    is_met: bool | None = None

    def line(self) -> str:
        """The line as it is printed."""
        verdict = "" if self.is_met is None else "  met" if self.is_met else "  MISSED"
        return f"{self.item:66} {self.measured:46} wanted {self.wanted}{verdict}"


def typical_fleet(tanks: int, days: int, *, seed: int, safe_fill_l: float = 0.97 * CAPACITY_L) -> Tables:
    """A sound fleet of typical tanks, three a site; the fuller they may be filled, the larger the drops."""
    settings = FleetSettings(noise_class="typical")
    regions = [region for region in REGIONS if region.menus == "europe"]
    plans = [
        SitePlan(town_name(number), "urban", regions[number % len(regions)], MENU, 60.0, blends=False)
        for number in range(-(-tanks // len(MENU)))
    ]
    drawn = fleet_of(plans, Window(START, days), seed, settings)
    fleet = dataclasses.replace(
        drawn,
        sites=tuple(_typical_site(site) for site in drawn.sites),
        tanks=tuple(_typical_tank(tank, safe_fill_l) for tank in drawn.tanks),
    )
    return simulate_world(fleet, [], settings)


def _typical_site(site: Site) -> Site:
    historian = dataclasses.replace(site.historian, mode="regular", deadband_mm=0.0)
    return dataclasses.replace(site, opens_h=5.0, closes_h=24.0, historian=historian)


def _typical_tank(tank: Tank, safe_fill_l: float) -> Tank:
    reach = 0.4 * SHAPE.length_mm
    true = dataclasses.replace(
        tank.true, probe_position_mm=max(-reach, min(reach, tank.true.probe_position_mm)),
        fill_start=min(tank.true.fill_start, 0.8),
    )  # fmt: skip
    known = tank.probe_position_mm
    return dataclasses.replace(
        tank, shape=SHAPE, capacity_l=CAPACITY_L, safe_fill_l=safe_fill_l, daily_l=DAILY_L, buried=True, true=true,
        probe_position_mm=None if known is None else max(-reach, min(reach, known)),
        gauge=dataclasses.replace(tank.gauge, resolution_mm=0.1),
    )  # fmt: skip


def with_sites(fleet: Fleet, settings: FleetSettings, **changes: object) -> Tables:
    """A drawn fleet's lake without a fault, its historians' fields set to `changes`; `till_offset_s` is the site's."""
    till = {name: changes.pop(name) for name in ("till_offset_s",) if name in changes}
    sites = tuple(
        dataclasses.replace(site, historian=dataclasses.replace(site.historian, **changes), **till)  # type: ignore[arg-type]
        for site in fleet.sites
    )
    return simulate_world(dataclasses.replace(fleet, sites=sites), [], settings)


def contract(frames: Tables) -> Tables:
    """The lake's own tables, without the truth."""
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}


def made_of(frames: Tables) -> Tables:
    """What a run makes of a lake."""
    return analyse(clean(frames))


def sure(cases: pl.DataFrame, causes: Sequence[str]) -> pl.DataFrame:
    """The cases of some causes that count, the earliest first."""
    return cases.filter(pl.col("cause").is_in(causes), pl.col("probability") > 0.5).sort("raised_on", "case_id")


def tank_months(frames: Tables) -> float:
    """Tanks times months of data."""
    span = frames["readings"]["ts"].dt.date()
    first, last = span.min(), span.max()
    assert isinstance(first, date) and isinstance(last, date)
    return frames["tanks"].height * ((last - first).days + 1) / DAYS_A_MONTH
