"""The run, stage by stage: load → analyse → publish. Each is handed paths and words, and leaves its work in the store.

A stage that finds its work done already does nothing, so a run that was broken off goes on where it stopped.
"""

import hashlib
import json
import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import polars as pl

from pipeline import report_inputs as inputs
from pipeline.analysis import EPOCH_DAY, SiteFailed, analyse_sites, ended_site
from pipeline.broken_site import forget_broken, keep_broken
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.run import PARQUET_TABLES, RUN_TABLES
from pipeline.contract.store import DATA_TABLES, STORE_TABLES
from pipeline.contract.views import VIEWS
from pipeline.data_health import LOOK_BACK, data_health_of
from pipeline.errors import ArgumentError, LakeError, OperationError, QuarantineLimitError, StoreError
from pipeline.load import EVER, other_charts, site_groups, sites_one_by_one, take_in
from pipeline.other_charts import read_other_charts
from pipeline.pasts import FOLDER, PastFiles, made_by
from pipeline.report.apart import write_apart
from pipeline.report.worklist import news_counts
from pipeline.run_folder import clear_away, held, write_parquet
from pipeline.said import record
from pipeline.said.believed import believed_with
from pipeline.said.shown import BELIEVED, keep_shown, last_shown
from pipeline.scoring.refused_rows import refused_chart_rows
from pipeline.scoring.statements import Limits
from pipeline.settings import Settings
from pipeline.spans import Around, no_span
from pipeline.store import SCHEMAS, SNAPSHOT, Store, open_store
from pipeline.workers import in_order, worker_count

_LOG = logging.getLogger("tankdrift.stages")

FIRST_CASES: Final = 3
"""So many cases a run tells of when it is done."""

WORTH_PROCESSES: Final = 300_000
"""Readings from which it pays to start further processes, which takes each some seconds."""
MADE_TABLES: Final = (
    *(name for name in (*RUN_TABLES, *STORE_TABLES) if name not in ("quarantine", "run_log")),
    *DATA_TABLES,
)
"""Tables that the analysis makes."""


