"""How honest the intervals are where a tank is of no shape that papers can name. Prints; asserts nothing.

Run: python -m tests.benchmarks.calibration_shapes [--tanks N]. Sections are superellipses, |x/a|^p + |y/b|^p = 1: p = 2
is the ellipse, which holds as much at every level as a round tank of another length; below 2 it is slimmer, above a
suitcase.
The papers and the chart are of a round tank as deep and as large. Each trades for four weeks by itself, and nobody
measures what is in it.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.interpolate import PchipInterpolator

from pipeline.chart_review import site_charts
from pipeline.estimate.chart import ChartCalibration, calibrated_chart
from pipeline.physics.geometry import TankShape, volume_l
from pipeline.sites import site_tables
from tests.benchmarks.calibration_weeks import share
from tests.support.lakes import rows
from tests.support.odd_shapes import Trade, lake_of_one

GROUPS = {"slim, p 1.6 to 1.9": (1.6, 1.9), "ellipse, p 2": (2.0, 2.0), "suitcase, p 2.2 to 4": (2.2, 4.0)}
DEPTHS_MM, LITRES = (1200.0, 1600.0), (4000.0, 8000.0)
OFFSET_SD_MM = 1.0
FULL, DROP, DAYS = 0.9, 0.55, 28
"""How full a tank is after a drop, and a drop's litres, as shares of the capacity."""


def litres_of(power: float, depth_mm: float, capacity_l: float) -> tuple[np.ndarray, np.ndarray]:
    """Levels and the litres below them. [mm], [l]"""
    level = np.linspace(0.0, depth_mm, 4001)
    middle = np.abs((level[1:] + level[:-1]) / depth_mm - 1.0)
    below = np.concatenate([[0.0], np.cumsum((1.0 - middle**power) ** (1.0 / power))])
    return level, capacity_l * below / below[-1]


def judged(power: float, seed: int) -> tuple[ChartCalibration, np.ndarray, np.ndarray, float]:
    """What is found of a tank, its error and SD at sixty levels seen, and its capacity. [l]"""
    rng = np.random.default_rng(seed)
    depth, capacity, offset = rng.uniform(*DEPTHS_MM), rng.uniform(*LITRES), rng.normal(0.0, OFFSET_SD_MM)
    level, litres = litres_of(power, depth, capacity)
    level_of = PchipInterpolator(litres, level + offset)
    round_m2 = np.pi * (depth / 2000.0) ** 2
    papers = TankShape("horizontal_cylinder", "flat", depth, capacity / round_m2)
    levels = np.append(np.arange(0.0, depth, 20.0), depth)
    tank = {
        "tank_id": "T1", "capacity_l": round(capacity, 1), "safe_fill_l": round(0.95 * capacity, 1),
        "shape": papers.shape, "end_shape": "flat", "diameter_mm": depth, "length_mm": papers.length_mm,
        "tilt_mm_per_m": 0.0, "probe_position_mm": 0.3 * papers.length_mm,
    }  # fmt: skip
    trade = Trade(lambda stock: float(level_of(stock)), FULL * capacity, DROP * capacity, DAYS, seed)
    lake = lake_of_one(tank, (levels, volume_l(levels, papers)), trade)
    (tables,) = site_tables({**lake, "meter_totals": rows("meter_totals")})
    found = calibrated_chart(site_charts(tables).charts[0])
    at = np.linspace(*found.span_mm, 60)
    chart = found.correction.at(at)
    return found, chart.corrected_l - np.interp(at - offset, level, litres), chart.sd_l, capacity


def main() -> None:
    """Print each group's row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tanks", type=int, default=20)
    count = parser.parse_args().tanks
    for name, (low, high) in GROUPS.items():
        powers = np.random.default_rng(5).uniform(low, high, count)
        inside, off, sds, told = [], [], [], []
        for place, power in enumerate(powers.tolist()):
            found, error, sd, capacity = judged(power, 91_000 + place)
            inside.append(np.mean(np.abs(error) <= 1.96 * sd))
            off.append(100.0 * abs(error.mean()) / capacity)
            sds.append(100.0 * float(sd.mean()) / capacity)
            told.append(found.ways["shape"] > 0.5)
        print(
            f"{name}: {count} tanks; levels inside their 95 % interval {100.0 * np.mean(inside):.1f} %; mean error of "
            f"the litres, median {np.median(off):.2f} %, greatest {np.max(off):.2f} % of the tank, median SD "
            f"{np.median(sds):.2f} %; said to be of another shape {share(told)}"
        )


if __name__ == "__main__":
    main()
