"""How well `tankdrift chart` puts charts right, on fleets that nothing was tuned on. Prints; asserts nothing.

``python -m tests.benchmarks.calibration [--days D] [--tanks N] [--families A B ...] [--alone] [--measured]``

Each fleet is written as a lake, taken in, and judged by the command itself; all figures are read from what it leaves.
A family has two fleets with sound charts (true tilt, walls, offset and size differ from the papers by what sound tanks
differ) and two where every tank that can has a wrong chart, tilt or probe. `--families` takes names, `development` and
`kept`: kept families are drawn here to be measured, and no figure may be set by what they print. With `--measured`
somebody has once measured what is in each tank, to 0.1 %.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
from scipy.special import ndtr

from flows.cli import main as tankdrift
from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.estimate.chart_shape import tank_model
from pipeline.run_folder import held
from pipeline.simulate.chart import true_shape, with_chart_faults
from pipeline.simulate.families import DEVELOPMENT, KEPT, family_named
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from pipeline.stages import Run, load
from tests.benchmarks.calibration_weeks import (
    CLOSES_PCT,
    Judged,
    Truth,
    closing,
    ends_sd_l,
    far_off,
    share,
    weeks_mm,
)
from tests.support.lakes import rows as rows_of
from tests.support.lakes import write

FLEETS = ((73_001, False), (73_002, False), (73_003, True), (73_004, True))
TANKS, DAYS = 40, 30
KINDS = ("tilt", "offset", "scale", "dent")
TILT_MM_PER_M = 1000.0 * np.tan(np.radians(0.15))
STEP_MM = 10
"""The corrected charts are judged as the tables that `--step-mm` gives, read with straight lines between their rows."""
SAID = ("charts", "figures", "levels")
GROUPS = {"development": DEVELOPMENT, "kept": KEPT}

Frames = dict[str, pl.DataFrame]


def fleet_of(seed: int, wrong: bool, family: str, tanks: int, days: int) -> tuple[Frames, dict[str, Truth]]:
    """A fleet's lake, and each tank as it is."""
    settings = FleetSettings(family=family, fault_rate=1.0)
    law = family_named(family)
    fleet = draw_fleet(Window(law.start, days), tanks, seed, settings)
    faults = plan_faults(fleet, ["chart_error"] if wrong else [], settings)
    frames = simulate_world(fleet, faults, settings)
    truth = {}
    for tank in fleet.tanks:
        mine = [fault for fault in faults if fault.tank_index == tank.index]
        kinds = [KINDS[int(fault.params["kind"])] for fault in mine]
        real = with_chart_faults(tank, mine)
        truth[tank.tank_id] = Truth(real, true_shape(real, seed, law), "+".join(sorted(kinds)) or "sound")
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}, truth


