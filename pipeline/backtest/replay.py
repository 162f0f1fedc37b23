"""Walks a rule through history: each day it sees that day and earlier only, and what it said before must stand."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Final

import duckdb
import polars as pl

from pipeline.backtest.asof import DATED, Tables, cut, readable_schemas
from pipeline.backtest.rule import Parameters, Rule, found_by
from pipeline.backtest.sealed import Sealed
from pipeline.contract.vocabulary import CAUSES
from pipeline.errors import RefusedRuleError

ALARM_SCHEMA: Final = pl.Schema(
    {
        "tank_id": pl.String(), "site_id": pl.String(), "day": pl.Date(), "cause": pl.String(), "meter_id": pl.String(),
        "delivery_id": pl.String(), "score": pl.Float64(), "note": pl.String(),
    }
)  # fmt: skip
"""What a rule may give, row by row: where, on which day, what it points at, how strongly, and words about it."""
KEY: Final = ("tank_id", "site_id", "day", "cause", "meter_id", "delivery_id")
SAME: Final = 1e-6
"""Two scores count as one within this share: sums over other rows may round elsewhere."""

Ask = Callable[[date], pl.DataFrame]


def replay(rule: Rule, parameters: Parameters, tables: Tables, days: Sequence[date]) -> pl.DataFrame:
    """Every alarm of a rule, each raised on its `day` from what was known then; columns `ALARM_SCHEMA`, sorted.

    Parameters
    ----------
    rule : Rule
    parameters : its parameters, as `Rule.settled` gives them
    tables : as `as_of_tables` gives them
    days : UTC days on which the rule is asked, each in turn; what it says of earlier days on the first of them stands

    Raises
    ------
    RefusedRuleError
        If the rule fails, gives something else than alarms, or changes its mind about a day once later days are seen:
        the day and the alarm that gave it away are named.
    """
    said: pl.DataFrame | None = None
    with _asked(rule, parameters, tables) as ask:
        for day in days:
            now = _alarms(rule, ask(day), tables)
            before = now.filter(pl.col("day") < days[0]) if said is None else said
            _require_same(rule, day, before, now)
            said = now
    return pl.DataFrame(schema=ALARM_SCHEMA) if said is None else said


@contextmanager
def _asked(rule: Rule, parameters: Parameters, tables: Tables) -> Iterator[Ask]:
    if rule.sql is None:
        yield lambda day: found_by(rule, cut(tables, day), parameters)
        return
    sql = rule.sql
    schemas = readable_schemas()
    sealed = Sealed({name: schemas[name] for name in rule.reads})
    grown = _Growing(sealed, {name: tables[name] for name in rule.reads})
    wanted = {name: value for name, value in parameters.items()}

    def ask(day: date) -> pl.DataFrame:
        grown.to(day)
        try:
            return sealed.select(sql, wanted)
        except duckdb.Error as error:
            raise RefusedRuleError(f"rule {rule.name}: {str(error).splitlines()[0]}") from error

    try:
        yield ask
    finally:
        sealed.close()


class _Growing:
    """Fills a sealed database with what has come to be known, day by day."""

    def __init__(self, sealed: Sealed, tables: Mapping[str, pl.DataFrame]) -> None:
        self._sealed, self._left = sealed, {name: frame for name, frame in tables.items() if name in DATED}
        for name, frame in tables.items():
            if name not in DATED:
                sealed.append(name, frame)

    def to(self, day: date) -> None:
        """Let in the rows that are known by the end of a day."""
        for name, frame in self._left.items():
            known = int(frame["day"].search_sorted(day, side="right"))
            if known:
                self._sealed.append(name, frame.head(known))
                self._left[name] = frame.slice(known)


def _alarms(rule: Rule, frame: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """What a rule gave, in the columns of an alarm; of twins the strongest is kept."""
    for wanted in ("day", "score"):
        if wanted not in frame.columns:
            raise RefusedRuleError(f"rule {rule.name}: it gives no column {wanted}")
    if not {"tank_id", "site_id"} & set(frame.columns):
        raise RefusedRuleError(f"rule {rule.name}: it gives no column tank_id, nor site_id")
    strange = sorted(set(frame.columns) - set(ALARM_SCHEMA))
    if strange:
        raise RefusedRuleError(
            f"rule {rule.name}: it gives a column {strange[0]}; it may give {', '.join(ALARM_SCHEMA)}"
        )
    default = rule.causes[0] if len(rule.causes) >= 1 else "unexplained"
    try:
        typed = frame.select(
            (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
            for name, dtype in ALARM_SCHEMA.items()
        )
    except pl.exceptions.PolarsError as error:
        raise RefusedRuleError(
            f"rule {rule.name}: a column has the wrong type: {str(error).splitlines()[0]}"
        ) from error
    homes = tables["tanks"].select("tank_id", pl.col("site_id").alias("_home"))
    placed = typed.join(homes, on="tank_id", how="left", maintain_order="left").with_columns(
        site_id=pl.coalesce("_home", "site_id"), cause=pl.col("cause").fill_null(default)
    )
    _require_alarms(rule, placed, tables)
    strongest = placed.sort(*KEY, "score", descending=[False] * len(KEY) + [True], nulls_last=True)
    return (
        strongest.unique(KEY, keep="first", maintain_order=True)
        .select(list(ALARM_SCHEMA))
        .sort("day", *KEY, nulls_last=True)
    )


def _require_alarms(rule: Rule, placed: pl.DataFrame, tables: Tables) -> None:
    tickets = pl.concat([tables[name]["delivery_id"] for name in ("drops", "cases")]).drop_nulls().unique()
    wrong = (
        (pl.col("day").is_null(), "has no day"),
        (~pl.col("score").is_finite().fill_null(False), "has no score"),
        (pl.col("_home").is_null() & pl.col("tank_id").is_not_null(), "is about a tank that is not in the lake"),
        (pl.col("site_id").is_null(), "says neither tank nor site"),
        (~pl.col("site_id").is_in(tables["sites"]["site_id"].implode()), "is about a site that is not in the lake"),
        (~pl.col("meter_id").is_in(tables["meters"]["meter_id"].implode()), "is about a meter that is not in the lake"),
        (~pl.col("delivery_id").is_in(tickets.implode()), "is about a ticket that no drop or case has"),
        (~pl.col("cause").is_in(CAUSES), "gives a cause that the contract does not know"),
    )
    for expression, what in wrong:
        found = placed.filter(expression)
        if found.height:
            raise RefusedRuleError(f"rule {rule.name}: its alarm {_words(found.row(0, named=True))} {what}")


def _require_same(rule: Rule, day: date, said: pl.DataFrame, now: pl.DataFrame) -> None:
    """Raise where today's answer about earlier days is not what was said on those days, or is about a day to come."""
    ahead = now.filter(pl.col("day") > day)
    if ahead.height:
        raise RefusedRuleError(
            f"rule {rule.name} sees tomorrow: asked on {day} it raises {_words(ahead.row(0, named=True))}"
        )
    before = now.filter(pl.col("day") < day)
    both = said.join(before, on=list(KEY), how="full", suffix="_now", nulls_equal=True, coalesce=True)
    near = (pl.col("score") - pl.col("score_now")).abs() <= SAME * (1.0 + pl.col("score").abs())
    is_same = near.fill_null(False) & pl.col("note").eq_missing(pl.col("note_now"))
    changed = both.filter(~is_same).sort(*KEY, nulls_last=True)
    if not changed.height:
        return
    alarm = changed.row(0, named=True)
    if alarm["score"] is None:
        what = f"alarm {_words(alarm | {'score': alarm['score_now']})} was not there until {day} was seen"
    elif alarm["score_now"] is None:
        what = f"alarm {_words(alarm)} is gone once {day} is seen"
    elif alarm["note"] != alarm["note_now"]:
        what = f"alarm {_words(alarm)} has the note {alarm['note_now']!r} once {day} is seen"
    else:
        what = f"alarm {_words(alarm)} has the score {alarm['score_now']:g} once {day} is seen"
    raise RefusedRuleError(f"rule {rule.name} sees tomorrow: its {what}; column day says when a row is known")


def _words(alarm: Mapping[str, object]) -> str:
    where = alarm["tank_id"] or alarm["site_id"] or "of no place"
    return f"{where} {alarm['day']} {alarm['cause']} (score {alarm['score']})"
