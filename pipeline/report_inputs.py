"""What the report, the worklist and the desk are made of: a store's tables, what it is asked, what people said."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path

import polars as pl

from pipeline.contract.lake import BY_DAY
from pipeline.errors import StoreError
from pipeline.load import other_charts
from pipeline.report.apart import write_apart
from pipeline.report.case import Case
from pipeline.report.links import page_names
from pipeline.report.tables import Tables
from pipeline.report.worklist import ranked
from pipeline.said.record import say
from pipeline.said.sayings import SCHEMA
from pipeline.said.shown import said_frames
from pipeline.said.since import Shown, shown_of
from pipeline.settings import settings_of
from pipeline.store import SCHEMAS, Store

Frames = dict[str, pl.DataFrame]
LISTED = ("sites", "tanks", "meter_feeds", "cases", "events", "ledger")
"""Tables of the store that the worklist hangs on."""
WHOLE_TABLES = tuple(name for name in SCHEMAS if name not in BY_DAY and not name.startswith("_"))
"""Tables of the store but for the lake's days and its own business."""
_STANDINGS = {
    "case_id": pl.String, "state": pl.String, "stake": pl.Float64, "owner": pl.String, "due_on": pl.Date,
    "is_back": pl.Boolean, "closing_seq": pl.Int32,
}  # fmt: skip


def make_report(store: Store, out: Path) -> list[str]:
    """Make the report from what the store holds and what people said since; the sites that break it come back."""
    return write_apart(report_frames(store, out), out, as_of=newest_day(store))


def report_frames(store: Store, out: Path, mark: str | None = None) -> Frames:
    """All that the report is made of; `mark` is of the data of a run that is yet to be published."""
    return _tables(store, WHOLE_TABLES) | asked(store) | said_frames(out, mark)


def take_over_verdicts(store: Store, out: Path) -> None:
    """Put what an earlier version kept in the store's table `verdicts` into the record of what people said."""
    if not store.has_table("verdicts"):
        return
    with store.transaction():
        for row in store.take_out("verdicts").iter_rows(named=True):
            said = dict.fromkeys(SCHEMA) | row | {"kind": "closed"}
            say(out, said, now=datetime.combine(row["learned_on"], time(), UTC))


def list_frames(store: Store, out: Path) -> Frames:
    """All that the worklist is made of."""
    return _tables(store, LISTED) | asked(store) | said_frames(out)


def told_cases(store: Store, out: Path) -> tuple[list[Case], pl.DataFrame]:
    """All cases, and the tickets that those of deliveries are about.

    Raises
    ------
    StoreError
        If nothing was analysed yet.
    """
    frames = list_frames(store, out) | {"cases": store.table("cases")}
    return all_cases(frames, newest_day(store)), store.table("deliveries")


def beside(store: Store, left_out: Sequence[str], cases: Sequence[Case]) -> Frames:
    """What stands in the snapshot beside the store's tables: what was asked, sites that break the report, standings."""
    sites = pl.DataFrame({"site_id": left_out}, schema={"site_id": pl.String})
    return asked(store) | {"left_out": sites, "_standings": case_standings(cases)}


def shown(cases: Sequence[Case], as_of: date) -> Shown:
    """What the report shows of each of its cases."""
    return Shown(as_of, {str(c.row["case_id"]): shown_of(c.row, c.state) for c in cases})


def case_standings(cases: Sequence[Case]) -> pl.DataFrame:
    """Where each case stands, for the views: a row a case, with the number of the closing that holds."""
    rows = [
        (c.row["case_id"], c.state, c.money, c.said.owner, c.said.due_on, c.said.again is not None,
         None if c.closed is None else c.closed["seq"])
        for c in cases
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=_STANDINGS, orient="row")


def all_cases(frames: Mapping[str, pl.DataFrame], as_of: date) -> list[Case]:
    """All cases in the order of the worklist, each with its place in the report."""
    tables = Tables.of(frames)
    return ranked(tables, page_names(tables["tanks"]["tank_id"].drop_nulls()), as_of)


def by_urgency(cases: pl.DataFrame) -> pl.DataFrame:
    """How many cases each urgency has, in the order of the cases."""
    return cases.group_by("urgency", maintain_order=True).agg(pl.len().cast(pl.Int64).alias("cases"))


def asked(store: Store) -> Frames:
    """What the report asks of the store beside its tables."""
    settings = settings_of(store.remembered())
    limits = [(settings.detectable_limit_l_per_h, settings.fail_leak_rate_l_per_h)]
    return {
        "prices": store.query("marts/prices"),
        "last_readings": store.query("marts/last_readings"),
        "hose_days": store.query("marts/hose_days"),
        "as_of": pl.DataFrame({"day": [newest_day(store)]}),
        "limits": pl.DataFrame(limits, schema=["detectable_l_per_h", "fail_l_per_h"], orient="row"),
        "other_charts": pl.DataFrame({"tank_id": other_charts(store)}, schema={"tank_id": pl.String}),
    }


def newest_day(store: Store) -> date:
    """The last UTC day of data in a store.

    Raises
    ------
    StoreError
        If it holds no reading.
    """
    day = store.query("ingest/last_day")["day"][0]
    if not isinstance(day, date):
        raise StoreError("the store holds no reading; run it again")
    return day


def _tables(store: Store, names: tuple[str, ...]) -> Frames:
    return {name: store.table(name) for name in names if store.has_table(name)}
