"""A published run without a run: invented frames are put into a store, and published as a run's are."""

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.stages import Run, publish
from pipeline.store import SCHEMAS, open_store
from tests.support.report_frames import last_day


def publish_frames(out: Path, frames: Mapping[str, pl.DataFrame], *, days: int, night: int = 1) -> Path:
    """The folder of results as a run over `days` days of data leaves it; call it again for another night's."""
    last = pl.lit(last_day(days)).cast(pl.Datetime("us", "UTC"))
    reading = frames["tanks"].head(1).select("tank_id", ts=last, level_mm=pl.lit(1_000.0), quality=pl.lit("good"))
    with open_store(out) as store:
        for name, schema in SCHEMAS.items():
            if name != "_state":
                store.replace(name, _filled(polars_schema(schema), {**frames, "readings": reading}.get(name)))
        store.remember({"taken": f"night {night}"})
    publish(Run(out / "lake", out))
    return out


def _filled(schema: pl.Schema, frame: pl.DataFrame | None) -> pl.DataFrame:
    """The frame in the contract's columns; what it does not have is empty, nought or no."""
    if frame is None:
        return schema.to_frame()
    have = set(frame.columns)
    return frame.select(
        pl.col(name).cast(dtype) if name in have else pl.lit(0 if dtype.is_numeric() else None).cast(dtype).alias(name)
        for name, dtype in schema.items()
    )