def with_measured_stocks(lake: Frames, truth: dict[str, Truth], seed: int) -> Frames:
    """The lake with an entry for each tank that tells its litres at the reading in the middle of its days."""
    rng = np.random.default_rng(seed)
    homes = dict(lake["tanks"].select("tank_id", "site_id").iter_rows())
    good = lake["readings"].filter(pl.col("quality") == "good").drop_nulls("level_mm").sort("tank_id", "ts")
    entries = []
    for tank_id, one in truth.items():
        mine = good.filter(tank_id=tank_id)
        at, level = mine.select("ts", "level_mm").row(mine.height // 2)
        litres = float(one.litres(np.array([level]))[0]) * (1.0 + rng.normal(0.0, 0.001))
        entries.append(
            {"event_id": f"measured {tank_id}", "ts": at, "site_id": homes[tank_id], "tank_id": tank_id,
             "kind": "stock_measured", "note": f"{litres:.1f} l"}
        )  # fmt: skip
    return {**lake, "events": pl.concat([lake["events"], rows_of("events", *entries)])}


def said_of(lake: Frames, *, alone: bool) -> Frames:
    """What the command leaves about a lake, with `readings` and `tanks` of it; each tank by itself where asked for."""
    with TemporaryDirectory() as folder, redirect_stdout(StringIO()):
        out = Path(folder) / "out"
        with held(out):
            load(Run(write(Path(folder) / "lake", lake), out))
        asked = [["--tank", name] for name in lake["tanks"]["tank_id"]] if alone else [[]]
        found = []
        for more in asked:
            tables = Path(folder) / "tables"
            asking = ["chart", str(out), *more, "--step-mm", str(STEP_MM), "--parquet", str(tables)]
            if (code := tankdrift(asking)) != 0:
                raise SystemExit(f"tankdrift chart left with {code}")
            found.append([pl.read_parquet(out / "charts" / f"{name}.parquet") for name in SAID])
        corrected = pl.read_parquet(tables / "*.parquet")
    frames = {name: pl.concat(each) for name, each in zip(SAID, zip(*found, strict=True), strict=True)}
    return {**frames, "tables": corrected}


def judged(lake: Frames, said: Frames, truth: dict[str, Truth]) -> Iterator[Judged]:
    """Each chart that could be judged against the truth at sixty levels between the lowest and the highest seen."""
    for row in said["charts"].filter(pl.col("verdict") != "untold").iter_rows(named=True):
        one = truth[row["tank_id"]]
        mine = pl.col("tank_id") == row["tank_id"]
        level = np.linspace(row["low_mm"], row["high_mm"], 60)
        rows, table = said["levels"].filter(mine), said["tables"].filter(mine).sort("level_mm")

        def read(levels: np.ndarray, name: str, of: pl.DataFrame = table) -> np.ndarray:
            return np.interp(levels, of["level_mm"], of[name])

        corrected, site, sd = read(level, "volume_l"), read(level, "chart_l", rows), read(level, "volume_sd_l")
        true_l, part = one.litres(level), 100.0 / one.tank.capacity_l
        weeks = weeks_mm(lake["readings"].filter(mine))
        a_week = row["sold_l"] * 7.0 / 30.4375
        by_chart = {"before": read(weeks, "chart_l", rows), "after": read(weeks, "volume_l")}
        left = {name: 100.0 / a_week * np.diff(litres - one.litres(weeks)) for name, litres in by_chart.items()}
        yield Judged(
            kind=one.kind,
            row=row | {"_part": part},
            figures={each["name"]: each for each in said["figures"].filter(mine).iter_rows(named=True)},
            before=part * (site - true_l),
            after=part * (corrected - true_l),
            covered=np.abs(corrected - true_l) <= 1.96 * sd,
            true=true_figures(lake, one, level, true_l),
            weeks_before=left["before"],
            weeks_after=left["after"],
            weeks_noise=100.0 / a_week * ends_sd_l(one, weeks),
        )


def true_figures(lake: Frames, one: Truth, level: np.ndarray, true_l: np.ndarray) -> dict[str, float]:
    """What the command's figures ought to be."""
    papers = lake["tanks"].filter(tank_id=one.tank.tank_id).row(0, named=True)
    chart = lake["strapping"].filter(tank_id=one.tank.tank_id)
    chart = chart.filter(valid_from=chart["valid_from"].max()).sort("level_mm")
    drawn = tank_model(papers, chart["level_mm"].to_numpy(), chart["volume_l"].to_numpy()).base_l(level[[0, -1]])
    tilt, more = one.tank.true.tilt_mm_per_m, one.tank.true.tilt_mm_per_m - (papers["tilt_mm_per_m"] or 0.0)
    return {
        "tilt_mm_per_m": tilt,
        "datum_mm": one.tank.gauge.offset_mm + more * one.tank.true.probe_position_mm / 1000.0,
        "scale_pct": 100.0 * ((true_l[-1] - true_l[0]) / (drawn[1] - drawn[0]) - 1.0),
    }


def within(tanks: Sequence[Judged], *, between: bool, after: bool = True) -> list[bool]:
    """Whether each chart is within the tolerance at every level seen, or from level to level (mean error aside)."""
    errors = [tank.after if after else tank.before for tank in tanks]
    return [bool(np.abs(one - (one.mean() if between else 0.0)).max() < TOLERANCE_PCT) for one in errors]


def covered_pct(tanks: Sequence[Judged]) -> float:
    """Share of the levels of corrected charts that lie inside their 95 % interval."""
    return 100.0 * float(np.mean([tank.covered.mean() for tank in tanks])) if tanks else np.nan


@dataclass(frozen=True)
class Hits:
    """One figure over some tanks: whether each is near enough, near enough of those told, and inside its interval."""

    near: list[bool]
    told: list[bool]
    sure: list[bool]
    inside: list[bool]
    half_width: float
    mean_off_sd: float


def hits(tanks: Sequence[Judged], name: str, tolerance: float) -> Hits:
    """How near a figure comes to the truth."""
    pairs = [(tank.figures[name], tank.true[name]) for tank in tanks if tank.figures[name]["value"] is not None]
    near = [bool(abs(one["value"] - true) <= tolerance) for one, true in pairs]
    widths = [one["high"] - one["low"] for one, _ in pairs]
    off = [(one["value"] - true) / max(width, 1e-9) * 3.92 for (one, true), width in zip(pairs, widths, strict=True)]
    return Hits(
        near=near,
        told=[hit for hit, (one, _) in zip(near, pairs, strict=True) if one["is_told"]],
        sure=[hit for hit, width in zip(near, widths, strict=True) if width <= 2.0 * tolerance],
        inside=[one["low"] <= true <= one["high"] for one, true in pairs],
        half_width=float(np.median(widths)) / 2.0 if pairs else np.nan,
        mean_off_sd=float(np.mean(off)) if pairs else np.nan,
    )


FIGURES = (("tilt_mm_per_m", TILT_MM_PER_M, "±0.15°"), ("datum_mm", 5.0, "±5 mm"), ("scale_pct", 0.1, "±0.1 %"))


def report(title: str, tanks: list[Judged]) -> None:
    """Print one group's table."""
    print(f"\n{title}: {len(tanks)} tanks")
    if not tanks:
        return
    for name, between in (
        (f"chart within {TOLERANCE_PCT} % of capacity at every level seen", False),
        ("... litres from level to level (its mean error aside)", True),
    ):
        before, after = (share(within(tanks, between=between, after=after)) for after in (False, True))
        print(f"  {name}: {before} before, {after} after")
    print(f"  levels of the corrected chart inside their 95 % interval: {covered_pct(tanks):.1f} %")
    told = [near for near, tank in zip(within(tanks, between=False), tanks, strict=True) if is_told(tank, "stock_l")]
    width = np.array([tank.half_width for tank in tanks])
    normal = 1.96 * TOLERANCE_PCT / width
    so_sure = 100.0 * float(np.mean(ndtr(normal) - ndtr(-normal)))
    print(
        f"  of those sure to {TOLERANCE_PCT} % where least sure: within {share(told)}; median half-width "
        f"{np.median(width):.3f} %; so sure as said, {so_sure:.1f} % are within"
    )
    for name, tolerance, words in FIGURES:
        one = hits(tanks, name, tolerance)
        print(
            f"  {name}: {words} {share(one.near)}, of those told {share(one.told)}, of those so sure {share(one.sure)};"
            f" interval holds {share(one.inside)}; median half-width {one.half_width:.3f};"
            f" mean error {one.mean_off_sd:+.2f} SD"
        )
    untold = Counter(name for tank in tanks for name in tank.figures if not is_told(tank, name))
    print("  cannot be told: " + ", ".join(f"{name} {count}" for name, count in sorted(untold.items())))
    for words, name in (("between drops", "stray_between_drops"), ("all through", "stray")):
        before, after = (np.array([tank.row[f"{name}{end}"] for tank in tanks]) for end in ("_l", "_corrected_l"))
        print(
            f"  cumulative variance {words}: {np.median(before):.1f} l -> {np.median(after):.1f} l"
            f" ({np.median(after / before):.2f})"
        )


def is_told(tank: Judged, name: str) -> bool:
    """Whether the data could tell a figure."""
    return bool(tank.figures[name]["is_told"])


def verdicts(tanks: Sequence[Judged]) -> None:
    """Print how often a chart is said to be worth a new table, by whether it is off by more than the tolerance."""
    for words, wanted in (("off", True), ("not off", False)):
        said = Counter(tank.row["verdict"] for tank in tanks if bool(np.ptp(tank.before) > TOLERANCE_PCT) == wanted)
        named = ", ".join(f"{name} {said[name]}" for name in ("new_table", "may_be_wrong", "no_new_table"))
        print(f"  {words} by more than {TOLERANCE_PCT} % of the tank between two levels seen: {said.total()}; {named}")


def summary(family: str, days: int, tanks: Sequence[Judged]) -> str:
    """A family's row."""
    scale, tilt = hits(tanks, *FIGURES[2][:2]), hits(tanks, *FIGURES[0][:2])
    weeks = [np.abs(tank.weeks_after) <= CLOSES_PCT for tank in far_off(tanks)]
    cells = [family, days, len(tanks), share(within(tanks, between=False)), share(within(tanks, between=True)),
             share(scale.near), share(tilt.told), f"{covered_pct(tanks):.1f} %", share(scale.inside),
             share(np.concatenate(weeks) if weeks else [])]  # fmt: skip
    return "| " + " | ".join(str(cell).strip() for cell in cells) + " |"


HEAD = (
    "| family | days | charts | within 0.15 % | level to level | scale within 0.1 % | tilt of those told | "
    "levels inside | scale inside | weeks of charts off by over 1 % that close within 0.1 % |\n" + "| --- " * 10 + "|"
)


def measured(family: str, options: argparse.Namespace) -> list[Judged]:
    """All fleets of a family judged."""
    found: list[Judged] = []
    left_out: Counter[str] = Counter()
    spent = 0.0
    for seed, wrong in FLEETS:
        lake, truth = fleet_of(seed, wrong, family, options.tanks, options.days)
        if options.measured:
            lake = with_measured_stocks(lake, truth, seed)
        start = time.process_time()
        said = said_of(lake, alone=options.alone)
        spent += time.process_time() - start
        left_out.update(said["charts"].filter(verdict="untold")["reason"].to_list())
        found += judged(lake, said, truth)
    print(
        f"\n== {family}: {len(FLEETS)} fleets of {options.tanks} tanks, {options.days} days, "
        f"{'each tank alone' if options.alone else 'told by the fleet'}"
        f"{', its litres measured once' if options.measured else ''}; {spent / max(len(found), 1):.2f} s a tank"
    )
    print(f"  not judged: {dict(left_out)}")
    return found


def families_of(names: Sequence[str]) -> list[str]:
    """Names of families, those of a group in its place."""
    return [family for name in names for family in ([one.name for one in GROUPS[name]] if name in GROUPS else [name])]


def main() -> None:
    """Simulate, let the command judge, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--tanks", type=int, default=TANKS)
    parser.add_argument("--families", nargs="+", default=["plain"], metavar="NAME")
    parser.add_argument("--alone", action="store_true", help="each tank by itself, as `--tank` judges it")
    parser.add_argument("--measured", action="store_true", help="with the litres in each tank measured once")
    options = parser.parse_args()
    rows = []
    for family in families_of(options.families):
        tanks = measured(family, options)
        verdicts(tanks)
        closing(tanks)
        is_kept = family in [one.name for one in KEPT]
        report("all", tanks)
        if not is_kept:
            report("sound", [tank for tank in tanks if tank.kind == "sound"])
            for kind in KINDS:
                report(f"wrong by {kind}", [tank for tank in tanks if tank.kind == kind])
        rows.append(summary(family, options.days, tanks))
    print("\n".join(["", HEAD, *rows]))


if __name__ == "__main__":
    main()
