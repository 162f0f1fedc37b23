"""What of known faults is found, and what is found where nothing is wrong. It prints; it asserts nothing.

``python -m tests.benchmarks.detection [--seeds 101 102 103] [--tanks 22] [--days 90] [--sound 201 202]``

A fault counts as found when a case of its own cause, above 0.5, names its place within two days of its time; any other
case above 0.5 is false, be there another fault or not. No lake here served to set a threshold.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.analysis import analyse
from pipeline.backtest.intervals import poisson_interval, share_interval
from pipeline.lake import read_lake
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.benchmarks.baselines import baseline_rows
from tests.support.fleets import Tables, clean
from tests.support.matching import SURE, false_cases, found_labels, matched, true_labels
from tests.support.runs import ROOT

SAMPLE = ROOT / "sample_lake"
DAYS_A_MONTH = 30.4


@dataclass(frozen=True)
class Judged:
    """One lake with what a run made of it and how that stands to the truth."""

    name: str
    tables: Tables
    made: Tables
    labels: pl.DataFrame
    pairs: pl.DataFrame

    @property
    def cases(self) -> pl.DataFrame:
        """The run's cases."""
        return self.made["cases"]

    @property
    def truth(self) -> pl.DataFrame:
        """The faults that came to pass."""
        return true_labels(self.labels)

    @property
    def found(self) -> pl.DataFrame:
        """Faults found, each with its surest case."""
        return found_labels(self.pairs)

    @property
    def false(self) -> pl.DataFrame:
        """Cases that found nothing."""
        return false_cases(self.cases, self.pairs)

    @property
    def tank_months(self) -> float:
        """Tanks times months of data."""
        span = self.tables["readings"]["ts"].dt.date()
        first, last = span.min(), span.max()
        assert isinstance(first, date) and isinstance(last, date)
        return self.tables["tanks"].height * ((last - first).days + 1) / DAYS_A_MONTH


def judged(name: str, tables: Tables, labels: pl.DataFrame) -> Judged:
    """A lake's analysis matched with its labels."""
    print(f"analysing {name}", file=sys.stderr)
    made = analyse(tables)
    last = tables["readings"]["ts"].max().date()  # type: ignore[union-attr]
    return Judged(name, tables, made, labels, matched(made["cases"], labels, tables["tanks"], last_day=last))


def sample_lake() -> Judged:
    """The sample, read as a run reads it."""
    lake = read_lake(SAMPLE)
    labels = pl.read_parquet(SAMPLE / "labels.parquet")
    return judged("sample_lake", clean({**lake.tables, "labels": labels}), labels)


def simulated(name: str, size: tuple[int, int], seed: int, causes: Sequence[str] | None) -> Judged:
    """A fleet of so many tanks and days; with all causes, each about once, or none."""
    tanks, days = size
    rate = FleetSettings(fault_rate=17.0 / tanks, second_fault_share=0.0)
    frames = simulate_fleet(tanks, days, seed=seed, causes=causes, settings=rate)
    return judged(name, clean(frames), frames["labels"])


