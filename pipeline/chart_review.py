"""What trading alone says of a fleet's charts: from the store of a finished run to figures, tables and pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.errors import ArgumentError
from pipeline.estimate.chart import (
    ChartCalibration,
    JudgeableChart,
    NotCalibrated,
    calibrated_chart,
    judgeable_chart,
)
from pipeline.estimate.chart_fit import Told
from pipeline.estimate.chart_fleet import told_by_fleet
from pipeline.estimate.observe import observe_site
from pipeline.estimate.unit_walk import walk_unit
from pipeline.load import EVER, other_charts, sites_one_by_one
from pipeline.report.chart_pages import render_charts
from pipeline.report.links import page_names
from pipeline.report.site import new_folder, put_assets, put_pages
from pipeline.report_inputs import newest_day
from pipeline.run_folder import held
from pipeline.scoring.charts import chart_frames, corrected_tables
from pipeline.stages import WORTH_PROCESSES
from pipeline.store import Store, open_store
from pipeline.workers import in_order, worker_count

Tables = Mapping[str, pl.DataFrame]

FOLDER: Final = "charts"
"""Folder below a run's that the pages and tables are put into."""


_TANK_IDS: Final = {"tank_id": pl.String()}
WORTH_WORKERS: Final = 4
"""Charts from which it pays to start further processes, which takes each as long as two charts."""


@dataclass(frozen=True)
class Asked:
    """What to review: one tank or all, the step of the tables beside the site's own levels, and their first day."""

    tank_id: str | None = None
    step_mm: int | None = None
    valid_from: date | None = None


@dataclass(frozen=True)
class Review:
    """What was found up to the UTC day `as_of`.

    `frames` as `chart_frames` gives them, with the run's `sites`, `tanks` and `other_charts`; `tables` the corrected
    chart of every tank that could be judged; `broken` a line about each site that could not be looked at.
    """

    as_of: date
    frames: Mapping[str, pl.DataFrame]
    tables: pl.DataFrame
    broken: tuple[str, ...]

    @property
    def strapping(self) -> pl.DataFrame:
        """The corrected charts of the tanks that are worth a new one."""
        worth = self.frames["charts"].filter(verdict="new_table")["tank_id"].to_list()
        return self.tables.filter(pl.col("tank_id").is_in(worth))


@dataclass(frozen=True)
class SiteCharts:
    """One site's charts, those that cannot be judged, and what broke."""

    charts: list[JudgeableChart]
    left_out: list[NotCalibrated]
    broken: str | None = None


def review_charts(out: Path, asked: Asked) -> Review:
    """Judge and correct the charts of a finished run, by the tables in its store.

    All tanks together tell each other of carriers, meters and usual charts; a tank that is asked for alone goes by
    common practice.

    Raises
    ------
    StoreError
        If there is no store in the folder.
    ArgumentError
        If the store has no such tank.
    """
    with open_store(out, read_only=True) as store:
        homes, tanks = store.table("sites"), store.table("tanks")
        sites = list(_sites(store, _site_of(tanks, asked.tank_id)))
        as_of, others = newest_day(store), other_charts(store)
    charts = [one for site in sites for one in site.charts if asked.tank_id in (None, one.tank_id)]
    reasons = {name: one.reason for site in sites for one in site.left_out for name in one.tank_ids}
    wanted = tanks if asked.tank_id is None else tanks.filter(tank_id=asked.tank_id)
    found = calibrated_fleet(charts, calibrated_alone(charts))
    frames = chart_frames(charts, found, {name: why for name, why in reasons.items() if name in wanted["tank_id"]})
    frames |= {"sites": homes, "tanks": wanted, "other_charts": pl.DataFrame({"tank_id": others}, schema=_TANK_IDS)}
    valid_from = datetime.combine(asked.valid_from or as_of + timedelta(days=1), time(), UTC)
    tables = corrected_tables(found, valid_from, step_mm=asked.step_mm)
    return Review(as_of, frames, tables, tuple(site.broken for site in sites if site.broken is not None))


def calibrated_alone(charts: Sequence[JudgeableChart]) -> list[ChartCalibration]:
    """Each chart judged by itself, by common practice."""
    return list(_mapped(charts)(calibrated_chart, iter(charts)))


