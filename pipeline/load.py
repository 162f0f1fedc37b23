"""Takes a lake into the store: only what is new, and in the end as if it had all been taken in at once.

Small tables are read whole whenever anything changed. A table that lies in days is replaced by days, as long as every
row lies in its own day's folder and the sites, tanks and meters are those of last time; else it, too, is read whole.
"""

import hashlib
import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, TIME_COLUMNS
from pipeline.contract.store import INTERNAL_TABLES, Refused
from pipeline.intake import AHEAD, LONE, PART, Admitted, Registry, as_refused, lone_days
from pipeline.lake import READ_TABLES, Part, admit_part_of, find_parts, refused_files, require_a_file, require_usable
from pipeline.lake_file import rows_told
from pipeline.other_charts import OtherCharts
from pipeline.resources import code_digest
from pipeline.sites import Tables, site_tables
from pipeline.store import SCHEMAS, Store

_LOG = logging.getLogger("tankdrift.load")

BATCH_ROWS: Final = 4_000_000
"""Rows read at once: so many readings take half a gigabyte while they are put in order."""

READINGS_AT_ONCE: Final = 3_000_000
"""Readings of sites that are read out of the store together: some quarter of a gigabyte."""

EVER: Final = datetime(1, 1, 1, tzinfo=UTC)
"""Before any row."""


def fingerprint(lake: Path, parts: Sequence[Part], until: date | None, charts: OtherCharts | None = None) -> str:
    """Hash of what the store's tables of a lake hang on: where it is, its parts, the cut, other charts and the code."""
    digest = hashlib.sha256(f"{lake.resolve()} {until} {code_digest()}".encode())
    if charts is not None:
        digest.update(f"\nother charts {charts.digest}".encode())
    for part in parts:
        digest.update(f"\n{part.table} {part.day} {part.digest}".encode())
    for path in _refused_files(lake):
        digest.update(f"\n{path.name} {path.stat().st_size} {path.stat().st_mtime_ns}".encode())
    return digest.hexdigest()


def refused_before(lake: Path) -> pl.DataFrame:
    """Rows that were refused on their way into the lake: `table`, `row` and `reason`."""
    empty = polars_schema(Refused).to_frame().select("table", "row", "reason")
    return pl.concat([empty, *(pl.read_parquet(path) for path in _refused_files(lake))])


def _refused_files(lake: Path) -> list[Path]:
    return sorted(path for path in (lake / "_refused").glob("*.parquet") if path.name[0] != ".")


def take_in(
    store: Store,
    lake: Path,
    *,
    until: date | None = None,
    latest: datetime | None = None,
    charts: OtherCharts | None = None,
) -> bool:
    """Bring the store's tables of a lake up to what the lake holds now; False where they are already.

    What speaks of a time after `latest` is refused, and let in by a later run for which it is past. Tanks that have a
    chart in `charts` get that in place of the lake's.

    Raises
    ------
    LakeError
        If the lake is unusable; the store is then as it was.
    ArgumentError
        If there is a chart for a tank that the lake does not have.
    """
    parts = find_parts(lake, until=until)
    mark = fingerprint(lake, parts, until, charts)
    remembered = store.remembered()
    if remembered.get("taken") == mark and not _is_past(remembered.get("ahead_from"), latest):
        return False
    with store.transaction():
        intake = _Intake(store, lake, parts, until, charts)
        intake.registry.latest = latest
        intake.run()
        others = json.dumps([] if charts is None else charts.tank_ids)
        store.remember({"taken": mark, "ahead_from": min(intake.ahead_from, default=""), "other_charts": others})
    return True


def _is_past(ahead_from: str | None, latest: datetime | None) -> bool:
    """Whether the first of what was refused for being ahead of the clock is so no more."""
    return bool(ahead_from) and (latest is None or datetime.fromisoformat(str(ahead_from)) <= latest)


def lake_tables(store: Store) -> dict[str, pl.DataFrame]:
    """Tables of the lake by name, each in order: tables that lie in days by tank or meter and then time."""
    return {name: store.query(f"ingest/{name}") if name in BY_DAY else store.table(name) for name in READ_TABLES}


