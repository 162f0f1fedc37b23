"""What a backtest came to, as tables: figures of every trial, alarms, truths, power, comparisons, what to review."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from itertools import combinations, pairwise
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.backtest.judging import World, judge, world_of
from pipeline.backtest.metrics import OUTSIDE, Judged, chance_share, compared, figures, waits
from pipeline.backtest.power import PowerFit, fit_power, power_bins
from pipeline.backtest.study import Study, Trial, trial_id
from pipeline.resources import code_digest

Frames = dict[str, pl.DataFrame]
Row = dict[str, Any]

COUNTS: Final = (
    "truths", "found", "right", "alarms", "false", "unlabelled", "visits", "watched_days", "sound_days", "open_days",
)  # fmt: skip
FIGURES: Final = (
    "share_found", "right_share", "false_per_100", "outside_per_100", "delay_days", "saved_share", "cost_per_100",
    "size_found",
)  # fmt: skip
"""Figures that have an interval."""
PLAIN: Final = ("lost_l", "before_l", "saved_l", "chance_share")
MOST_PAIRS: Final = 12
MOST_TANKS: Final = 400
"""Pairs of rules that are compared, and tanks that faults are put into, at the most."""


def result_schema() -> pl.Schema:
    """Columns of `results`: what was tried, what came of it, and by what it can be had again."""
    words = ("trial_id", "rule", "title", "causes", "parameters")
    proof = ("configuration", "code_version", "code_digest", "rule_digest", "data_digest", "labels_digest")
    numbers = [name + end for name in FIGURES for end in ("", "_low", "_high")]
    return pl.Schema(
        dict.fromkeys(words, pl.String())
        | {"is_operating_point": pl.Boolean()}
        | dict.fromkeys(COUNTS, pl.Int64())
        | dict.fromkeys([*numbers, *PLAIN], pl.Float64())
        | dict.fromkeys(["size_unit", *proof], pl.String())
    )


def collected(study: Study, data: str) -> Frames:
    """Every table of a backtest whose worlds were prepared and whose trials were asked; sorted, so always the same.

    `results` one row a trial; `alarms`, `truths`, `power` by trial; `comparisons` and `divided` by pair of trials;
    `power_map` by rule and tank; `review` unlabelled alarms to look at; `left_out` faults that could not be put
    in, with why; `evidence` the days that they rest on.
    """
    worlds = [world_of(study, name, data) for name in study.worlds]
    trials = {trial_id(trial): trial for trial in study.trials}
    done = {name: judge(study, trial, worlds, data) for name, trial in trials.items()}
    fits = {name: _fit(one) for name, one in done.items()}
    rows = [_result(study, trials[name], one, fits[name]) for name, one in done.items()]
    chosen = operating_points(rows, study.options.budget_per_100)
    proof = _proof(study, worlds[0], data)
    results = pl.DataFrame(
        [row | proof | {"is_operating_point": row["trial_id"] in chosen.values()} for row in rows],
        schema=result_schema(),
    )
    pairs = _pairs(list(trials), chosen)
    return {
        "results": results,
        "alarms": _stacked({name: one.alarms for name, one in done.items()}),
        "truths": _stacked({name: one.found for name, one in done.items()}),
        "power": _stacked({name: _bins(one) for name, one in done.items()}),
        "curves": _stacked({name: _curve(one, fits[name]) for name, one in done.items()}),
        "comparisons": _comparisons(study, done, pairs),
        "divided": _divided(study, done, pairs),
        "power_map": _power_map(study, {name: done[name] for name in chosen.values()}),
        "review": review_sample(study, {name: done[name] for name in chosen.values()}),
        "left_out": pl.concat([world.left_out for world in worlds]),
        "evidence": worlds[0].tank_days.filter(pl.col("day") <= worlds[0].last_day),
    }


def _proof(study: Study, base: World, data: str) -> Row:
    labels = base.labels.sort("label_id").write_json()
    try:
        known = version("tankdrift")
    except PackageNotFoundError:
        known = "unknown"
    return {
        "configuration": study.configuration(),
        "code_version": known,
        "code_digest": code_digest(),
        "data_digest": data,
        "labels_digest": hashlib.sha256(labels.encode()).hexdigest(),
    }


def sized(judged: Judged) -> pl.DataFrame:
    """The faults that tell of power: those put in, where any were, else all; none where their units are unlike."""
    with_size = judged.found.filter(pl.col("size") > 0.0)
    put_in = with_size.filter("is_put_in")
    chosen = put_in if put_in.height else with_size
    return chosen if chosen["unit"].n_unique() == 1 else chosen.clear()


def _fit(judged: Judged) -> PowerFit | None:
    _, is_found, size = waits(sized(judged))
    return fit_power(size, is_found)


def _result(study: Study, trial: Trial, judged: Judged, fit: PowerFit | None) -> Row:
    rule = trial.rule
    units = sized(judged)["unit"].unique().to_list()
    size = fit.size_found(study.options.power) if fit else (None, None, None)
    out: Row = {
        "trial_id": trial_id(trial),
        "rule": rule.name,
        "title": rule.title,
        "causes": ", ".join(rule.causes) or "any",
        "parameters": json.dumps(trial.parameters, sort_keys=True),
        "rule_digest": rule.digest,
        "chance_share": chance_share(judged, grace_days=study.options.grace_days),
        "size_unit": units[0] if units else None,
        "size_found": size[0],
        "size_found_low": size[1],
        "size_found_high": size[2],
    }
    made = figures(judged, study.options.measure)
    out |= {name: value for name, value in made.items() if name in result_schema()}
    return {name: None if isinstance(value, float) and not np.isfinite(value) else value for name, value in out.items()}


def operating_points(rows: Sequence[Mapping[str, Any]], budget_per_100: float) -> dict[str, str]:
    """The trial of each rule that finds the most within the budget of alarms outside of known faults, by rule's name.

    Where none keeps the budget, the one with the fewest such alarms; of equals the first.
    """
    chosen: dict[str, str] = {}
    for rule in dict.fromkeys(row["rule"] for row in rows):
        mine = [row for row in rows if row["rule"] == rule]
        rate = {row["trial_id"]: row["outside_per_100"] or 0.0 for row in mine}
        within = [row for row in mine if rate[row["trial_id"]] <= budget_per_100]
        if within:
            best = max(within, key=lambda row: row["share_found"] or 0.0)
        else:
            best = min(mine, key=lambda row: rate[row["trial_id"]])
        chosen[rule] = best["trial_id"]
    return chosen


def _pairs(trials: Sequence[str], chosen: Mapping[str, str]) -> list[tuple[str, str]]:
    """Operating points of unlike rules, two and two; of one rule alone, its trials one after the other."""
    points = list(chosen.values())
    if len(points) > 1:
        return list(combinations(points, 2))[:MOST_PAIRS]
    return list(pairwise(trials))[:MOST_PAIRS]


def _stacked(parts: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([part.select(pl.lit(name).alias("trial_id"), pl.all()) for name, part in parts.items()])


def _bins(judged: Judged) -> pl.DataFrame:
    _, is_found, size = waits(sized(judged))
    return power_bins(size, is_found)


def _curve(judged: Judged, fit: PowerFit | None) -> pl.DataFrame:
    schema = {"size": pl.Float64, "share": pl.Float64, "share_low": pl.Float64, "share_high": pl.Float64}
    size = waits(sized(judged))[2]
    known = size[np.isfinite(size) & (size > 0.0)]
    if fit is None or not len(known) or known.min() == known.max():
        return pl.DataFrame(schema=schema)
    at = np.geomspace(known.min(), known.max(), 41)
    low, high = fit.share_interval(at)
    return pl.DataFrame({"size": at, "share": fit.share(at), "share_low": low, "share_high": high}, schema=schema)


def _comparisons(study: Study, done: Mapping[str, Judged], pairs: Sequence[tuple[str, str]]) -> pl.DataFrame:
    schema = {"first_id": pl.String, "second_id": pl.String, "figure": pl.String} | dict.fromkeys(
        ("first", "second", "difference", "low", "high"), pl.Float64
    )
    rows: list[Row] = [
        {"first_id": one, "second_id": two, **row}
        for one, two in pairs
        for row in compared(done[one], done[two], study.options.measure)
        if row["difference"] is not None
    ]
    return pl.DataFrame(rows, schema=schema)


def _divided(study: Study, done: Mapping[str, Judged], pairs: Sequence[tuple[str, str]]) -> pl.DataFrame:
    """What one rule of a pair says and the other does not: faults that one found, and alarms outside of faults."""
    parts = []
    for pair in pairs:
        for mine, other in (pair, pair[::-1]):
            found, theirs = done[mine].found, done[other].found
            # Only a fault that both look for divides them.
            both = found.filter(pl.col("is_found")).join(
                theirs.filter(~pl.col("is_found")).select("world", "label_id"), on=["world", "label_id"]
            )
            faults = both.select(
                pl.col("owner").alias("tank_id"), pl.col("found_on").alias("day"), "cause", "label_id", "score",
                pl.lit("found").alias("verdict"), pl.col("unit"), pl.col("size"), "world",
            )  # fmt: skip
            parts.append(_named(faults, pair, mine))
            parts.append(_named(_alone(done[mine].alarms, done[other].alarms, study.options.mute_days), pair, mine))
    schema = {
        "first_id": pl.String, "second_id": pl.String, "said_by": pl.String, "tank_id": pl.String, "day": pl.Date,
        "cause": pl.String, "verdict": pl.String, "label_id": pl.String, "score": pl.Float64, "note": pl.String,
        "size": pl.Float64, "unit": pl.String, "world": pl.String,
    }  # fmt: skip
    frames = [pl.DataFrame(schema=schema), *parts]
    stacked = pl.concat(frames, how="diagonal_relaxed").select(list(schema))
    return stacked.sort("first_id", "second_id", "said_by", "verdict", "day", "tank_id", "cause", nulls_last=True)


def _alone(mine: pl.DataFrame, other: pl.DataFrame, mute_days: int) -> pl.DataFrame:
    outside = mine.filter(pl.col("verdict").is_in(OUTSIDE))
    near = (
        outside.select("episode", "site_id", "tank_id", "day")
        .join(other.select("site_id", pl.col("tank_id").alias("_tank"), pl.col("day").alias("_day")), on="site_id")
        .filter(
            ((pl.col("day") - pl.col("_day")).dt.total_days().abs() < mute_days)
            & ((pl.col("tank_id") == pl.col("_tank")) | pl.col("tank_id").is_null() | pl.col("_tank").is_null())
        )
    )
    return outside.join(near.select("episode").unique(), on="episode", how="anti").select(
        "tank_id", "day", "cause", "verdict", "score", "note"
    )


def _named(rows: pl.DataFrame, pair: tuple[str, str], by: str) -> pl.DataFrame:
    return rows.with_columns(first_id=pl.lit(pair[0]), second_id=pl.lit(pair[1]), said_by=pl.lit(by))


def _power_map(study: Study, done: Mapping[str, Judged]) -> pl.DataFrame:
    """The smallest fault that each rule finds in each tank, by the faults put in: one curve with a shift a tank."""
    schema = {
        "trial_id": pl.String, "tank_id": pl.String, "truths": pl.Int64, "found": pl.Int64, "unit": pl.String,
        "size_found": pl.Float64, "size_low": pl.Float64, "size_high": pl.Float64,
        "least_tried": pl.Float64, "most_tried": pl.Float64,
    }  # fmt: skip
    rows = []
    for name, judged in done.items():
        put_in = judged.found.filter(pl.col("is_put_in") & (pl.col("size") > 0.0))
        units, tanks = put_in["unit"].unique(), put_in["owner"].unique().sort().to_list()[:MOST_TANKS]
        put_in = put_in.filter(pl.col("owner").is_in(tanks))
        if len(units) != 1 or not tanks:
            continue
        _, is_found, size = waits(put_in)
        number = {tank: place for place, tank in enumerate(tanks)}
        place = np.array([number[tank] for tank in put_in["owner"].to_list()])
        fit = fit_power(size, is_found, place, tanks=len(tanks))
        for tank in tanks if fit else ():
            here = place == number[tank]
            at, low, high = fit.size_found(study.options.power, number[tank])  # type: ignore[union-attr]
            rows.append(
                {
                    "trial_id": name, "tank_id": tank, "truths": int(here.sum()), "found": int(is_found[here].sum()),
                    "unit": units[0], "size_found": at, "size_low": low, "size_high": high,
                    "least_tried": float(size.min()), "most_tried": float(size.max()),
                }
            )  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def review_sample(study: Study, done: Mapping[str, Judged]) -> pl.DataFrame:
    """Alarms on time of which nobody knows anything, drawn evenly to be looked at; `drawn_of` how many there are."""
    rng = np.random.default_rng(study.options.seed)
    columns = ["tank_id", "site_id", "day", "cause", "meter_id", "delivery_id", "score", "note"]
    parts = []
    for name, judged in done.items():
        unknown = judged.alarms.filter(pl.col("verdict") == "unlabelled")
        count = min(study.options.review, unknown.height)
        drawn = np.sort(rng.choice(unknown.height, size=count, replace=False)) if count else np.empty(0, np.int64)
        parts.append(
            unknown[drawn].select(
                pl.lit(name).alias("trial_id"), *columns, pl.lit(unknown.height).cast(pl.Int64).alias("drawn_of")
            )
        )
    return pl.concat(parts)
