"""How many charts the best there could be would bring within the tolerances, from the same thirty days.

Run: python -m tests.benchmarks.calibration_limit. It prints; it asserts nothing. The estimate is Bayes' own, under the
simulator's covariance of the balance (`limits_oracle`), so none from the same dips has less error on average. It is
told more than any run can know: the law of the tank's noise and its sizes, every carrier's bias, which way its chart is
wrong and by how much such charts are, a dent whole. What it is not told is what the dips must tell: the errors of the
meters (SD 0.17 % each), of single tickets (0.15 % and 5 l), of the thermometer, and the chart's scale, height, tilt and
local slope. A chart's error is drawn from what it still leaves open, and held against the tolerance.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.estimate.chart_shape import tank_model
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from tests.benchmarks.calibration import DAYS, FLEETS, KINDS, TANKS
from tests.benchmarks.limits_oracle import Course, chart_covariance, course_of, covariance
from tests.support.fleets import Tables

Floats = NDArray[np.float64]

UNKNOWN_L2 = 1e8
SCALE_TOLERANCE = 0.001
SCALE_SD, OFFSET_SD_MM = 0.003, 1.1
"""Spread of sound charts, as the simulator draws them."""
WRONG_SD = {"tilt": 26.0, "offset": 30.0, "scale": 0.021}
"""Root mean squares of 9 to 40 mm/m, 5 to 50 mm and 1 to 3 %, as the simulator draws wrong ones."""
LEVELS, DRAWS = 25, 2000


def shares(course: Course, capacity_l: float, wrong: Floats, rng: np.random.Generator) -> tuple[float, float]:
    """Chance that the chart is within tolerance at every level seen, and that its scale is.

    `wrong` (n, w) are the litres that its way to be wrong comes to at each dip, one SD a column.
    """
    gauge = course.gauges[0]
    sound = np.column_stack([SCALE_SD * gauge.stock, OFFSET_SD_MM * gauge.surface])
    chart = chart_covariance(gauge) + sound @ sound.T + wrong @ wrong.T
    sigma = covariance(course, "same data") + wrong @ wrong.T + UNKNOWN_L2
    left = chart - chart @ np.linalg.solve(sigma, chart)
    low, high = int(np.argmin(gauge.level)), int(np.argmax(gauge.level))
    between = (left[high, high] + left[low, low] - 2.0 * left[low, high]) ** 0.5 / (
        gauge.stock[high] - gauge.stock[low]
    )
    at = np.argsort(gauge.level)[np.linspace(0, len(gauge.level) - 1, LEVELS).astype(int)]
    size, shape = np.linalg.eigh(left[np.ix_(at, at)])
    off_l = (shape * np.sqrt(np.maximum(size, 0.0))) @ rng.normal(size=(LEVELS, DRAWS))
    within = np.abs(off_l).max(axis=0) < TOLERANCE_PCT / 100.0 * capacity_l
    return float(within.mean()), float(2.0 * ndtr(SCALE_TOLERANCE / between) - 1.0)


def wrong_l(frames: Tables, tank_id: str, kind: str, course: Course) -> Floats:
    """What one SD of a kind of wrong chart comes to at each dip. Shape (n, 0 or 1). [l]"""
    gauge = course.gauges[0]
    if kind == "tilt":
        tank = frames["tanks"].filter(pl.col("tank_id") == tank_id).row(0, named=True)
        rows = frames["strapping"].filter(pl.col("tank_id") == tank_id).sort("valid_from", "level_mm")
        rows = rows.filter(pl.col("valid_from") == rows["valid_from"][0])
        model = tank_model(tank, rows["level_mm"].to_numpy(), rows["volume_l"].to_numpy())
        slope = model.pose_slopes_l(gauge.level, model.tilt_mm_per_m, 0.0)[:, 0]
        return np.asarray(WRONG_SD[kind] * slope[:, None])
    course_l = {"offset": gauge.surface, "scale": gauge.stock}
    return np.asarray(WRONG_SD[kind] * course_l[kind][:, None]) if kind in course_l else np.zeros((len(gauge.level), 0))


def fleet_shares(seed: int, *, wrong: bool) -> list[Mapping[str, object]]:
    """Both chances of each tank of a fleet that stands alone."""
    settings = FleetSettings(fault_rate=1.0)
    fleet = draw_fleet(Window(date(2026, 3, 1), DAYS), TANKS, seed, settings)
    faults = plan_faults(fleet, ["chart_error"] if wrong else [], settings)
    frames = simulate_world(fleet, faults, settings)
    ways = {fleet.tanks[fault.tank_index].tank_id: KINDS[int(fault.params["kind"])] for fault in faults}
    rng = np.random.default_rng(seed)
    rows = []
    for pool, names in frames["_truth"].group_by("pool", maintain_order=True).agg("tank_id").iter_rows():
        course = course_of(frames, pool) if len(names) == 1 else None
        if course is None or len(course.at_s) < 24 * DAYS // 2:
            continue
        kind = ways.get(names[0], "sound")
        capacity = float(frames["tanks"].filter(pl.col("tank_id") == names[0])["capacity_l"][0])
        chart, scale = shares(course, capacity, wrong_l(frames, names[0], kind, course), rng)
        rows.append({"kind": kind, "chart": chart, "scale": scale})
    return rows


def main() -> None:
    """Print the shares of tanks that the best estimate would bring within each tolerance."""
    table = pl.DataFrame([row for seed, wrong in FLEETS for row in fleet_shares(seed, wrong=wrong)])
    is_wrong = pl.col("kind") != "sound"
    groups = {
        "all": pl.lit(value=True),
        "wrong": is_wrong,
        **{kind: pl.col("kind") == kind for kind in ("sound", *KINDS)},
    }
    print(f"of {table.height} tanks, the best there could be has")
    for name, mine in groups.items():
        rows = table.filter(mine)
        if rows.height:
            chart, scale = (f"{rows[column].mean():6.1%}" for column in ("chart", "scale"))
            print(f"  {name:6} {rows.height:3}: the chart within {TOLERANCE_PCT} % of capacity everywhere in {chart},")
            print(f"              its scale within {100 * SCALE_TOLERANCE:g} % in {scale}")


if __name__ == "__main__":
    main()