def site_groups(
    store: Store, *, since: datetime = EVER, at_once: int = READINGS_AT_ONCE, site_id: str | None = None
) -> Iterator[Tables]:
    """Tables of the lake for some sites at a time, in order of the site, with what lies in days from `since` on.

    Sites come together while they have no more than `at_once` readings: no more than that is ever in memory, but for a
    site that has more by itself. With `site_id` that site alone.
    """
    standing = {name: store.table(name) for name in READ_TABLES if name not in BY_DAY}
    counts = store.query("ingest/readings_by_site", since=since)
    if site_id is not None:
        counts = counts.filter(pl.col("site_id") == site_id)
    for sites in _site_groups(dict(zip(counts["site_id"], counts["readings"], strict=True)), at_once):
        yield _tables_of(store, standing, sites, since)


def _site_groups(readings: Mapping[str, int], at_once: int) -> Iterator[list[str]]:
    group: list[str] = []
    size = 0
    for site_id, count in sorted(readings.items()):
        if group and size + count > at_once:
            yield group
            group, size = [], 0
        group.append(site_id)
        size += count
    if group:
        yield group


def _tables_of(store: Store, standing: Tables, sites: Sequence[str], since: datetime) -> Tables:
    tables = {
        name: frame.filter(pl.col("site_id").is_in(sites)) if "site_id" in frame.columns else frame
        for name, frame in standing.items()
    }
    for name in BY_DAY:
        registry, key = ("tanks", "tank_id") if name == "readings" else ("meters", "meter_id")
        tables[name] = store.query(f"ingest/{name}_of", ids=tables[registry][key].to_list(), since=since)
    return tables


def other_charts(store: Store) -> list[str]:
    """The tanks whose charts in the store are not the lake's own."""
    found: list[str] = json.loads(store.remembered().get("other_charts", "[]"))
    return found


def sites_one_by_one(
    store: Store, *, since: datetime = EVER, at_once: int = READINGS_AT_ONCE, site_id: str | None = None
) -> Iterator[Tables]:
    """Each site's rows of every table, as `site_tables` gives them, without all of the lake in memory."""
    for tables in site_groups(store, since=since, at_once=at_once, site_id=site_id):
        yield from site_tables(tables)