def calibrated_fleet(charts: Sequence[JudgeableChart], alone: Sequence[ChartCalibration]) -> list[ChartCalibration]:
    """The same again with what the others tell each; `alone` where there are no others."""
    if len(charts) < 2:
        return list(alone)
    told = told_by_fleet({one.tank_id: one.heard for one in alone})
    return list(_mapped(charts)(_told, ((chart, told[chart.tank_id]) for chart in charts)))


def _mapped(charts: Sequence[JudgeableChart]) -> Callable[..., Iterable[ChartCalibration]]:
    return in_order(worker_count(len(charts)) if len(charts) > WORTH_WORKERS else 1)


def write_review(review: Review, out: Path, *, csv: Path | None = None, parquet: Path | None = None) -> Path:
    """Put the pages and the corrected charts worth a new table into OUT/charts, and return its first page.

    `csv` and `parquet` name folders for a table of every tank that was judged, one file a tank.

    Raises
    ------
    ArgumentError
        If a folder cannot be written to.
    """
    with held(out), new_folder(out, FOLDER) as folder:
        (folder / "tanks").mkdir()
        put_pages(folder, render_charts(review.frames, review.as_of, put_assets(folder)))
        for name in ("charts", "figures", "levels", "stretches"):
            review.frames[name].write_parquet(folder / f"{name}.parquet")
        if not review.strapping.is_empty():
            review.strapping.write_parquet(folder / "strapping.parquet")
            _write_csv(review.strapping, folder / "strapping.csv")
    for place, ending in ((csv, "csv"), (parquet, "parquet")):
        if place is not None:
            _write_each(review.tables, place, ending)
    return out / FOLDER / "index.html"


def _write_each(tables: pl.DataFrame, folder: Path, ending: str) -> None:
    """One file a tank."""
    names = page_names(tables["tank_id"].unique(maintain_order=True))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for (tank_id,), rows in tables.group_by(["tank_id"], maintain_order=True):
            path = folder / f"{Path(names[str(tank_id)]).stem}.{ending}"
            if ending == "csv":
                _write_csv(rows, path)
            else:
                rows.write_parquet(path)
    except OSError as error:
        raise ArgumentError(f"--{ending} {folder}: tables cannot be written here: {error.strerror}") from error


def _write_csv(table: pl.DataFrame, path: Path) -> None:
    table.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")


def _site_of(tanks: pl.DataFrame, tank_id: str | None) -> str | None:
    if tank_id is None:
        return None
    if tank_id not in tanks["tank_id"]:
        raise ArgumentError(f"--tank {tank_id}: the run knows no such tank")
    return str(tanks.filter(tank_id=tank_id)["site_id"][0])


def _sites(store: Store, site_id: str | None) -> Iterable[SiteCharts]:
    counts = store.query("ingest/readings_by_site", since=EVER)
    is_large = site_id is None and counts["readings"].sum() > WORTH_PROCESSES
    return in_order(worker_count(counts.height) if is_large else 1)(
        site_charts, sites_one_by_one(store, site_id=site_id)
    )


def site_charts(tables: Tables) -> SiteCharts:
    """One site's charts as far as they can be judged; a site whose rows break it is left out with a line."""
    names = tables["tanks"]["tank_id"].to_list()
    try:
        return _judgeable(tables, names)
    except Exception as error:  # whatever broke, it is of this site alone
        site_id = tables["sites"]["site_id"][0]
        said = f"site {site_id} could not be looked at: {type(error).__name__}"
        return SiteCharts([], [NotCalibrated(tuple(names), "its site could not be looked at")], said)


def _judgeable(tables: Tables, names: Sequence[str]) -> SiteCharts:
    charts: list[JudgeableChart] = []
    left_out: list[NotCalibrated] = []
    units = observe_site(dict(tables)).units
    for seen in units:
        walk = walk_unit(seen)
        few = NotCalibrated(seen.unit.members, "too few settled dips to speak of a balance")
        found = few if walk is None else judgeable_chart(walk)
        (charts if isinstance(found, JudgeableChart) else left_out).append(found)  # type: ignore[arg-type]
    judged = {name for seen in units for name in seen.unit.members}
    without = tuple(name for name in names if name not in judged)
    if without:
        left_out.append(NotCalibrated(without, "no usable chart, or no readings to judge it by"))
    return SiteCharts(charts, left_out)


def _told(pair: tuple[JudgeableChart, Told]) -> ChartCalibration:
    return calibrated_chart(pair[0], told=pair[1])
