"""How many charts the command's own estimate would bring within 0.15 % if it were told how these charts were drawn.

Run: python -m tests.benchmarks.calibration_law [--days D] [--tanks N]. It prints; it asserts nothing. The fleets are
those of `calibration`, and so are fit and noise; the priors are no common practice but the simulator's own law: how far
sound tanks stray, that none is rolled, whether the fleet is one of wrong charts, how often each way and how large. What
is not told is which way a chart is wrong. No estimate from these dips, with this noise model, errs less on average.
Beside what it reaches stands what it expects of itself: over a hundred tanks the two differ by 3 or 4 % by chance.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.chart_review import site_charts
from pipeline.estimate.chart import JudgeableChart
from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.estimate.chart_fit import CHART, Fit, Told, fit_ways, fits_by
from pipeline.estimate.chart_fleet import heard_of, told_by_fleet
from pipeline.estimate.chart_mixture import weights_of
from pipeline.estimate.chart_terms import correction_l
from pipeline.estimate.regression import Prior
from pipeline.sites import site_tables
from tests.benchmarks.calibration import DAYS, FLEETS, TANKS, fleet_of
from tests.benchmarks.calibration_weeks import Row, Truth

Floats = np.ndarray
DRAWS, LEVELS = 2000, 60
SOUND = {"tilt": 0.8, "offset": 0.8, "scale": 0.003, "remainder": 0.003, "geometry": 0.5, "roll": 1e-9}
"""SDs of sound tanks, as the simulator draws them."""
KINDS = {"tilt": 0.25, "offset": 0.3, "scale": 0.25, "remainder": 0.2}
"""Shares of the ways in a fleet of wrong charts; a tilt becomes an offset where the probe stands within 0.8 m."""
TILTS_MM_PER_M, OFFSETS_MM = np.arange(11.0, 40.0, 5.0), np.arange(7.5, 50.0, 5.0)
STEP_SD = 5.0 / np.sqrt(12.0)
"""Middles of the parts of what is drawn evenly from 9 to 40 mm/m and from 5 to 50 mm, and the SD within a part."""
SCALE_SD, DENT_SD = 0.021, 0.03
NEAR_MM = 800.0


@dataclass(frozen=True)
class Law:
    """Ways to be wrong as they are drawn, each a key, its prior and its odds."""

    ways: list[tuple[str, Prior]]
    odds: dict[str, float]


def law_of(chart: JudgeableChart, truth: Truth, *, is_wrong: bool) -> Law:
    """How a tank's chart was drawn, in a fleet of sound charts or of wrong ones."""
    kinds = [name.split(":")[0] for name in CHART]
    lying = chart.model.tank.shape == "horizontal_cylinder"
    reach_m = 0.35 * chart.model.tank.length_mm / 1000.0 if lying else 0.0
    sound = dict(SOUND)
    if not chart.model.knows_probe:
        # A tilt shows in the offset, by a lever that is drawn evenly.
        sound["offset"] = float(np.hypot(SOUND["offset"], SOUND["tilt"] * reach_m / np.sqrt(3.0)))
    mean = np.array([0.5 if kind == "geometry" else 0.0 for kind in kinds])
    sd = np.array([sound[kind] for kind in kinds])
    if not is_wrong:
        return Law([("sound", Prior(mean, sd))], {"sound": 1.0})
    law = Law([], {})

    def add(kind: str, at: float, spread: float, odds: float) -> None:
        mine = np.array([one == kind for one in kinds])
        key = f"{kind}:{len(law.ways)}"
        law.ways.append((key, Prior(np.where(mine, at, mean), np.where(mine, np.hypot(sd, spread), sd))))
        law.odds[key] = odds

    tilted = KINDS["tilt"] if lying and abs(truth.tank.true.probe_position_mm) >= NEAR_MM else 0.0
    tilts = TILTS_MM_PER_M if chart.model.knows_probe else np.arange(10.0, 40.0 * reach_m, 8.0)
    as_what, within = ("tilt", STEP_SD) if chart.model.knows_probe else ("offset", 8.0 / np.sqrt(12.0))
    for sign in (1.0, -1.0):
        for at in OFFSETS_MM:
            add("offset", sign * at, STEP_SD, (KINDS["offset"] + KINDS["tilt"] - tilted) / 2.0 / len(OFFSETS_MM))
        for at in tilts if tilted else ():
            add(as_what, sign * at, within, tilted / 2.0 / len(tilts))
    add("scale", 0.0, SCALE_SD, KINDS["scale"])
    add("remainder", 0.0, DENT_SD, KINDS["remainder"])
    return law