def lake_rows(lakes: Sequence[Judged]) -> pl.DataFrame:
    """One row a lake: shares, false cases, coverage and delay."""
    rows = []
    for one in lakes:
        found = one.found
        delays = (found["raised_on"] - found["ts_start_true"].dt.date()).dt.total_days()
        sized = found.filter(pl.col("litres_true").is_not_null() & pl.col("litres").is_not_null())
        held = sized.filter(pl.col("litres_true").is_between("litres_low", "litres_high")).height
        rows.append(
            {
                "lake": one.name,
                "tank-months": round(one.tank_months, 1),
                "faults": one.truth.height,
                "found": found.height,
                "share": _ratio(found.height, one.truth.height),
                "false": one.false.height,
                "false /100 tm": round(100.0 * one.false.height / one.tank_months, 1),
                "interval holds": f"{held} of {sized.height}",
                "median delay, d": None if delays.is_empty() else delays.median(),
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def cause_rows(lakes: Sequence[Judged]) -> pl.DataFrame:
    """One row a cause over all lakes: recall, precision, F1."""
    truth = pl.concat(one.truth.select("cause") for one in lakes)["cause"].value_counts(name="faults")
    found = pl.concat(one.found.select("cause") for one in lakes)["cause"].value_counts(name="found")
    false = pl.concat(one.false.select("cause") for one in lakes)["cause"].value_counts(name="false")
    table = truth.join(found, on="cause", how="left").join(false, on="cause", how="full", coalesce=True)
    table = table.with_columns(pl.col("faults", "found", "false").fill_null(0))
    recall = pl.when(pl.col("faults") > 0).then(pl.col("found") / pl.col("faults"))
    named = pl.col("found") + pl.col("false")
    precision = pl.when(named > 0).then(pl.col("found") / named)
    f1 = 2 * pl.col("found") / (pl.col("faults") + named)
    return table.with_columns(recall=recall.round(2), precision=precision.round(2), f1=f1.round(2)).sort("cause")


def reliability_rows(lakes: Sequence[Judged]) -> pl.DataFrame:
    """Cases by fifths of their probability: what they said, and how many were right."""
    cases = pl.concat(
        one.cases.select("probability", right=pl.col("case_id").is_in(one.pairs["case_id"].to_list())) for one in lakes
    )
    fifth = (pl.col("probability") * 5).floor().clip(0, 4).cast(pl.Int64)
    rows = cases.group_by(fifth.alias("fifth")).agg(
        cases=pl.len(), said=pl.col("probability").mean().round(2), right=pl.col("right").mean().round(2)
    )
    return rows.sort("fifth")


def missed_rows(lakes: Sequence[Judged]) -> pl.DataFrame:
    """The faults that were not found under their own name, and what was said of their tanks instead."""
    rows = []
    for one in lakes:
        missed = one.truth.filter(~pl.col("label_id").is_in(one.found["label_id"].to_list()))
        for label in missed.iter_rows(named=True):
            beside = one.cases.filter(
                (pl.col("tank_id") == label["tank_id"]).fill_null(value=False), pl.col("probability") > SURE
            )
            said = ", ".join(sorted(f"{row['cause']} {row['raised_on']}" for row in beside.iter_rows(named=True)))
            start = label["ts_start"].date()
            litres = None if label["litres"] is None else round(label["litres"])
            rows.append(
                {"lake": one.name, "missed": label["cause"], "place": label["tank_id"] or label["site_id"],
                 "from": start, "litres": litres, "said of that tank": said or "nothing"}
            )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def false_rows(lakes: Sequence[Judged]) -> pl.DataFrame:
    """The cases that found nothing under their own name, and whether anything was wrong there."""
    names = ["cause", "tank_id", "raised_on", "litres", "probability"]
    parts = []
    for one in lakes:
        wrong = one.truth["tank_id"].drop_nulls().to_list()
        something = pl.when(pl.col("tank_id").is_in(wrong)).then(pl.lit("another fault")).otherwise(pl.lit("sound"))
        parts.append(one.false.select(pl.lit(one.name).alias("lake"), *names, tank=something))
    return pl.concat(parts).with_columns(pl.col("litres").round(0), pl.col("probability").round(2))


def _ratio(part: int, whole: int) -> float | None:
    return round(part / whole, 2) if whole else None


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every lake and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="*", default=[101, 102, 103])
    parser.add_argument("--sound", type=int, nargs="*", default=[201, 202])
    parser.add_argument("--tanks", type=int, default=22)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--keep", type=Path, help="folder in which the lakes' cases and labels are left")
    options = parser.parse_args(arguments)
    pl.Config.set_tbl_rows(-1)
    pl.Config.set_tbl_cols(-1)
    pl.Config.set_tbl_width_chars(200)
    pl.Config.set_fmt_str_lengths(90)
    pl.Config.set_tbl_hide_column_data_types(True)
    pl.Config.set_tbl_hide_dataframe_shape(True)
    pl.Config.set_tbl_formatting("ASCII_MARKDOWN")

    size = (options.tanks, options.days)
    lakes = [sample_lake(), *(simulated(f"seed {seed}", size, seed, None) for seed in options.seeds)]
    sound = [simulated(f"sound {seed}", size, seed, []) for seed in options.sound]
    _print("Lakes with faults", lake_rows(lakes))
    _print_apart(lakes)
    if sound:
        _print("Sound lakes", lake_rows(sound).select("lake", "tank-months", "false", "false /100 tm"))
    table = cause_rows(lakes)
    _print("By cause, all lakes with faults", table)
    faults, found = table["faults"].sum(), table["found"].sum()
    low, high = share_interval(found, faults)
    print(f"macro-F1 {table['f1'].mean():.2f}; found {found} of {faults} ({low:.2f} to {high:.2f}, exact 95 %)")
    months = sum(one.tank_months for one in sound)
    alarms = sum(one.false.height for one in sound)
    low, high = (100.0 * rate for rate in poisson_interval(alarms, months)) if months else (0.0, 0.0)
    print(
        f"false cases in sound lakes: {alarms} in {months:.0f} tank-months ({low:.1f} to {high:.1f} per 100, Poisson)"
    )
    _print("Reliability by fifths of probability", reliability_rows([*lakes, *sound]))
    _print("Missed", missed_rows(lakes))
    _print("False", false_rows([*lakes, *sound]))
    _print("Beside simpler rules: a fault counts as found by any alarm at its place, of whatever cause", baseline_rows(
        [*lakes, *sound]
    ))  # fmt: skip
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
        for one in [*lakes, *sound]:
            one.cases.write_parquet(options.keep / f"{one.name}.cases.parquet")
            one.labels.write_parquet(options.keep / f"{one.name}.labels.parquet")


def _print_apart(lakes: Sequence[Judged]) -> None:
    """How far the share found in the lakes of other seeds, taken together, is from the sample's."""
    sample, others = lakes[0], lakes[1:]
    faults = sum(one.truth.height for one in others)
    if faults and sample.found.height:
        share, usual = sum(one.found.height for one in others) / faults, sample.found.height / sample.truth.height
        print(f"\nother seeds together {share:.2f}, the sample {usual:.2f}: apart by {abs(share / usual - 1.0):.1%}")


def _print(title: str, table: pl.DataFrame) -> None:
    print(f"\n## {title}\n\n{table if table.height else 'none'}")


if __name__ == "__main__":
    sys.exit(main())
