"""Charts by which a run is asked to go instead of the lake's own, so that a case can be seen to vanish."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.errors import ArgumentError
from pipeline.intake import PART
from pipeline.lake import Part, read_files

_COLUMNS: Final = polars_schema(LAKE_TABLES["strapping"])
_TEXT: Final = {name: pl.String() for name, kind in _COLUMNS.items() if not kind.is_float()}


@dataclass(frozen=True)
class OtherCharts:
    """Rows of `strapping`, with `PART`, from a file at `path`, and the `digest` of what the file holds."""

    path: Path
    rows: pl.DataFrame
    digest: str

    @property
    def tank_ids(self) -> list[str]:
        """The tanks that have a chart here."""
        return self.rows["tank_id"].drop_nulls().unique().sort().to_list()

    def in_place_of(self, strapping: pl.DataFrame) -> pl.DataFrame:
        """The lake's charts with these for the tanks that have one here, as if they had always been theirs."""
        is_other = pl.col("tank_id").is_in(self.tank_ids).fill_null(value=False)
        return pl.concat([strapping.filter(~is_other), self.rows.select(strapping.columns)])

    def require_tanks(self, known: list[str]) -> None:
        """Raise where a chart is of no tank of the lake.

        Raises
        ------
        ArgumentError
            If one is.
        """
        unknown = [name for name in self.tank_ids if name not in known]
        if unknown:
            raise ArgumentError(f"--with-charts {self.path}: the lake has no tank {unknown[0]}")


def read_other_charts(path: Path) -> OtherCharts:
    """Read charts from a file as the contract's `strapping` has them: Parquet, or CSV with a comma and a point.

    Other columns are passed over.

    Raises
    ------
    ArgumentError
        If there is no such file, it cannot be read, lacks a column, or holds no row.
    """
    said = f"--with-charts {path}"
    if not path.is_file():
        raise ArgumentError(f"{said}: there is no such file")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    if path.suffix.lower() == ".csv":
        rows = _from_csv(path, said)
    else:
        rows, troubles = read_files(path.parent, "strapping", [Part("strapping", None, (path,), digest)])
        if troubles:
            raise ArgumentError(f"{said}: {troubles[0].said}")
    if rows.is_empty():
        raise ArgumentError(f"{said}: it holds no row")
    return OtherCharts(path, rows, digest)


def _from_csv(path: Path, said: str) -> pl.DataFrame:
    try:
        read = pl.read_csv(path, schema_overrides=_TEXT | {"level_mm": pl.Float64(), "volume_l": pl.Float64()})
    except (pl.exceptions.PolarsError, UnicodeDecodeError) as error:
        raise ArgumentError(f"{said}: it cannot be read as CSV: {str(error).splitlines()[0]}") from error
    missing = [name for name in _COLUMNS if name not in read.columns]
    if missing:
        raise ArgumentError(f"{said}: it has no column {missing[0]}, expected {', '.join(_COLUMNS)}")
    day = pl.col("valid_from").str.to_date("%Y-%m-%d", strict=False).cast(pl.Datetime("us", "UTC"))
    instant = pl.col("valid_from").str.to_datetime("%Y-%m-%dT%H:%M:%S%#z", time_unit="us", strict=False)
    typed = read.with_columns(valid_from=pl.coalesce(day, instant.dt.convert_time_zone("UTC")))
    if typed["valid_from"].null_count():
        row = typed["valid_from"].is_null().arg_true()[0]
        raise ArgumentError(f"{said}: row {row + 1} has no day nor instant in valid_from, YYYY-MM-DD[THH:MM:SSZ]")
    return typed.select(*_COLUMNS, pl.lit(None, pl.Date).alias(PART))
