"""The sample lake: ninety days of an invented retailer's six sites, every cause of the contract among its tanks."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.simulate.faults import make_fault
from pipeline.simulate.layout import SitePlan, fleet_of
from pipeline.simulate.model import Fault, Fleet, Window
from pipeline.simulate.places import REGIONS
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings

SEED = 20260301
WINDOW = Window(date(2026, 3, 1), 90)

_MADRID, _HELSINKI, _BERLIN = REGIONS[1], REGIONS[2], REGIONS[3]

SITES = [
    SitePlan("Alderbridge", "urban", _BERLIN, ("gasoline_e10", "gasoline_e5", "diesel_b7", "diesel_b7"), 60.0),
    SitePlan("Hazelhaven", "rural", _BERLIN, ("gasoline_e10", "diesel_b7", "heating_oil"), 300.0),
    SitePlan("Marlcombe", "motorway", _BERLIN, ("gasoline_e10", "gasoline_e5", "diesel_b7", "+diesel_b7"), 60.0),
    SitePlan("Thornholt", "truck_stop", _BERLIN, ("diesel_b7", "+diesel_b7", "gasoline_e10"), 60.0),
    SitePlan("Pellwick", "urban", _MADRID, ("gasoline_e10", "gasoline_e5", "diesel_b7"), 300.0, blends=True),
    SitePlan("Ormstead", "rural", _HELSINKI, ("gasoline_e10", "gasoline_e5", "diesel_b7"), 300.0),
]
"""Six sites in three countries, twenty tanks; the busy ones report every minute, the others every five."""

STORY = (
    ("wrong_feed", 1),
    ("meter_drift", 3),
    ("short_delivery", 3),
    ("slow_theft", 5),
    ("over_delivery", 5),
    ("phase_separation", 7),
    ("missing_sales", 7),
    ("line_leak", 9),
    ("missing_ticket", 9),
    ("unexplained", 13),
    ("tank_leak", 14),
    ("wrong_product", 14),
    ("chart_error", 16),
    ("probe_fault", 17),
    ("clock_skew", 17),
    ("bulk_theft", 19),
    ("water_ingress", 19),
)
"""Each cause, and the place of the tank that it befalls. Days and severities are drawn as in every other fleet."""


def sample_fleet(settings: FleetSettings) -> tuple[Fleet, list[Fault]]:
    """Return the retailer's fleet, and the faults of its ninety days."""
    fleet = fleet_of(SITES, WINDOW, SEED, settings)
    faults = [make_fault(index, cause, fleet.tanks[tank], fleet) for index, (cause, tank) in enumerate(STORY)]
    return fleet, faults


def sample_frames() -> dict[str, pl.DataFrame]:
    """Return the sample lake by table, with the truth beside it as `simulate_fleet` gives it."""
    settings = FleetSettings()
    fleet, faults = sample_fleet(settings)
    return simulate_world(fleet, faults, settings)
