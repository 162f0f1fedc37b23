"""Small fleets whose charts are wrong in known ways."""

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.estimate.chart import ChartCalibration, NotCalibrated, calibrated_chart, judgeable_chart
from pipeline.estimate.chart_fit import Told
from pipeline.estimate.observe import observe_site
from pipeline.estimate.unit_walk import UnitWalk, walk_unit
from pipeline.simulate.chart import TrueShape, true_shape, with_chart_faults
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Tank, Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from pipeline.sites import site_tables
from tests.support.lakes import write

Truth = dict[str, tuple[Tank, TrueShape]]


def charted_lake(*, seed: int, tanks: int, days: int, wrong: bool = True) -> tuple[dict[str, pl.DataFrame], Truth]:
    """A lake's tables, and each tank as it is with its true shape; every tank that can has a wrong chart, or none."""
    settings = FleetSettings(fault_rate=1.0)
    fleet = draw_fleet(Window(date(2026, 3, 1), days), tanks, seed, settings)
    faults = plan_faults(fleet, ["chart_error"] if wrong else [], settings)
    frames = simulate_world(fleet, faults, settings)
    truth = {}
    for tank in fleet.tanks:
        real = with_chart_faults(tank, [fault for fault in faults if fault.tank_index == tank.index])
        truth[tank.tank_id] = (real, true_shape(real, seed))
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}, truth


def lake_of_the_docs(lake: Path) -> Truth:
    """Write 28 days of three sound tanks, whose first one's chart gives 4 % too much; the true shapes come back."""
    frames, truth = charted_lake(seed=5, tanks=3, days=28, wrong=False)
    is_wrong = pl.col("tank_id") == "T0001"
    too_much = pl.when(is_wrong).then((1.04 * pl.col("volume_l")).round(1)).otherwise("volume_l")
    frames["strapping"] = frames["strapping"].with_columns(volume_l=too_much)
    write(lake, frames)
    return truth


def charted_fleet(*, seed: int, tanks: int, days: int) -> tuple[list[UnitWalk], Truth]:
    """A fleet's walks, and each tank as it is with its true shape; every tank that can has a wrong chart."""
    frames, truth = charted_lake(seed=seed, tanks=tanks, days=days)
    units = [unit for one in site_tables(frames) for unit in observe_site(one).units]
    return [walk for unit in units if (walk := walk_unit(unit)) is not None], truth


def calibrate_chart(walk: UnitWalk, *, told: Told | None = None) -> ChartCalibration | NotCalibrated:
    """A walk's chart judged, or why it cannot be."""
    chart = judgeable_chart(walk)
    return chart if isinstance(chart, NotCalibrated) else calibrated_chart(chart, told=told)