@dataclass(frozen=True, slots=True)
class Run:
    """What to run: a lake, the folder for its results, the last UTC day to see, the settings, other charts."""

    lake: Path
    out: Path
    until: date | None = None
    settings: Settings = field(default_factory=Settings)
    charts: Path | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to: rows in and refused by table, the worklist by urgency and its first, what was left out.

    `failed` has a line about each site, file and column that was left out, `without_chart` the tanks of which no stock
    can be told, `charts_in_part` those of whose chart rows were refused, `other_charts` those that went by a chart that
    is not the lake's. `news` counts what is new of cases since the run before, None where there was none.
    """

    intake: pl.DataFrame
    cases: pl.DataFrame
    first: pl.DataFrame
    last_day: date
    failed: tuple[str, ...] = ()
    without_chart: tuple[str, ...] = ()
    charts_in_part: tuple[str, ...] = ()
    other_charts: tuple[str, ...] = ()
    news: Mapping[str, int] | None = None

    def require_whole(self) -> None:
        """Raise where the analysis of a site broke or a file could not be used; the results of all others stand.

        Raises
        ------
        OperationError
            If a site, a file or a column of one was left out.
        """
        if self.failed:
            more = f" (and {len(self.failed) - 1} more)" if len(self.failed) > 1 else ""
            raise OperationError(f"the rest is done, but: {self.failed[0]}{more}")

    def require_quarantine_below(self, limit_pct: float) -> None:
        """Raise where more of a table was refused than the limit allows.

        Raises
        ------
        QuarantineLimitError
            If the share of the worst table is above `limit_pct`.
        """
        worst = self.intake.row(0, named=True)
        if worst["refused_pct"] > limit_pct:
            raise QuarantineLimitError(
                f"{worst['rows_refused']} of {worst['rows_read']} rows of {worst['table']} were refused "
                f"({worst['refused_pct']:.3g} %, the limit is {limit_pct:g} %); table quarantine says why"
            )


def load(run: Run) -> None:
    """Take into the store what is new in the lake.

    Raises
    ------
    LakeError
        If the lake is unusable.
    ArgumentError
        If the file of other charts is.
    """
    started = time.monotonic()
    charts = None if run.charts is None else read_other_charts(run.charts)
    with open_store(run.out) as store:
        latest = datetime.now(UTC) + timedelta(hours=run.settings.max_ahead_hours)
        if not take_in(store, run.lake, until=run.until, latest=latest, charts=charts):
            _LOG.info("nothing new in %s", run.lake, extra={"stage": "load"})
            return
        counts = store.query("ingest/quarantine_share")
        _log(store, "load", int(counts["rows_read"].sum()), started)


def analyse_lake(run: Run) -> None:
    """Make the run's tables from the store's tables of the lake."""
    started = time.monotonic()
    with open_store(run.out) as store:
        mark = _mark(store, run)
        if store.remembered().get("analysed") == mark and all(store.has_table(name) for name in MADE_TABLES):
            return
        _LOG.info("analysing", extra={"stage": "analyse"})
        forget_broken(run.out)
        failed: list[SiteFailed] = []
        try:
            made = _analysed(store, _limits(run.settings), failed, PastFiles(run.out / FOLDER, made_by()))
        except OperationError as error:  # not one site is left
            raise OperationError(f"no site is left: {_left_out(store, run, failed[0])}") from error
        with store.transaction():
            for name in MADE_TABLES:
                store.replace(name, conformed(name, made[name]))
            _log(store, "analyse", sum(made[name].height for name in MADE_TABLES), started)
            lines = [_left_out(store, run, site) for site in failed]
            # What the system ended may have room the next time: the next run tries it again.
            done = "" if any(site.is_ended for site in failed) else mark
            store.remember({"analysed": done, "settings": run.settings.as_text(), "failed": json.dumps(lines)})


def _analysed(store: Store, limits: Limits, failed: list[SiteFailed], pasts: PastFiles) -> dict[str, pl.DataFrame]:
    """Every table that the analysis makes, and in `failed` the sites left out for what broke.

    Of the lake's days no more is in memory than a few sites'. What `pasts` hold spares work and changes nothing.
    """
    newest = store.query("ingest/newest_readings")
    last = newest["ts"].max()
    if not isinstance(last, datetime):
        raise StoreError("the store holds no reading; run it again")
    counts = store.query("ingest/readings_by_site", since=EVER)
    workers = worker_count(counts.height) if counts["readings"].sum() > WORTH_PROCESSES else 1
    last_day = last.date().toordinal() - EPOCH_DAY
    quarantine = store.table("quarantine")
    made = analyse_sites(
        sites_one_by_one(store),
        last_day,
        limits=limits,
        on_site=_told,
        on_failure=failed.append,
        in_order=in_order(workers, ended=ended_site),
        pasts=pasts,
        refused=refused_chart_rows(quarantine),
    )
    pasts.sweep(counts["site_id"])
    recent = site_groups(store, since=last - LOOK_BACK)
    health = data_health_of(recent, newest, made["health"], quarantine)
    return {**made, "data_health": health}


def _left_out(store: Store, run: Run, site: SiteFailed) -> str:
    """A line about a site that could not be analysed, whose rows are kept for who mends what broke."""
    said = f"site {site.site_id} could not be analysed: {site.error}"
    if site.is_ended:
        return said
    (tables,) = sites_one_by_one(store, site_id=site.site_id)
    try:
        kept = keep_broken(tables, site.error, run.out, settings=run.settings.as_text())
    except OSError as error:  # a full disk costs the file and nothing else
        return f"{said}; its rows could not be kept: {error.strerror}"
    return f"{said}; {kept} has its rows under other names, to report it with"


def _limits(settings: Settings) -> Limits:
    return Limits(settings.detectable_limit_l_per_h, settings.fail_leak_rate_l_per_h)


def _told(site_id: str) -> None:
    _LOG.info("analysed %s", site_id, extra={"stage": "analyse", "site": site_id})


def publish(run: Run) -> None:
    """Write what others read: the Parquet files, the report and a snapshot of the store."""
    started = time.monotonic()
    with open_store(run.out) as store:
        inputs.take_over_verdicts(store, run.out)
        mark, said = _mark(store, run), str(record.newest(run.out))
        wanted = [*(f"{name}.parquet" for name in PARQUET_TABLES), "report/index.html", SNAPSHOT]
        kept = store.remembered()
        is_there = all((run.out / name).is_file() for name in wanted)
        if is_there and (kept.get("published"), kept.get("said")) == (mark, said):
            return
        _LOG.info("writing the report", extra={"stage": "publish"})
        clear_away(run.out)
        for name in PARQUET_TABLES:
            write_parquet(store.table(name), run.out / f"{name}.parquet")
        frames = inputs.report_frames(store, run.out, mark)
        last_day = inputs.newest_day(store)
        sites = write_apart(frames, run.out, as_of=last_day)
        cases = inputs.all_cases(frames, last_day)
        store.replace("sayings", frames["sayings"])
        store.copy_to(run.out / SNAPSHOT, inputs.WHOLE_TABLES, inputs.beside(store, sites, cases), views=VIEWS)
        keep_shown(run.out, mark, inputs.shown(cases, last_day))
        told = (dict(c.row) | {"state": c.state, "is_over": c.row["ts_end"] is not None} for c in cases)
        write_parquet(believed_with(frames["believed"], told, last_day), run.out / BELIEVED)
        left_out = [f"site {site_id} is left out of the report: it broke it" for site_id in sites]
        with store.transaction():
            _log(store, "publish", len(wanted), started)
            store.remember({"published": mark, "said": said, "left_out": json.dumps(left_out)})


STAGES: Final[Mapping[str, Callable[[Run], None]]] = {"load": load, "analyse": analyse_lake, "publish": publish}
"""The whole run, in order."""


def run_all(run: Run, *, wait_s: float = 0.0, around: Around = no_span) -> Outcome:
    """Run every stage in this process: the plain twin of the Prefect flow. Waits so long for another run to end.

    `around` makes a span around each stage.

    Raises
    ------
    TankdriftError
        As the stages and `held` do.
    """
    require_places(run)
    with held(run.out, wait_s=wait_s):
        for name, stage in STAGES.items():
            with around(name):
                stage(run)
        return outcome(run.out)


def outcome(out: Path) -> Outcome:
    """What the run in a folder came to.

    Raises
    ------
    StoreError
        If there is no store in the folder.
    """
    with open_store(out, read_only=True) as store:
        kept = store.remembered()
        cases = inputs.all_cases(inputs.list_frames(store, out), inputs.newest_day(store))
        current = pl.DataFrame([c.row for c in cases if not c.is_past], schema=polars_schema(SCHEMAS["cases"]))
        sites = [line for name in ("failed", "left_out") for line in json.loads(kept.get(name, "[]"))]
        return Outcome(
            intake=store.query("ingest/quarantine_share"),
            cases=inputs.by_urgency(current),
            first=current.head(FIRST_CASES),
            last_day=inputs.newest_day(store),
            failed=(*sites, *store.query("ingest/refused_files")["said"]),
            charts_in_part=_in_part(store),
            without_chart=tuple(store.table("data_health").filter(kind="no_chart")["tank_id"]),
            other_charts=tuple(other_charts(store)),
            news=None if last_shown(out) is None else news_counts(cases),
        )


def _in_part(store: Store) -> tuple[str, ...]:
    """Tanks that go by a chart of which rows were refused."""
    refused = refused_chart_rows(store.table("quarantine"))["tank_id"].unique().sort()
    return tuple(refused.filter(refused.is_in(store.table("strapping")["tank_id"].unique().implode())))


def conformed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A made table in the contract's columns and types, ordered by its key, with null for what is not a number.

    Raises
    ------
    polars.exceptions.PolarsError
        If a column is missing or does not cast: a mistake of ours, not of the user's.
    """
    schema = polars_schema(SCHEMAS[name])
    typed = frame.select(pl.col(column).cast(dtype) for column, dtype in schema.items())
    floats = [column for column, dtype in schema.items() if dtype.is_float()]
    order = SCHEMAS[name].primary_key() or list(schema)
    return typed.with_columns(pl.col(floats).fill_nan(None)).sort(order, nulls_last=True)


def require_places(run: Run) -> None:
    """Raise where there is no lake, or the results would be written into it.

    Raises
    ------
    LakeError
        If the lake is no folder.
    ArgumentError
        If the folder for the results is the lake or lies in it.
    """
    if not run.lake.is_dir():
        raise LakeError(f"{run.lake}: there is no such folder")
    if run.out.resolve().is_relative_to(run.lake.resolve()):
        raise ArgumentError(f"--out {run.out} lies in the lake, which is never written to")


def _mark(store: Store, run: Run) -> str:
    """Hash of what the made tables hang on."""
    taken = store.remembered().get("taken", "")
    return hashlib.sha256(f"{taken} {run.settings.digest}".encode()).hexdigest()


def _log(store: Store, stage: str, rows: int, started: float) -> None:
    day, seconds = inputs.newest_day(store), time.monotonic() - started
    line = {"stage": stage, "day": day, "rows": rows, "seconds": seconds, "note": None}
    frame = pl.DataFrame([line], schema=polars_schema(STORE_TABLES["run_log"]))
    if stage == "load":
        store.replace("run_log", frame)
    else:
        store.append("run_log", frame)