class _Intake:
    """One pass over a lake, inside one transaction."""

    def __init__(
        self, store: Store, lake: Path, parts: Sequence[Part], until: date | None, charts: OtherCharts | None
    ) -> None:
        self.store, self.lake, self.until, self.charts = store, lake, until, charts
        self.parts = {table: [part for part in parts if part.table == table] for table in READ_TABLES}
        self.registry = Registry()
        self.ahead_from: list[str] = []

    def run(self) -> None:
        for name, schema in {**SCHEMAS, **INTERNAL_TABLES}.items():
            if not self.store.has_table(name):
                self.store.replace(name, polars_schema(schema).to_frame())
        for table in READ_TABLES:
            if table not in BY_DAY:
                admitted = self._admit(table, self.parts[table])
                require_a_file(self.lake, table, self.parts[table], refused_files(admitted.refused))
                if table == "tanks":
                    require_usable(admitted)
                    if self.charts is not None:
                        self.charts.require_tanks(self.registry.known["tank_id"])
                self._replace_all(admitted)
        for table in BY_DAY:
            self._take_days(table)
            standing = refused_files(self.store.query("ingest/refused_of", name=table))
            require_a_file(self.lake, table, self.parts[table], standing)
        self._refuse_lone()
        self.store.remember(self._context())
        if self.store.query("ingest/last_day")["day"][0] is None:
            require_usable(self._admit("readings", self.parts["readings"]))
        refused = pl.concat([self.store.query("ingest/quarantine"), refused_before(self.lake)])
        self.store.replace("quarantine", refused.unique().sort("table", "row", "reason"))

    def _context(self) -> dict[str, str]:
        """What the rows of any day hang on beside the day's files."""
        known = hashlib.sha256(repr((self.registry.known, self.registry.refused)).encode()).hexdigest()
        return {"registry": known, "code": code_digest(), "lake": str(self.lake.resolve())}

    def _admit(self, table: str, parts: Sequence[Part]) -> Admitted:
        count = sum(len(part.files) for part in parts)
        _LOG.info("reading %s, files: %d", table, count, extra={"stage": "load", "table": table})
        instead = self.charts.in_place_of if self.charts is not None and table == "strapping" else None
        return admit_part_of(self.lake, table, parts, self.registry, until=self.until, instead=instead)

    def _take_days(self, table: str) -> None:
        """Replace the days that changed, or all of them where days cannot stand on their own."""
        remembered = self.store.remembered()
        taken = {part.day: part.digest for part in self._taken(table)}
        wanted = {part.day: part.digest for part in self.parts[table]}
        changed = [part for part in self.parts[table] if taken.get(part.day) != part.digest]
        gone = [day for day in taken if day not in wanted]
        is_flat = None in wanted or None in taken
        is_same_context = all(remembered.get(name) == value for name, value in self._context().items())
        if is_flat or not is_same_context or remembered.get(f"{table}_in_days") != "yes":
            changed, gone = self.parts[table], list(taken)
        if is_flat and (changed or gone):
            self._take_whole(table)
            return

        self._forget(table, [*gone, *(part.day for part in changed)])
        for batch in _batches(changed):
            admitted = self._admit(table, batch)
            if not _lies_in_its_days(admitted):
                self._take_whole(table)
                return
            self._add(admitted, batch)
        if table == "sales" and changed and not self.store.query("ingest/sales_across_days").is_empty():
            self._take_whole(table)
            return
        self.store.remember({f"{table}_in_days": "yes"})

    def _take_whole(self, table: str) -> None:
        self._replace_all(self._admit(table, self.parts[table]))
        self.store.remember({f"{table}_in_days": "no"})

    def _refuse_lone(self) -> None:
        """Take readings that stand alone in time out again; their files are read each time: more may come beside."""
        lone = lone_days(self.store.query("ingest/days_of_readings"))
        if lone.is_empty():
            return
        asked = {"ids": lone["tank_id"].to_list(), "days": lone["day"].to_list()}
        rows = self.store.query("ingest/readings_on", **asked)
        self.store.delete_of("readings", "tank_id", **asked)
        is_in_days = self.store.remembered().get("readings_in_days") == "yes"
        part = pl.col("ts").dt.date() if is_in_days else pl.lit(None, pl.Date)
        self.store.append("_refused", as_refused("readings", rows.with_columns(part.alias(PART)), pl.lit(LONE)))
        is_again = (pl.col("table") == "readings") & pl.col(PART).is_in(asked["days"]).fill_null(not is_in_days)
        again = pl.when(is_again).then(pl.lit("lone")).otherwise("digest")
        self.store.replace("_parts", self.store.table("_parts").with_columns(again.alias("digest")))

    def _taken(self, table: str) -> Iterator[Part]:
        for row in self.store.table("_parts").filter(pl.col("table") == table).iter_rows(named=True):
            yield Part(table, row[PART], (), row["digest"])

    def _forget(self, table: str, days: Sequence[date | None]) -> None:
        self.store.delete_days(table, [day for day in days if day is not None])
        for name in ("_parts", "_refused"):
            self.store.delete_parts(name, table, days)

    def _replace_all(self, admitted: Admitted) -> None:
        table = admitted.table
        every = [part.day for part in self._taken(table)]
        for name in ("_parts", "_refused"):
            self.store.delete_parts(name, table, [None, *every])
        self.store.replace(table, polars_schema(SCHEMAS[table]).to_frame())
        self._add(admitted, self.parts[table])

    def _add(self, admitted: Admitted, parts: Sequence[Part]) -> None:
        self.store.append(admitted.table, admitted.rows)
        self.store.append("_refused", admitted.refused)
        ahead = admitted.refused.filter(pl.col("reason").str.contains(AHEAD, literal=True))
        if not ahead.is_empty():
            self.ahead_from.append(str(ahead["row"].str.json_path_match(f"$.{TIME_COLUMNS[admitted.table]}").min()))
        # Another digest than the part's own: what was ahead of the clock is looked at again each time.
        again = {part: "ahead" for part in ahead[PART].to_list()}
        files = pl.DataFrame(
            {"table": [part.table for part in parts], PART: [part.day for part in parts],
             "digest": [again.get(part.day, part.digest) for part in parts]},
            schema_overrides={"table": pl.String, PART: pl.Date, "digest": pl.String},
        )  # fmt: skip
        counts = files.join(admitted.counts(), on=PART, how="left", nulls_equal=True)
        self.store.append("_parts", counts.with_columns(pl.col("read", "doubles").fill_null(0)))


def _lies_in_its_days(admitted: Admitted) -> bool:
    """Whether every row let in was read from the folder of its own day."""
    day = pl.col(TIME_COLUMNS[admitted.table]).dt.date()
    return bool(admitted.rows.select((day == pl.col(PART)).fill_null(False).all()).item())


def _batches(parts: Sequence[Part]) -> Iterator[list[Part]]:
    batch: list[Part] = []
    size = 0
    for part in parts:
        batch.append(part)
        size += sum(rows_told(path) for path in part.files)
        if size >= BATCH_ROWS:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
