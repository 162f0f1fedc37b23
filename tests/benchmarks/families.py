"""How far what is said bears out in every family of physics, and in lakes from elsewhere. Prints; asserts nothing.

``python -m tests.benchmarks.families [LAKE ...] [--short] [--families A B ...] [--tanks N] [--days D] [--seeds S ...]``

A row a family, worst first. Each fleet is drawn three times: sound, for false cases and for months with nothing wrong;
with a leak of 0.757 l/h (0.2 US gal/h, 40 CFR 280.43) in every third pool, for statements; with faults of every cause.
A LAKE is a row too; its labels lie inside it or beside it, as ``LAKE.labels.parquet``, and one without confirmed labels
is sound. No lake here served, or may serve, to set a threshold: kept families are drawn here and nowhere else.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import poisson_interval, share_interval
from pipeline.errors import ArgumentError
from pipeline.lake import read_lake
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.families import DEVELOPMENT, FAMILIES, KEPT
from pipeline.workers import in_order, worker_count
from tests.benchmarks.detection import Judged, cause_rows, judged, reliability_rows
from tests.support.fleets import Tables, clean
from tests.support.injected import pools
from tests.support.matching import SURE, matched, true_labels

LEAK_L_PER_H = 0.757
ONE_SIDED_95 = 1.645
TWO_SIDED_95 = 1.960
BOTH = {"development": DEVELOPMENT, "kept": KEPT}


@dataclass(frozen=True)
class Job:
    """A fleet to draw, or a lake to read, and what to put into it: `sound`, `leaking` or `faulty`."""

    row: str
    kind: str
    tanks: int = 0
    days: int = 0
    seed: int = 0
    lake: Path | None = None


@dataclass(frozen=True)
class Measured:
    """What came of a job. Of its tables only the tanks and the edges of the readings are kept."""

    row: str
    kind: str
    judged: Judged
    leaking: tuple[str, ...] = ()

    @property
    def months(self) -> pl.DataFrame:
        """Statements that a pool's first tank has, of the leaking pools alone where some leak."""
        firsts = self.leaking or tuple(pools(self.judged.tables))
        return self.judged.made["statements"].filter(pl.col("tank_id").is_in(firsts))


def tables_of(job: Job) -> tuple[Tables, pl.DataFrame]:
    """A job's tables before anything is put into them, and its labels."""
    if job.lake is not None:
        return {**read_lake(job.lake).tables, "labels": labels_of(job.lake)}, labels_of(job.lake)
    # Each cause once where the fleet is large enough; most tanks of a real fleet are sound, so at most half are not.
    rate = FleetSettings(family=job.row, fault_rate=min(17.0 / job.tanks, 0.5), second_fault_share=0.0)
    causes = None if job.kind == "faulty" else []
    frames = simulate_fleet(job.tanks, job.days, seed=job.seed, causes=causes, settings=rate)
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}, frames["labels"]


def labels_of(lake: Path) -> pl.DataFrame:
    """The labels inside a lake or beside it."""
    for path in (lake / "labels.parquet", lake.parent / f"{lake.name}.labels.parquet"):
        if path.is_file():
            return pl.read_parquet(path)
    raise ArgumentError(f"{lake}: no labels inside it or beside it as {lake.name}.labels.parquet")


def measured(job: Job) -> Measured:
    """Draw or read a fleet, analyse it, and keep what the tables need."""
    tables, labels = tables_of(job)
    leaking: tuple[str, ...] = ()
    if job.kind == "leaking":
        leaking = tuple(list(pools(tables))[::3])
        start_s = tables["readings"]["ts"].min().timestamp() + 3_600.0  # type: ignore[union-attr]
        faults = [Injection("tank_leak", tank, start_s, LEAK_L_PER_H) for tank in leaking]
        made = inject(tables, faults, seed=job.seed)
        tables, labels = made.frames, made.frames["labels"]
        refused = {injection.tank_id for injection, _ in made.refused}
        leaking = tuple(tank for tank in leaking if tank not in refused)
    one = judged(f"{job.row}, {job.kind}, seed {job.seed}", clean(tables), labels)
    return Measured(job.row, job.kind, slim(one), leaking)


def slim(one: Judged) -> Judged:
    """The same with no more than the tables need."""
    ts = one.tables["readings"]["ts"]
    edges = one.tables["readings"].filter(pl.col("ts").is_in([ts.min(), ts.max()]))
    kept = {name: one.made[name] for name in ("cases", "statements")}
    return replace(one, tables={"tanks": one.tables["tanks"], "readings": edges}, made=kept)


