"""A published run without a run: invented frames are put into a store, and published as a run's are."""

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline import report_inputs as inputs
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.views import VIEWS
from pipeline.said.shown import keep_shown
from pipeline.stages import Run, publish
from pipeline.store import SCHEMAS, SNAPSHOT, Store, open_store
from tests.support.report_frames import last_day


def publish_frames(out: Path, frames: Mapping[str, pl.DataFrame], *, days: int, night: int = 1) -> Path:
    """The folder of results as a run over `days` days of data leaves it; call it again for another night's."""
    with open_store(out) as store:
        _fill(store, frames, days)
        store.remember({"taken": f"night {night}"})
    publish(Run(out / "lake", out))
    return out


def snapshot_frames(out: Path, frames: Mapping[str, pl.DataFrame], *, days: int, night: int = 1) -> Path:
    """The same for the desk alone, without a report on disk, which takes long for hundreds of tanks."""
    with open_store(out) as store:
        _fill(store, frames, days)
        made, mark, last = (
            inputs.report_frames(store, out, f"night {night}"),
            f"night {night}",
            inputs.newest_day(store),
        )
        cases = inputs.all_cases(made, last)
        store.copy_to(out / SNAPSHOT, inputs.WHOLE_TABLES, inputs.beside(store, [], cases), views=VIEWS)
        keep_shown(out, mark, inputs.shown(cases, last))
    return out


def _fill(store: Store, frames: Mapping[str, pl.DataFrame], days: int) -> None:
    last = pl.lit(last_day(days)).cast(pl.Datetime("us", "UTC"))
    reading = frames["tanks"].head(1).select("tank_id", ts=last, level_mm=pl.lit(1_000.0), quality=pl.lit("good"))
    for name, schema in SCHEMAS.items():
        if name != "_state":
            store.replace(name, _filled(polars_schema(schema), {**frames, "readings": reading}.get(name)))


def _filled(schema: pl.Schema, frame: pl.DataFrame | None) -> pl.DataFrame:
    """The frame in the contract's columns; what it does not have is empty, nought or no."""
    if frame is None:
        return schema.to_frame()
    have = set(frame.columns)
    return frame.select(
        pl.col(name).cast(dtype) if name in have else pl.lit(0 if dtype.is_numeric() else None).cast(dtype).alias(name)
        for name, dtype in schema.items()
    )
