"""Simpler rules on the same lakes: what a monthly rule, a control chart, quiet nights and a forest alone would find.

Each is asked as it stands, with its shipped parameters; an alarm counts once in 14 days a tank. They name no cause, so
any alarm at a fault's place between its start and two days after its end finds it, whatever it says: more lenient than
what the cases are held to.
"""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Protocol

import numpy as np
import polars as pl
from sklearn.ensemble import IsolationForest

from pipeline.backtest.asof import as_of_tables
from pipeline.backtest.match import episodes
from pipeline.backtest.replay import ALARM_SCHEMA, replay
from pipeline.backtest.rules import rule_of
from tests.support.fleets import Tables
from tests.support.matching import SURE

MUTE_DAYS = 14
GRACE = timedelta(days=2)
LEARNT_DAYS = 30
BUDGET = 1.0 / 300.0
"""Share of the first month's days from which the forest's threshold is taken."""


class Lake(Protocol):
    """What a rule is asked about."""

    name: str
    tables: Tables
    made: Tables

    @property
    def truth(self) -> pl.DataFrame: ...

    @property
    def tank_months(self) -> float: ...


def baseline_rows(lakes: Sequence[Lake]) -> pl.DataFrame:
    """One row a rule: faults noticed, and alarms at tanks with no fault then, over all lakes."""
    rules: dict[str, Callable[[Lake], pl.DataFrame]] = {
        "the run's cases": _cases,
        "monthly allowance (40 CFR 280.43)": _rule("monthly_allowance"),
        "CUSUM of daily variance": _rule("cusum"),
        "t-test of quiet nights": _rule("idle_slope"),
        "isolation forest, raw daily figures": _forest,
    }
    rows = []
    for name, alarms_of in rules.items():
        faults = noticed = false = 0
        months = 0.0
        for one in lakes:
            alarms = episodes(_at_tanks(alarms_of(one), one), mute_days=MUTE_DAYS)
            spans = _fault_days(one)
            faults += one.truth.height
            hits = alarms.join(spans, on="tank_id").filter(pl.col("day").is_between("first", "last"))
            noticed += hits["label_id"].n_unique()
            false += alarms.filter(~pl.col("episode").is_in(hits["episode"].to_list())).height
            months += one.tank_months
        rows.append(
            {"rule": name, "noticed": f"{noticed} of {faults}", "share": round(noticed / max(faults, 1), 2),
             "false": false, "false /100 tank-months": round(100.0 * false / months, 1)}
        )  # fmt: skip
    return pl.DataFrame(rows)


def _fault_days(one: Lake) -> pl.DataFrame:
    """The days on which an alarm at a tank finds a fault: label_id, tank_id, first, last."""
    end = one.tables["readings"]["ts"].max()
    pool = pl.coalesce(pl.concat_str("site_id", pl.lit("/"), "manifold_id"), "tank_id")
    tanks = one.tables["tanks"].select("tank_id", "site_id", pool=pool)
    named = one.truth.join(tanks.select("tank_id", "pool"), on="tank_id", how="left")
    spans = named.select(
        "label_id", "site_id", "pool", first=pl.col("ts_start").dt.date(),
        last=pl.col("ts_end").fill_null(end).dt.date() + GRACE,
    )  # fmt: skip
    own = spans.filter(pl.col("pool").is_not_null()).join(tanks.select("pool", "tank_id"), on="pool")
    site = spans.filter(pl.col("pool").is_null()).join(tanks.select("site_id", "tank_id"), on="site_id")
    columns = ["label_id", "tank_id", "first", "last"]
    return pl.concat([own.select(columns), site.select(columns)])


def _at_tanks(alarms: pl.DataFrame, one: Lake) -> pl.DataFrame:
    """Alarms of a site put to the first of its tanks; one cause for all, so that a tank is mute after any."""
    first = one.tables["tanks"].group_by("site_id").agg(pl.col("tank_id").min().alias("_first"))
    at = alarms.join(first, on="site_id", how="left").with_columns(pl.coalesce("tank_id", "_first").alias("tank_id"))
    nothing = [pl.lit(None, pl.String).alias(name) for name in ("meter_id", "delivery_id")]
    return at.with_columns(*nothing, cause=pl.lit("any")).select(list(ALARM_SCHEMA))


def _cases(one: Lake) -> pl.DataFrame:
    sure = one.made["cases"].filter(pl.col("probability") > SURE)
    return sure.select(
        "tank_id", "site_id", pl.col("raised_on").alias("day"), "cause", "meter_id", "delivery_id",
        pl.col("probability").alias("score"), pl.col("summary").alias("note"),
    )  # fmt: skip


def _rule(name: str) -> Callable[[Lake], pl.DataFrame]:
    def ask(one: Lake) -> pl.DataFrame:
        rule = rule_of(name)
        tables = as_of_tables({**one.tables, **one.made})
        last = one.tables["readings"]["ts"].max()
        return replay(rule, rule.settled({}), tables, [last.date()])  # type: ignore[union-attr]

    return ask


def _forest(one: Lake) -> pl.DataFrame:
    """Days whose raw figures (variance, sales, drops, water, temperature) a forest of the first month finds odd."""
    names = ["variance_l", "sales_l", "deliveries_l", "water_mm", "temp_c"]
    days = one.made["tank_days"].sort("trading_day", "tank_id").with_columns(pl.col(names).fill_null(0.0))
    first: date = days["trading_day"].min()  # type: ignore[assignment]
    learnt = days.filter(pl.col("trading_day") < first + timedelta(days=LEARNT_DAYS))
    forest = IsolationForest(n_estimators=200, random_state=1).fit(learnt.select(names).to_numpy())
    limit = np.quantile(-forest.score_samples(learnt.select(names).to_numpy()), 1.0 - BUDGET)
    odd = days.with_columns(score=pl.Series(-forest.score_samples(days.select(names).to_numpy())))
    odd = odd.filter((pl.col("score") >= limit) & (pl.col("trading_day") >= first + timedelta(days=LEARNT_DAYS)))
    odd = odd.join(one.tables["tanks"].select("tank_id", "site_id"), on="tank_id")
    return odd.select(
        "tank_id", "site_id", pl.col("trading_day").alias("day"), cause=pl.lit("unexplained"),
        meter_id=pl.lit(None, pl.String), delivery_id=pl.lit(None, pl.String), score="score", note=pl.lit(""),
    )  # fmt: skip
