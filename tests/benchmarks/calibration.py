"""How well charts are calibrated from thirty days of dips, on fleets that nothing was tuned on.

Prints; asserts nothing. Run: python -m tests.benchmarks.calibration [--days 90] [--tanks 20], through what `tankdrift
chart` does. Two fleets with sound charts (true tilt, walls,
offset and size differ from the papers by what sound tanks differ) and two where every tank that can has a wrong chart,
tilt or probe.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.special import ndtr

from pipeline.chart_review import SiteCharts, calibrated_alone, calibrated_fleet, site_charts
from pipeline.estimate.chart import ChartCalibration, JudgeableChart
from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.scoring.charts import chart_frames
from pipeline.simulate.chart import TrueShape, true_shape, with_chart_faults
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Tank, Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from pipeline.sites import site_tables

FLEETS = ((73_001, False), (73_002, False), (73_003, True), (73_004, True))
TANKS, DAYS = 40, 30
KINDS = ("tilt", "offset", "scale", "dent")
TILT_MM_PER_M = 1000.0 * np.tan(np.radians(0.15))


@dataclass(frozen=True)
class Judged:
    """One tank's calibration held against the truth; errors of the chart in % of the capacity, over the levels seen."""

    kind: str
    found: ChartCalibration
    before: np.ndarray
    after: np.ndarray
    covered: np.ndarray
    tilt: float
    datum: float
    scale_pct: float
    half_width: float
    stock_told: bool
    verdict: str


def fleet_of(
    seed: int, wrong: bool, tanks: int, days: int
) -> tuple[list[SiteCharts], dict[str, tuple[Tank, TrueShape, str]]]:
    """A fleet's charts, and each tank as it is with its true shape and what is wrong with its chart."""
    settings = FleetSettings(fault_rate=1.0)
    fleet = draw_fleet(Window(date(2026, 3, 1), days), tanks, seed, settings)
    faults = plan_faults(fleet, ["chart_error"] if wrong else [], settings)
    frames = simulate_world(fleet, faults, settings)
    lake = {name: frame for name, frame in frames.items() if not name.startswith("_")}
    sites = [site_charts(tables) for tables in site_tables(lake)]
    truth = {}
    for tank in fleet.tanks:
        mine = [fault for fault in faults if fault.tank_index == tank.index]
        kinds = [KINDS[int(fault.params["kind"])] for fault in mine]
        real = with_chart_faults(tank, mine)
        truth[tank.tank_id] = (real, true_shape(real, seed), "+".join(sorted(kinds)) or "sound")
    return sites, truth


def judged(chart: JudgeableChart, found: ChartCalibration, verdict: str, truth: tuple[Tank, TrueShape, str]) -> Judged:
    """The calibration against the truth at sixty levels between the lowest and the highest seen."""
    tank, shape, kind = truth
    model = chart.model
    level = np.linspace(*found.span_mm, 60)
    true_l = shape.volume_at(level - tank.gauge.offset_mm)
    rows = found.corrected
    corrected, site, sd = (np.interp(level, rows.level_mm, of) for of in (rows.corrected_l, rows.chart_l, rows.sd_l))
    part = 100.0 / tank.capacity_l
    drawn = model.base_l(level)
    more = tank.true.tilt_mm_per_m - model.tilt_mm_per_m
    stock = next(one for one in found.estimates if one.name == "stock_l")
    return Judged(
        kind=kind,
        found=found,
        before=part * (site - true_l),
        after=part * (corrected - true_l),
        covered=np.abs(corrected - true_l) <= 1.96 * sd,
        tilt=tank.true.tilt_mm_per_m,
        datum=tank.gauge.offset_mm + more * tank.true.probe_position_mm / 1000.0,
        scale_pct=100.0 * ((true_l[-1] - true_l[0]) / (drawn[-1] - drawn[0]) - 1.0),
        half_width=part * (stock.high - stock.low) / 2.0,
        stock_told=stock.is_identified,
        verdict=verdict,
    )


def share(flags: list[bool]) -> str:
    """A share in per cent with its count."""
    return f"{100.0 * np.mean(flags):5.1f} % of {len(flags)}" if flags else "    - of 0"