def shares(chart: JudgeableChart, truth: Truth, fits: list[Fit], rng: np.random.Generator) -> Row:
    """Whether the mean of the fits is within the tolerance at every level seen, and with what chance it thinks so."""
    level, part = np.linspace(*chart.span_mm, LEVELS), 100.0 / truth.tank.capacity_l
    weight = weights_of(fits)
    each = [correction_l(chart.model, fit, level) for fit in fits]
    mean = weight @ np.array([litres for litres, _ in each])
    drawn = []
    for count, fit, (litres, slopes) in zip(rng.multinomial(DRAWS, weight), fits, each, strict=True):
        size, shape = np.linalg.eigh(slopes @ fit.belief.cov[: len(CHART), : len(CHART)] @ slopes.T)
        drawn.append(litres + (rng.normal(size=(count, LEVELS)) * np.sqrt(np.maximum(size, 0.0))) @ shape.T)
    off = part * (np.concatenate(drawn) - mean)
    error = part * (chart.model.base_l(level) + mean - truth.litres(level))
    return {
        "kind": truth.kind,
        "reached": bool(np.abs(error).max() < TOLERANCE_PCT),
        "expected": float(np.mean(np.abs(off).max(axis=1) < TOLERANCE_PCT)),
    }


def fleet_shares(charts: list[JudgeableChart], truth: Mapping[str, Truth], *, is_wrong: bool) -> list[Row]:
    """Each tank's row by the simulator's law, and by the command's own priors."""
    alone = {one.tank_id: fit_ways(one.data, one.model) for one in charts}
    told = told_by_fleet({one.tank_id: heard_of(one.data, one.model, alone[one.tank_id]) for one in charts})
    rng, rows = np.random.default_rng(1), []
    for one in charts:
        tank, mine = truth[one.tank_id], told[one.tank_id]
        law = law_of(one, tank, is_wrong=is_wrong)
        shared = Told(mine.names, mine.mean, mine.cov)
        by = {
            "law": fits_by(one.data, one.model, shared, law.ways, law.odds),
            "own": fit_ways(one.data, one.model, mine),
        }
        rows += [{"priors": name, **shares(one, tank, fits, rng)} for name, fits in by.items()]
    return rows


def main() -> None:
    """Print the shares of charts within the tolerance by kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--tanks", type=int, default=TANKS)
    options = parser.parse_args()
    rows = []
    for seed, is_wrong in FLEETS:
        lake, truth = fleet_of(seed, is_wrong, "plain", options.tanks, options.days)
        charts = [one for tables in site_tables(lake) for one in site_charts(tables).charts]
        rows += fleet_shares(charts, truth, is_wrong=is_wrong)
    table = pl.DataFrame(rows)
    for name, words in (("law", "told the law of the draws"), ("own", "by the command's own priors")):
        mine = table.filter(priors=name)
        groups = {"all": mine, **{str(kind): part for (kind,), part in mine.group_by(["kind"], maintain_order=True)}}
        print(f"{words}: charts within {TOLERANCE_PCT} % of the tank at every level seen, {options.days} days")
        for kind, part in groups.items():
            reached, expected = part["reached"].mean(), part["expected"].mean()
            print(f"  {kind:14} {part.height:3}: reached {reached:6.1%}, expected {expected:6.1%}")


if __name__ == "__main__":
    main()
