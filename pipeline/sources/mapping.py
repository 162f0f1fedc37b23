"""Rows as a source tells them → rows of the contract: columns by name, units, words, numbers and local times.

What is empty is null. What is not empty and cannot be read as the contract's type makes the row a refused one, kept as
it came; nothing is guessed.
"""

import re
from collections.abc import Mapping
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.errors import SourceError
from pipeline.sources.local_time import REPEATED, InUtc, in_utc
from pipeline.sources.measures import API, converted, densities_from_60
from pipeline.sources.source import REFUSED, Fetched
from pipeline.sources.table_config import Column, Mapped

_TRUE: Final = ("true", "t", "yes", "y", "1")
_DATE_HEAD: Final = re.compile(r"%[dmbBYy][^%]?%[dmbBYy][^%]?%[dmbBYy]")
"""The date at the head of a form of times."""
_FALSE: Final = ("false", "f", "no", "n", "0")


def to_contract(table: str, frame: pl.DataFrame, mapped: Mapped, *, where: str) -> Fetched:
    """Return a source's rows in the contract's columns and types, and those that cannot be brought there.

    Parameters
    ----------
    table : str
    frame : DataFrame
        Rows in the order in which the source wrote them, as far as it tells.
    mapped : Mapped
        Which column is which, in which units and zone.
    where : str
        What the source is, for whoever has to mend it.

    Raises
    ------
    SourceError
        If a column that the contract must have is not there.
    """
    schema = polars_schema(LAKE_TABLES[table])
    specs = {name: mapped.columns.get(name, Column(column=name)) for name in schema}
    _require_columns(table, frame, specs, mapped, where)
    raw = frame.select(_raw(specs[name], frame, dtype).alias(name) for name, dtype in schema.items())
    read = raw.select(
        _read(name, dtype, raw.schema[name], specs[name], mapped).alias(name) for name, dtype in schema.items()
    )
    lost = [
        pl.when(raw[name].is_not_null() & (_not_empty(raw[name])) & read[name].is_null()).then(
            pl.lit(f"{name}_unreadable")
        )
        for name in schema
    ]
    read = read.with_columns(_reason=pl.concat_str(lost, separator=", ", ignore_nulls=True))
    told = _in_utc(read.drop("_reason"), schema, mapped, table)
    is_refused = told.is_open & (table != "sales") & (read["_reason"] == "")
    reasons = pl.select(pl.when(is_refused).then(pl.lit(REPEATED)).otherwise(read["_reason"])).to_series()
    kept = reasons == ""
    by_gravity = [name for name in schema if specs[name].unit == API]
    rows = densities_from_60(told.rows.filter(kept).cast(schema), by_gravity)
    return Fetched(
        rows,
        _json(table, frame, reasons),
        spread=int((told.is_open & kept).sum()),
        columns=tuple(name for name, spec in specs.items() if set(spec.names) <= set(frame.columns)),
    )


def _require_columns(table: str, frame: pl.DataFrame, specs: Mapping[str, Column], mapped: Mapped, where: str) -> None:
    for name, spec in specs.items():
        missing = [one for one in spec.names if one not in frame.columns]
        given = spec.value is not None or (spec.column is not None and not missing)
        # A gauge may leave out a level; a table of readings without that column is one whose name has changed.
        is_told = not LAKE_TABLES[table].columns()[name].nullable or (table, name) == ("readings", "level_mm")
        is_done_without = spec.column is None and not is_told
        needed = (name in mapped.columns or is_told) and not is_done_without
        if not given and needed:
            found = ", ".join(frame.columns)
            raise SourceError(
                f"{where}: there is no column {(missing or [name])[0]!r} for {table}.{name} (there are: {found})",
                mend=f'name one of them under [sources.tables.{table}.columns]: {name} = "..."',
            )


def _raw(spec: Column, frame: pl.DataFrame, dtype: pl.DataType) -> pl.Expr:
    if spec.value is not None:
        return pl.lit(spec.value)
    if not spec.names or not set(spec.names) <= set(frame.columns):
        return pl.lit(None)
    value = pl.col(spec.names[0])
    if len(spec.names) > 1:
        parts = [pl.col(one).cast(pl.String).str.strip_chars() for one in spec.names]
        # Half a key would be the key of another.
        value = pl.concat_str(
            [pl.when(part != "").then(part) for part in parts], separator=" " if dtype.is_temporal() else "-"
        )
    if spec.words:
        text = value.cast(pl.String).str.strip_chars()
        return text.replace(spec.words)
    return value


def _not_empty(raw: pl.Series) -> pl.Series:
    if raw.dtype == pl.String:
        return raw.str.strip_chars() != ""
    if raw.dtype.is_float():
        return raw.is_finite()
    return pl.Series(raw.name, [True], dtype=pl.Boolean).new_from_index(0, len(raw))


