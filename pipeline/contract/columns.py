"""Columns of a schema, made of the contract's fields; their types in each engine, and their units.

A table names its columns with `column("volume_l")`, or with `column("events.kind")` where one name has a meaning of its
own in that table; the column is then `kind`.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import dataframely as dy

from pipeline.contract.fields import FIELDS, Check, Kind

UNITS: Final = {
    "_l_per_h": "l/h",
    "_kg_m3": "kg/m³",
    "_mm_per_m": "mm/m",
    "_15_l": "l at 15 °C",
    "_mm": "mm",
    "_pct": "%",
    "_sd_l": "l",
    "_l": "l",
    "_c": "°C",
    "_hours": "h",
    "_s": "s",
}
"""Unit by suffix; the first that fits holds."""

_UNITS_BY_NAME: Final = {
    "latitude": "°",
    "longitude": "°",
    "litres": "l",
    "litres_low": "l",
    "litres_high": "l",
    "seen_litres_low": "l",
    "seen_litres_high": "l",
    "leak_rate_low": "l/h",
    "leak_rate_high": "l/h",
    "seconds": "s",
}

_TYPES: Final[Mapping[Kind, tuple[type[dy.Column], str, str]]] = {
    "str": (dy.String, "VARCHAR", "str"),
    "f64": (dy.Float64, "DOUBLE", "f64"),
    "i8": (dy.Int8, "TINYINT", "i8"),
    "i32": (dy.Int32, "INTEGER", "i32"),
    "i64": (dy.Int64, "BIGINT", "i64"),
    "bool": (dy.Bool, "BOOLEAN", "bool"),
    "date": (dy.Date, "DATE", "date"),
    "timestamp": (dy.Datetime, "TIMESTAMPTZ", "timestamp[us, UTC]"),
}


def unit(name: str) -> str | None:
    """Return the unit that a column's name says, or None."""
    if name in _UNITS_BY_NAME:
        return _UNITS_BY_NAME[name]
    return next((text for suffix, text in UNITS.items() if name.endswith(suffix)), None)


def column(field: str, *, key: bool = False, nullable: bool = False) -> dy.Column:
    """Return the column of a schema that `field` of `FIELDS` describes.

    Parameters
    ----------
    field : str
        Name in `FIELDS`, with its table in front where the name has a meaning of its own there.
    key : bool
        Whether the column is part of the table's key.
    nullable : bool
        Whether a row may leave it null.

    Raises
    ------
    KeyError
        If there is no such field.
    """
    spec = FIELDS[field]
    name = field.rpartition(".")[2]
    checks: dict[str, Check] = dict(spec.checks or {})
    if spec.words:
        known: Sequence[str] = spec.words
        checks["known"] = lambda expr: expr.is_in(known)
    metadata = {"kind": spec.kind, "unit": unit(name), "words": spec.words}
    options = {
        "nullable": nullable,
        "primary_key": key,
        "check": checks or None,
        "description": spec.description,
        "metadata": metadata,
    }
    if spec.kind == "timestamp":
        return dy.Datetime(time_zone="UTC", time_unit="us", **options)  # type: ignore[arg-type]
    return _TYPES[spec.kind][0](**options)  # type: ignore[arg-type]


def duckdb_type(kind: Kind) -> str:
    """DuckDB type of a column of that kind."""
    return _TYPES[kind][1]


def contract_type(kind: Kind) -> str:
    """Type of a column of that kind, as the contract writes it."""
    return _TYPES[kind][2]