def noticed(one: Judged) -> int:
    """Faults at whose place and time some sure case, of whatever cause, was raised."""
    alike = pl.lit("any").alias("cause")
    last = one.tables["readings"]["ts"].max().date()  # type: ignore[union-attr]
    truth = one.labels.with_columns(alike, pl.lit(None, pl.String).alias("meter_id"))
    cases = one.cases.filter(pl.col("probability") > SURE).with_columns(alike)
    return matched(cases, truth, one.tables["tanks"], last_day=last)["label_id"].n_unique()


def case_row(name: str, runs: Sequence[Measured]) -> dict[str, object]:
    """False cases in sound fleets and in those with faults; what of the faults was found."""
    sound, faulty = ([run.judged for run in runs if run.kind == kind] for kind in ("sound", "faulty"))
    row: dict[str, object] = {"family": name}
    months = sum(one.tank_months for one in sound)
    false = sum(one.false.height for one in sound)
    if months:
        low, high = (100.0 * rate for rate in poisson_interval(false, months))
        urgent = sum(one.false.filter(pl.col("urgency") == "act_now").height for one in sound)
        row |= {"sound tm": round(months, 1), "false": false, "/100 tm": round(100.0 * false / months, 1)}
        row |= {"Poisson 95 %": f"{low:.1f} to {high:.1f}", "act_now /100": round(100.0 * urgent / months, 1)}
    if faulty:
        table = cause_rows(faulty)
        months = sum(one.tank_months for one in faulty)
        faults, found = (
            sum(frame.height for frame in frames) for frames in ([o.truth for o in faulty], [o.found for o in faulty])
        )
        seen = sum(noticed(one) for one in faulty)
        sized = pl.concat(
            one.found.select("litres", "litres_low", "litres_high", "litres_true") for one in faulty
        ).drop_nulls()
        held = sized.filter(pl.col("litres_true").is_between("litres_low", "litres_high")).height
        row |= {"faulty tm": round(months, 1), "false, faulty /100": round(100.0 * table["false"].sum() / months, 1)}
        row |= {"recall": share(found, faults), "right of noticed": share(found, seen)}
        row |= {"macro-F1": round(float(table["f1"].mean()), 2), "litres held": share(held, sized.height)}  # type: ignore[arg-type]
    return row


def share(part: int, whole: int) -> str:
    """A share with what it is of."""
    return f"{part / whole:.2f} of {whole}" if whole else "-"


def month_row(name: str, runs: Sequence[Measured]) -> dict[str, object]:
    """What months with nothing wrong, and months with a leak, are said to be.

    z is the leak's rate over its stated SD; its robust SD is taken about nought. A leak as large as a month's
    `detectable_l_per_h` counts as shown if the month's rate with it added would be above nought at 95 %, one-sided.
    """
    sound = [run.months for run in runs if run.kind == "sound"]
    row: dict[str, object] = {"family": name}
    if not sound:
        return row
    every = pl.concat(sound)
    told = every.drop_nulls(["leak_rate_l_per_h", "leak_rate_low", "leak_rate_high"])
    rate, low, high = (told[column].to_numpy() for column in ("leak_rate_l_per_h", "leak_rate_low", "leak_rate_high"))
    sd = np.maximum((high - low) / (2.0 * TWO_SIDED_95), 1e-9)
    could = told["detectable_l_per_h"].fill_null(np.inf).to_numpy()
    shown = np.isfinite(could) & (rate + could > ONE_SIDED_95 * sd)
    verdicts = {verdict: every.filter(pl.col("verdict") == verdict).height for verdict in ("fail", "inconclusive")}
    leaks = [run.months for run in runs if run.kind == "leaking"]
    sure = pl.concat(leaks).filter(pl.col("verdict") != "inconclusive") if leaks else every.clear()
    failed = sure.filter(pl.col("verdict") == "fail").height
    return row | {
        "months": every.height,
        "holds 0": share(int(((low <= 0.0) & (high >= 0.0)).sum()), told.height),
        "SD of z": round(1.4826 * float(np.median(np.abs(rate / sd))), 2) if told.height else None,
        "fail": share(verdicts["fail"], every.height),
        "inconclusive": share(verdicts["inconclusive"], every.height),
        "detectable shown": share(int(shown.sum()), int(np.isfinite(could).sum())),
        f"{LEAK_L_PER_H} l/h failed": share(failed, sure.height),
        "exact 95 %": "{:.2f} to {:.2f}".format(*share_interval(failed, sure.height)) if sure.height else "-",
    }