def report(title: str, tanks: list[Judged]) -> None:
    """Print one group's table."""
    print(f"\n{title}: {len(tanks)} tanks")
    for name, before, after in (
        ("chart within 0.15 % of capacity at every level seen", lambda t: t.before, lambda t: t.after),
        (
            "... litres from level to level (its mean error aside)",
            lambda t: t.before - t.before.mean(),
            lambda t: t.after - t.after.mean(),
        ),
    ):
        worst = [[np.abs(of(tank)).max() for tank in tanks] for of in (before, after)]
        within = [share([one < TOLERANCE_PCT for one in side]) for side in worst]
        print(
            f"  {name}: {within[0]} before, {within[1]} after;"
            f" median worst {np.median(worst[0]):.3f} % -> {np.median(worst[1]):.3f} %"
        )
    covered = 100.0 * float(np.mean([tank.covered.mean() for tank in tanks]))
    print(f"  levels of the corrected chart inside their 95 % interval: {covered:.1f} %")
    near = [bool(np.abs(tank.after).max() < TOLERANCE_PCT) for tank in tanks]
    told = [one for one, tank in zip(near, tanks, strict=True) if tank.stock_told]
    width = np.median([tank.half_width for tank in tanks])
    normal = 1.96 * TOLERANCE_PCT / np.array([tank.half_width for tank in tanks])
    print(
        f"  of those sure to {TOLERANCE_PCT} % where least sure: within {share(told)}; median half-width {width:.3f} %;"
        f" so sure as said, at that level {100.0 * float(np.mean(ndtr(normal) - ndtr(-normal))):.1f} % are within"
    )
    figures = (
        ("tilt_mm_per_m", lambda t: t.tilt, TILT_MM_PER_M, "±0.15°"),
        ("datum_mm", lambda t: t.datum, 5.0, "±5 mm"),
        ("scale_pct", lambda t: t.scale_pct, 0.1, "±0.1 %"),
    )
    for name, true_of, tolerance, words in figures:
        pairs = [
            (one, true_of(tank))
            for tank in tanks
            for one in tank.found.estimates
            if one.name == name and np.isfinite(one.value)
        ]
        near = [abs(one.value - true) <= tolerance for one, true in pairs]
        told = [abs(one.value - true) <= tolerance for one, true in pairs if one.is_identified]
        sure = [abs(one.value - true) <= tolerance for one, true in pairs if one.high - one.low <= 2.0 * tolerance]
        off = [(one.value - true) / max(one.high - one.low, 1e-9) * 3.92 for one, true in pairs]
        inside = [one.low <= true <= one.high for one, true in pairs]
        width = np.median([(one.high - one.low) / 2.0 for one, _ in pairs]) if pairs else np.nan
        mean = np.mean(off) if pairs else np.nan
        print(
            f"  {name}: {words} {share(near)}, of those told {share(told)}, of those so sure {share(sure)};"
            f" interval holds {share(inside)}; median half-width {width:.3f}; mean error {mean:+.2f} SD"
        )
    counts: dict[str, int] = {}
    for tank in tanks:
        for name in tank.found.not_identified:
            counts[name] = counts.get(name, 0) + 1
    print("  not identifiable: " + ", ".join(f"{name} {count}" for name, count in sorted(counts.items())))
    closings = [tank.found.closing for tank in tanks]
    for words, before, after in (
        ("between drops", [c.between_drops_before_l for c in closings], [c.between_drops_after_l for c in closings]),
        ("all through", [c.before_l for c in closings], [c.after_l for c in closings]),
    ):
        ratio = np.median(np.array(after) / np.array(before))
        print(f"  cumulative variance {words}: {np.median(before):.1f} l -> {np.median(after):.1f} l ({ratio:.2f})")


def verdicts(tanks: list[Judged]) -> None:
    """Print how often a chart is said to be worth a new table, by whether it is off by more than the tolerance."""
    off = [bool(np.ptp(tank.before) > TOLERANCE_PCT) for tank in tanks]
    for words, wanted in (("off", True), ("not off", False)):
        said = [tank.verdict for tank, is_off in zip(tanks, off, strict=True) if is_off == wanted]
        named = ", ".join(f"{name} {said.count(name)}" for name in ("new_table", "may_be_wrong", "no_new_table"))
        print(f"  {words} by more than {TOLERANCE_PCT} % of the tank between two levels seen: {len(said)}; {named}")


def main() -> None:
    """Simulate, calibrate alone and with what the fleet tells each tank, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--tanks", type=int, default=TANKS)
    options = parser.parse_args()
    alone: list[Judged] = []
    pooled: list[Judged] = []
    left_out: dict[str, int] = {}
    spent = 0.0
    for seed, wrong in FLEETS:
        sites, truth = fleet_of(seed, wrong, options.tanks, options.days)
        for one in (one for site in sites for one in site.left_out):
            left_out[one.reason] = left_out.get(one.reason, 0) + len(one.tank_ids)
        charts = [chart for site in sites for chart in site.charts]
        start = time.perf_counter()
        found = calibrated_alone(charts)
        spent += time.perf_counter() - start
        for kept, those in ((alone, found), (pooled, calibrated_fleet(charts, found))):
            said = dict(chart_frames(charts, those, {})["charts"].select("tank_id", "verdict").iter_rows())
            kept += [
                judged(chart, one, said[one.tank_id], truth[one.tank_id])
                for chart, one in zip(charts, those, strict=True)
            ]
    seeds = [seed for seed, _ in FLEETS]
    total = options.tanks * len(FLEETS)
    print(f"{total} tanks, {options.days} days, seeds {seeds}; {spent / len(alone):.2f} s a tank")
    print(f"not calibrated: {left_out}")
    for words, tanks in (("each tank alone", alone), ("told by the fleet", pooled)):
        print(f"\n== {words}")
        verdicts(tanks)
        report("all", tanks)
        report("sound", [tank for tank in tanks if tank.kind == "sound"])
        report("wrong", [tank for tank in tanks if tank.kind != "sound"])
        for kind in KINDS:
            report(f"wrong by {kind}", [tank for tank in tanks if tank.kind == kind])


if __name__ == "__main__":
    main()
