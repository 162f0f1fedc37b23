"""What sure knowledge would tell of the litres below a level, beside thirty days of dips. Prints; asserts nothing.

Run: python -m tests.benchmarks.calibration_known [--days D] [--tanks N]. The tanks are those of `calibration` whose
charts are sound, each by itself, and each is told that its chart is sound; what it is told besides is the row's first
cell. The SDs are those that the fit gives: of the probe's zero, and of the litres below the visited level where they
are least sure.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.chart_review import site_charts
from pipeline.estimate.chart import JudgeableChart
from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.estimate.chart_fit import CHART, Told, fits_by, ways_of
from pipeline.estimate.chart_terms import correction_l
from pipeline.estimate.regression import Prior
from pipeline.sites import site_tables
from tests.benchmarks.calibration import DAYS, FLEETS, TANKS, fleet_of
from tests.benchmarks.calibration_weeks import share

SURE, FREE_MM, LEVELS = 1e-6, 100.0, 60
OFFSET = CHART.index("offset")
METERING = ("meter", "calibrated:", "carrier:", "tickets")
"""Beginnings of the names of what meters and tickets are off by."""


@dataclass(frozen=True)
class Knowledge:
    """What is known: `sd` by kind of the chart's coefficients, `walls` as a share of their usual error."""

    words: str
    sd: Mapping[str, float] = field(default_factory=dict)
    walls: float = 1.0
    has_metering: bool = False


KNOWN = (
    Knowledge("nothing of the offset but the dips", {"offset": FREE_MM}),
    Knowledge("the same, walls with a third of their usual error", {"offset": FREE_MM}, walls=1.0 / 3.0),
    Knowledge("the same, perfect walls", {"offset": FREE_MM}, walls=SURE),
    Knowledge("usual probes, usual walls"),
    Knowledge("the same, every meter and carrier known", has_metering=True),
    Knowledge("the same, tilt and zero surveyed to 1 mm/m and 1 mm", {"tilt": 1.0, "offset": 1.0}),
    Knowledge("the same, tilt and zero surveyed to 0.3 mm/m and 0.3 mm", {"tilt": 0.3, "offset": 0.3}),
)


def doubt(chart: JudgeableChart, known: Knowledge) -> tuple[float, float]:
    """SD of the probe's zero [mm], and of the litres where they are least sure [% of the capacity]."""
    usual = ways_of(chart.model, Told())[0][1]
    kinds = [name.split(":")[0] for name in CHART]
    walls = np.array([known.walls if kind == "remainder" else 1.0 for kind in kinds])
    sd = np.array([known.sd.get(kind, one) for kind, one in zip(kinds, usual.sd, strict=True)]) * walls
    data, told = chart.data, Told()
    if known.has_metering:
        metering = np.array([name.startswith(METERING) for name in data.names])
        data = replace(data, prior=Prior(data.prior.mean, np.where(metering, SURE, data.prior.sd)))
        told = Told(meter_sd=SURE)
    (fit,) = fits_by(data, chart.model, told, [("sound", Prior(usual.mean, sd))], {"sound": 1.0})
    cov = fit.belief.cov[: len(CHART), : len(CHART)]
    _, slopes = correction_l(chart.model, fit, np.linspace(*chart.span_mm, LEVELS))
    litres = np.sqrt(np.einsum("kp,pq,kq->k", slopes, cov, slopes)).max()
    capacity_l = float(chart.model.nominal_l(np.array([chart.model.tank.depth_mm]))[0])
    return float(np.sqrt(cov[OFFSET, OFFSET])), 100.0 * float(litres) / capacity_l


def main() -> None:
    """Print a row for each piece of knowledge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--tanks", type=int, default=TANKS)
    options = parser.parse_args()
    charts = [
        one
        for seed, is_wrong in FLEETS
        if not is_wrong
        for tables in site_tables(fleet_of(seed, is_wrong, "plain", options.tanks, options.days)[0])
        for one in site_charts(tables).charts
    ]
    print(f"{len(charts)} sound charts, {options.days} days; median SDs")
    print(
        f"| what is known | the probe's zero, mm | litres below a level, % | 95 % interval within ±{TOLERANCE_PCT} % |"
    )
    print("| --- " * 4 + "|")
    for known in KNOWN:
        zero_mm, litres_pct = np.array([doubt(one, known) for one in charts]).T
        within = share(1.96 * litres_pct <= TOLERANCE_PCT).strip()
        print(f"| {known.words} | {np.median(zero_mm):.1f} | {np.median(litres_pct):.3f} | {within} |")


if __name__ == "__main__":
    main()