def reliability_row(name: str, runs: Sequence[Measured]) -> dict[str, object]:
    """Cases by fifths of their probability: what they said, what was right, how many."""
    bins = reliability_rows([run.judged for run in runs if run.kind != "leaking"])
    told = {
        f"to {(row['fifth'] + 1) / 5:.1f}": f"{row['said']} {row['right']} ({row['cases']})" for row in bins.to_dicts()
    }
    return {"family": name} | {f"to {top / 5:.1f}": told.get(f"to {top / 5:.1f}", "-") for top in range(1, 6)}


def cause_counts(runs: Sequence[Measured], kind: str) -> pl.DataFrame:
    """False cases in sound fleets, or in those with faults, by family, cause and urgency."""
    keys = ("family", "cause", "urgency")
    false = [run.judged.false.with_columns(family=pl.lit(run.row)).select(keys) for run in runs if run.kind == kind]
    every = pl.concat(false) if false else pl.DataFrame(schema=keys)
    return every.group_by(keys).len("false").sort("family", "false", *keys[1:], descending=[False, True, False, False])


def groups(runs: Sequence[Measured]) -> Iterator[tuple[str, list[Measured]]]:
    """Runs by row, worst first by false cases in sound fleets, then of all families of a sort together."""
    rows = {name: [run for run in runs if run.row == name] for name in dict.fromkeys(run.row for run in runs)}

    def badness(name: str) -> float:
        sound = [run.judged for run in rows[name] if run.kind == "sound"]
        every = sound or [run.judged for run in rows[name]]
        return sum(one.false.height for one in every) / sum(one.tank_months for one in every)

    yield from ((name, rows[name]) for name in sorted(rows, key=badness, reverse=True))
    for sort, families in BOTH.items():
        mine = [run for run in runs if run.row in {family.name for family in families}]
        if len({run.row for run in mine}) > 1:
            yield f"all {sort}", mine


def jobs_of(options: argparse.Namespace) -> list[Job]:
    """Every fleet to draw and every lake to read."""
    sound, faulty, days = options.tanks, max(options.tanks, 20), options.days
    jobs = [
        Job(family, kind, faulty if kind == "faulty" else sound, days, seed)
        for seed in options.seeds
        for family in options.families
        for kind in ("faulty", "sound", "leaking")
    ]
    for lake in options.lakes:
        kinds = ("faulty",) if true_labels(labels_of(lake)).height else ("sound", "leaking")
        jobs += [Job(f"{lake.parent.name}/{lake.name}", kind, lake=lake) for kind in kinds]
    return jobs


def arguments_of(arguments: Sequence[str] | None) -> argparse.Namespace:
    """The command line; what is not said is as for a measurement of hours, or as for a short one."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("lakes", type=Path, nargs="*", metavar="LAKE", help="lakes from elsewhere, with labels")
    parser.add_argument("--short", action="store_true", help="one small fleet a family: some ten minutes on two cores")
    parser.add_argument("--families", nargs="*", choices=list(FAMILIES), default=list(FAMILIES), metavar="NAME")
    parser.add_argument("--tanks", type=int, help="tanks of a sound fleet (40; 10 in short)")
    parser.add_argument("--days", type=int, help="days of a fleet (90; 36 in short)")
    parser.add_argument("--seeds", type=int, nargs="*", help="(7001 to 7009: 1,000 sound tank-months a family; 7001)")
    options = parser.parse_args(arguments)
    options.tanks = options.tanks or (10 if options.short else 40)
    options.days = options.days or (36 if options.short else 90)
    options.seeds = options.seeds or ([7001] if options.short else list(range(7001, 7010)))
    return options


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every job and print the tables."""
    options = arguments_of(arguments)
    try:
        jobs = jobs_of(options)
    except ArgumentError as error:
        sys.exit(str(error))
    runs = list(in_order(worker_count(len(jobs)))(measured, jobs))
    pl.Config.set_tbl_formatting("ASCII_MARKDOWN").set_tbl_hide_column_data_types(True)
    pl.Config.set_tbl_hide_dataframe_shape(True).set_tbl_rows(-1).set_tbl_cols(-1).set_tbl_width_chars(240)
    tables = {
        "Cases, worst family first": pl.DataFrame([case_row(*one) for one in groups(runs)], infer_schema_length=None),
        "Said, right (cases), by fifths of probability": pl.DataFrame([reliability_row(*one) for one in groups(runs)]),
        "Months": pl.DataFrame([month_row(*one) for one in groups(runs)], infer_schema_length=None),
        "False cases in sound fleets": cause_counts(runs, "sound"),
        "False cases in fleets with faults": cause_counts(runs, "faulty"),
    }
    for title, table in tables.items():
        print(f"\n## {title}\n\n{table if table.height else 'none'}")


if __name__ == "__main__":
    sys.exit(main())
