"""Which faults of a simulated fleet could be told at all, tank by tank: those above the limit of detection.

A fault is above when the best test of its own course of litres, by the tank's own noise (`limits_oracle`: Σ of `known`,
chart, meters and expansion known), finds it with 95 % at 5 % false alarms: √I ≥ 3.29. Nothing is set aside for having
looked at many days, causes and places, and no cause has to be told from another: so what is above may still be beyond
any method that must do both, and where a term is in doubt the fault counts as above.

By cause, the course x whose √I is asked, litres as the label gives them unless said:

- `tank_leak`, `unexplained` that comes steadily: evenly over the fault's time;
- `line_leak`: as the tank's sales go; `meter_drift`, `wrong_feed`: as that hose's sales go;
- `bulk_theft`: a step; `slow_theft`: evenly over its time, or one usual draw as a step, whichever is more;
- `unexplained` to and fro: one usual swing as a step, for the swings nearly cancel;
- `short_delivery`, `over_delivery`: a step at the drop, whose own ticket is off by 0.15 % and 5 l (that is in Σ);
- `chart_error`: the litres that the error makes of the levels visited (scale: its share of the stock; offset and tilt:
  millimetres times litres a millimetre; dent: the integral of its share over the levels below), against Σ of
  `same data`, since sound charts and meters are off too;
- `probe_fault` that jumps: a step of so many millimetres. One that sticks, falls silent or scatters is above;
- `water_ingress`: the float's rise against 3.29 of its noise and rounding; nothing at a site without a float;
- `wrong_product`: above where a density is measured, or the ticket shows it; else nothing in the data does;
- `missing_ticket`, `missing_sales` (a totaliser tells hundredths of a litre), `clock_skew` (two minutes at the least,
  where a day's sales tell seconds), `phase_separation` (a tenth of the stock leaves the product): above.

Steps on the hours' grid lose their sharpness, and hours without data count as such. A place without data at the fault's
time has √I of 0 and is below.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.backtest.intervals import share_interval
from tests.benchmarks.limits_fleets import Figure
from tests.benchmarks.limits_oracle import TOLD, Course, course_of, covariance, information
from tests.support.fleets import Tables
from tests.support.matching import true_labels

Floats = NDArray[np.float64]

ALWAYS = ("missing_ticket", "missing_sales", "clock_skew", "phase_separation")
TARGET = 0.8


def above_limit(labels: pl.DataFrame, frames: Tables) -> pl.DataFrame:
    """Each confirmed label with `index` (√I, null where the cause has no course of litres) and whether it is `above`.

    Parameters
    ----------
    labels : the labels of a simulated fleet
    frames : what `simulate_fleet` gave, the truth among it
    """
    pools = dict(frames["_truth"].select("tank_id", "pool").iter_rows())
    courses: dict[str, Course] = {}
    rows = []
    for label in true_labels(labels).iter_rows(named=True):
        name = pools.get(label["tank_id"])
        params = _params(frames, label)
        index, above = None, label["cause"] in ALWAYS
        if not above and name is not None:
            course = courses.setdefault(name, course_of(frames, name))
            index, above = _told(label, params, course, frames)
        rows.append({"label_id": label["label_id"], "index": index, "above": above})
    schema = {"label_id": pl.String, "index": pl.Float64, "above": pl.Boolean}
    return pl.DataFrame(rows, schema=schema)


def _params(frames: Tables, label: Mapping[str, object]) -> dict[str, float]:
    """What the simulator drew of the fault: of the same place and cause the one whose start is nearest."""
    rows = frames["_truth_faults"].filter(pl.col("cause") == label["cause"], pl.col("happened"))
    rows = rows.filter(pl.col("tank_id").eq_missing(pl.lit(label["tank_id"])))
    if not rows.height:
        return {}
    first = frames["_truth_stock"]["ts"].min()
    at_s = (label["ts_start"] - first).total_seconds()  # type: ignore[operator]
    near = rows.filter((pl.col("start_s") - at_s).abs() == (pl.col("start_s") - at_s).abs().min())
    return dict(near.select("parameter", "value").iter_rows())


def _told(
    label: Mapping[str, object], params: Mapping[str, float], course: Course, frames: Tables
) -> tuple[float | None, bool]:
    cause = str(label["cause"])
    if cause == "water_ingress":
        index = _float_index(label, course, frames)
        return index, index >= TOLD
    if cause == "wrong_product":
        measured = frames["readings"].filter(pl.col("tank_id") == label["tank_id"])["density_kg_m3"].drop_nulls().len()
        return None, bool(measured or params.get("ticket_shows"))
    if cause == "probe_fault" and params.get("kind") != 1.0:
        return None, True
    litres = _courses(label, params, course)
    moved = np.ptp(litres, axis=0) > 0.0
    if not moved.any():
        return 0.0, False
    sigma = covariance(course, "same data" if cause == "chart_error" else "known")
    index = float(np.sqrt(np.max(information(litres[:, moved], sigma))))
    return index, index >= TOLD


def _courses(label: Mapping[str, object], params: Mapping[str, float], course: Course) -> Floats:
    """What a fault did to the balance on the grid, in one or more ways of which the best is taken. Shape (n, m). [l]"""
    cause, litres = str(label["cause"]), float(label["litres"] or 0.0)  # type: ignore[arg-type]
    start = label["ts_start"].timestamp()  # type: ignore[attr-defined]
    end = label["ts_end"].timestamp() if label["ts_end"] is not None else course.at_s[-1]  # type: ignore[attr-defined]
    step = (course.at_s > start).astype(float)
    evenly = np.clip((course.at_s - start) / max(end - start, 1.0), 0.0, 1.0)
    if cause in ("bulk_theft", "short_delivery", "over_delivery"):
        return litres * step[:, None]
    if cause == "slow_theft":
        return np.column_stack([litres * evenly, params["litres"] * step])
    if cause == "unexplained":
        return litres * evenly[:, None] if params["steady_gain_l_per_h"] > 0.0 else params["litres"] * step[:, None]
    if cause == "probe_fault":
        off = params["jump_mm"] * (step - (course.at_s > end))
        return (off * np.sum([gauge.surface for gauge in course.gauges], axis=0))[:, None]
    if cause == "chart_error":
        return _charted(params, course, step)[:, None]
    if cause in ("line_leak", "meter_drift", "wrong_feed"):
        hose = course.sold.get(str(label["meter_id"])) if cause != "line_leak" else course.all_sold
        sold = np.zeros(len(step)) if hose is None else hose
        low, high = np.interp([start, end], course.at_s, sold)
        share = np.clip((sold - low) / max(high - low, 1e-6), 0.0, 1.0)
        return litres * (share**2 if params.get("ramp") else share)[:, None]
    return litres * evenly[:, None]


def _charted(params: Mapping[str, float], course: Course, step: Floats) -> Floats:
    """Litres that a wrong chart makes of the levels visited."""
    gauge, size = course.gauges[0], params["size"]
    kind = int(params["kind"])
    if kind == 0:
        return size * gauge.truth["probe_position_mm"] / 1000.0 * gauge.surface
    if kind == 1:
        return size * gauge.surface
    if kind == 2:
        return size * gauge.stock * (step if params["replaced"] else 1.0)
    order = np.argsort(gauge.level)
    level, surface = gauge.level[order], gauge.surface[order]
    bump = size * np.exp(-0.5 * ((level - params["centre"]) / params["width"]) ** 2)
    off = np.empty(len(level))
    off[order] = np.cumsum(bump * surface * np.diff(level, prepend=level[:1]))
    return off * (step if params["replaced"] else 1.0)


def _float_index(label: Mapping[str, object], course: Course, frames: Tables) -> float:
    """By how many of its own SDs the water float rose."""
    rows = frames["readings"].filter(pl.col("tank_id") == label["tank_id"])
    if not rows["water_mm"].drop_nulls().len():
        return 0.0
    chart = frames["strapping"].filter(pl.col("tank_id") == label["tank_id"]).sort("valid_from", "level_mm")
    levels, litres = chart["level_mm"].to_numpy(), chart["volume_l"].to_numpy()
    truth = frames["_truth"].filter(pl.col("tank_id") == label["tank_id"]).row(0, named=True)
    first = truth["water_l"]
    low, high = np.interp([first, first + float(label["litres"] or 0.0)], litres, levels)  # type: ignore[arg-type]
    noise = np.hypot(truth["water_noise_mm"], truth["water_resolution_mm"] / np.sqrt(12.0))
    return float((high - low) / noise)


def above_lines(above: pl.DataFrame, labels: pl.DataFrame, found: Sequence[str]) -> list[Figure]:
    """The lines of faults above the limit, by cause, and of what was found below it."""
    table = true_labels(labels).join(above, on="label_id").with_columns(found=pl.col("label_id").is_in(list(found)))
    lines = []
    for name, rows in [("all causes", table), *((str(key[0]), part) for key, part in table.group_by("cause"))]:
        over = rows.filter("above")
        count, whole = over.filter("found").height, over.height
        low, high = share_interval(count, whole)
        below = rows.filter(~pl.col("above"))
        said = f"{count} of {whole}: {count / max(whole, 1):.2f} ({low:.2f} to {high:.2f})"
        title = f"{name}: right cause, faults above; below, {below.filter('found').height} of {below.height}"
        lines.append(Figure(title, said, "0.80", whole == 0 or count >= TARGET * whole))
    return [lines[0], *sorted(lines[1:], key=lambda line: line.item)]