def _read(name: str, wanted: pl.DataType, found: pl.DataType, spec: Column, mapped: Mapped) -> pl.Expr:
    """The value in the contract's type; times are still the source's wall clock."""
    value = pl.col(name)
    if isinstance(found, pl.Categorical | pl.Enum):
        value, found = value.cast(pl.String), pl.String()
    if found == pl.Null:
        naive = pl.Datetime("us") if isinstance(wanted, pl.Datetime) else wanted
        return value.cast(naive)
    text = value.str.strip_chars() if found == pl.String else value
    if isinstance(wanted, pl.Datetime):
        return _instant(text, found, mapped)
    if isinstance(wanted, pl.Date):
        return _date(text, mapped) if found == pl.String else value.cast(pl.Date)
    if isinstance(wanted, pl.Boolean):
        return _truth(text, found)
    if wanted.is_numeric():
        number = _number(text, found, mapped)
        if wanted.is_integer():
            return pl.when(number == number.round()).then(number).cast(wanted, strict=False)
        return converted(number, spec.unit) if spec.unit else number
    word = text.cast(pl.String)
    return pl.when(word != "").then(word)


def _date(text: pl.Expr, mapped: Mapped) -> pl.Expr:
    """ISO 8601, or as the dates of times are written."""
    head = _DATE_HEAD.match(mapped.time_format or "")
    forms = ["%Y-%m-%d", *([head.group()] if head else [])]
    return pl.coalesce(text.str.to_date(form, strict=False) for form in forms)


def _number(text: pl.Expr, found: pl.DataType, mapped: Mapped) -> pl.Expr:
    if found == pl.String:
        if mapped.decimal == ",":
            text = text.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
        text = text.cast(pl.Float64, strict=False)
    number = text.cast(pl.Float64, strict=False)
    return pl.when(number.is_finite()).then(number)


def _truth(text: pl.Expr, found: pl.DataType) -> pl.Expr:
    if found == pl.Boolean:
        return text
    low = text.cast(pl.String).str.to_lowercase()
    return pl.when(low.is_in(_TRUE)).then(True).when(low.is_in(_FALSE)).then(False)


def _instant(text: pl.Expr, found: pl.DataType, mapped: Mapped) -> pl.Expr:
    """UTC where the value says which zone it is in, else the source's wall clock; both without a zone."""
    form = mapped.time_format
    if isinstance(found, pl.Datetime):
        value = text.cast(pl.Datetime("us", found.time_zone))
        if found.time_zone is None:
            return value
        return value.dt.convert_time_zone(mapped.timezone).dt.replace_time_zone(None)
    if form in ("epoch_s", "epoch_ms"):
        number = text.cast(pl.Float64, strict=False) * (1e6 if form == "epoch_s" else 1e3)
        return number.round().cast(pl.Int64).cast(pl.Datetime("us"))
    if found != pl.String:
        return text.cast(pl.Datetime("us"), strict=False)
    if form is not None and (form == "iso_zoned" or "%z" in form):
        zoned = text.str.to_datetime("%+" if form == "iso_zoned" else form, time_unit="us", strict=False)
        return zoned.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    forms = [form] if form else ["%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"]
    naive = pl.coalesce(text.str.to_datetime(each, time_unit="us", strict=False) for each in forms)
    if form is not None or mapped.timezone != "UTC":
        return naive
    # With no word about zones in the settings, a text that names its own is taken at it.
    zoned = text.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%#z", time_unit="us", strict=False)
    return pl.coalesce(naive, zoned.dt.convert_time_zone("UTC").dt.replace_time_zone(None))


def _is_utc(mapped: Mapped) -> bool:
    form = mapped.time_format or ""
    return mapped.timezone == "UTC" or form in ("epoch_s", "epoch_ms", "iso_zoned") or "%z" in form


def _in_utc(read: pl.DataFrame, schema: pl.Schema, mapped: Mapped, table: str) -> InUtc:
    instants = [name for name, dtype in schema.items() if isinstance(dtype, pl.Datetime)]
    if _is_utc(mapped):
        nothing_open = pl.Series([False]).new_from_index(0, read.height)
        return InUtc(read.with_columns(pl.col(instants).dt.replace_time_zone("UTC")), nothing_open)
    return in_utc(table, read, mapped.timezone)


def _json(table: str, frame: pl.DataFrame, reasons: pl.Series) -> pl.DataFrame:
    """Refused rows as they came."""
    bad = frame.filter(reasons != "")
    if bad.is_empty():
        return REFUSED.to_frame()
    return pl.DataFrame(
        {
            "table": [table] * bad.height,
            "row": bad.select(pl.struct(pl.all().cast(pl.String)).struct.json_encode()).to_series(),
            "reason": reasons.filter(reasons != ""),
        },
        schema=REFUSED,
    )
