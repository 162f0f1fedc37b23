"""How a file that nobody has described yet could be read as a table of the contract: a proposal, for a person to check.

Columns go by the words of their headings, times by the form in which all of them can be read, units by headings and,
where these say nothing, by what levels, temperatures and densities can be. What is not told is said and not filled in.
"""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.errors import ArgumentError
from pipeline.lake_file import BROKEN
from pipeline.sources.measures import quantity
from pipeline.sources.vocabulary import COLUMNS, IMPERIAL, TABLE_WORDS, UNIT_WORDS, words_of

ROWS: Final = 2000
"""Rows of a file that are looked at."""
_BYTES: Final = 2_000_000
_SEPARATORS: Final = ",;\t|"
_OTHER_ENCODING: Final = "cp1252"
_COMMA: Final = re.compile(r"^-?\d{1,3}(\.\d{3})*,\d+$|^-?\d+,\d+$")
FORMS: Final = (
    None, "iso_zoned", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M", "%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M %p",
    "%m/%d/%Y %I:%M %p", "%d-%b-%Y %H:%M:%S", "%Y%m%d%H%M%S", "%Y/%m/%d %H:%M:%S", "epoch_s", "epoch_ms",
)  # fmt: skip
"""Forms of times that are tried, in this order; None is ISO 8601 without a zone."""
_EPOCHS: Final = {"epoch_s": (5e8, 5e9), "epoch_ms": (5e11, 5e12)}
"""What counts of seconds and milliseconds since 1970 can be: 1985 to 2128."""
_FAHRENHEIT_FROM: Final = 45.0
"""Product whose middle temperature is above this is not told in °C. Common practice, no source."""
_LEVELS: Final = ((5.0, "m"), (160.0, "in"), (400.0, "cm"))
"""The largest level up to which it is in that unit; tanks are 1.2 to 4 m high. Common practice, no source."""
_DENSITIES: Final = ((2.0, "kg_l"), (10.0, "lb_gal_us"), (70.0, "lb_ft3"))
"""The same of fuels' densities, 650 to 1,000 kg/m³."""
_USUAL: Final = {"kind": "sale", "quality": "good"}
"""What every row is where sales have no kind and readings no quality."""


@dataclass(frozen=True)
class Told:
    """Where a column of the contract comes from, as `Column` of the settings, and what a person should check of it."""

    column: str | None = None
    unit: str | None = None
    value: str | None = None
    check: str | None = None


@dataclass(frozen=True)
class Proposal:
    """A file as a table of the contract: `columns` by the contract's name, and what is still `open`, a line each."""

    table: str
    separator: str
    encoding: str
    decimal: str
    time_format: str | None
    columns: Mapping[str, Told]
    open: Sequence[str] = field(default=())


def read_head(path: Path) -> tuple[pl.DataFrame, str, str]:
    """The first rows of a file, all as text where it is CSV, its separator and its encoding.

    Raises
    ------
    ArgumentError
        If it cannot be read, or has no row.
    """
    try:
        if path.suffix == ".parquet":
            frame, separator, encoding = pl.scan_parquet(path, glob=False).head(ROWS).collect(), ",", "utf-8"
        else:
            with path.open("rb") as file:
                text, encoding = _decoded(file.read(_BYTES))
            first = text.partition("\n")[0]
            separator = max(_SEPARATORS, key=first.count)
            whole = text if len(text) < _BYTES // 4 else text[: text.rindex("\n") + 1]
            frame = pl.read_csv(
                io.BytesIO(whole.encode()),
                separator=separator,
                infer_schema=False,
                n_rows=ROWS,
                truncate_ragged_lines=True,
            )
    except (*BROKEN, ValueError) as error:
        raise ArgumentError(f"{path} is not readable as {'Parquet' if path.suffix == '.parquet' else 'CSV'}") from error
    if frame.is_empty():
        raise ArgumentError(f"{path} holds no row")
    return frame, separator, encoding


def _decoded(content: bytes) -> tuple[str, str]:
    """The text, and its encoding: UTF-8 where it is that, whose last letter may have been cut."""
    try:
        return codecs.getincrementaldecoder("utf-8")().decode(content).removeprefix("\ufeff"), "utf-8"
    except UnicodeDecodeError:
        return content.decode(_OTHER_ENCODING, "replace"), _OTHER_ENCODING


def proposed(frame: pl.DataFrame, name: str, separator: str, encoding: str, table: str | None = None) -> Proposal:
    """How rows of a file of that name could be read; as `table`, or as the one that they fit best.

    Raises
    ------
    ArgumentError
        If its headings fit no table.
    """
    found = {one: _columns(one, frame.columns) for one in ([table] if table else COLUMNS)}
    best = max(found, key=lambda one: _fit(one, found[one], words_of(name)))
    if not found[best]:
        raise ArgumentError(f"none of {', '.join(frame.columns)} reads like a column of {table or 'a lake'}")
    texts = {one: frame[column].cast(pl.String).str.strip_chars() for one, column in found[best].items()}
    numbers = [
        texts[one] for one, dtype in polars_schema(LAKE_TABLES[best]).items() if dtype.is_numeric() and one in texts
    ]
    decimal = "," if any(_is_comma(one) for one in numbers) else "."
    written = [one for one in instants(best) if one in texts and frame.schema[found[best][one]] != pl.Datetime]
    time_format, doubt = _time_format([texts[one] for one in written])
    columns = {one: _with_unit(one, column, texts[one], decimal) for one, column in found[best].items()}
    columns |= _usual(best, columns)
    return Proposal(
        best,
        separator,
        encoding,
        decimal,
        time_format,
        columns,
        [*doubt, *_missing(best, columns), *_shared_keys(best, frame, columns), *_spare(frame, columns)],
    )


def instants(table: str) -> list[str]:
    """Columns of a table that are instants."""
    return [name for name, dtype in polars_schema(LAKE_TABLES[table]).items() if isinstance(dtype, pl.Datetime)]


def _columns(table: str, headings: Sequence[str]) -> dict[str, str]:
    """The heading of each column of a table that one fits, best fits first; each heading once."""
    called = COLUMNS[table]
    fits = sorted(
        (-(100 if heading == name else called[name].score(words_of(heading))), place, name, heading)
        for name in called
        for place, heading in enumerate(headings)
    )
    found: dict[str, str] = {}
    for score, _, name, heading in fits:
        if score < 0 and name not in found and heading not in found.values():
            found[name] = heading
    times = [one for one in ("ts_start", "ts_end") if one in called]
    if table == "sales" and len(set(times) & found.keys()) < len(times):
        # A till that writes one time for a sale.
        spare = [
            one for one in headings if one not in found.values() and COLUMNS["readings"]["ts"].score(words_of(one)) > 0
        ]
        only = found.get("ts_end") or found.get("ts_start") or (spare[0] if spare else None)
        found |= dict.fromkeys(times, only) if only else {}
    return found


def _fit(table: str, columns: Mapping[str, str], name: frozenset[str]) -> tuple[float, int]:
    schema = LAKE_TABLES[table].columns()
    needed = [one for one, about in schema.items() if not about.nullable and one not in _USUAL]
    share = len([one for one in needed if one in columns]) / len(needed)
    return share + (0.5 if name & TABLE_WORDS[table] else 0.0), len(columns)


def _is_comma(text: pl.Series) -> bool:
    said = text.drop_nulls().filter(text.drop_nulls() != "")
    return bool(np.mean(said.str.contains(_COMMA.pattern).to_numpy()) > 0.5) if len(said) else False


def _time_format(columns: Sequence[pl.Series]) -> tuple[str | None, list[str]]:
    """The form in which all times can be read; of two, that by which they lie closer together, and a line about it."""
    if not columns:
        return None, []
    every = pl.concat([one.alias("ts") for one in columns]).drop_nulls()
    every = every.filter(every != "").unique()
    spans = {form: span for form in FORMS if (span := _span(every, form)) is not None}
    if not spans:
        return None, [f'times such as {every[0]!r} are in no form that is known here: time_format = "..."'] if len(
            every
        ) else []
    least = min(spans.values())
    best = [form for form, span in spans.items() if span == least]
    doubt = [f"times such as {every[0]!r} can be {best[0]} or {best[1]}: check which"] if len(best) > 1 else []
    return best[0], doubt


def _span(texts: pl.Series, form: str | None) -> float | None:
    """Seconds between the first and the last instant, None where one cannot be read so."""
    if form in _EPOCHS:
        low, high = _EPOCHS[form]
        number = texts.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy()
        if not len(number) or not ((number >= low) & (number <= high)).all():
            return None
        return float(np.ptp(number)) * (1.0 if form == "epoch_s" else 1e-3)
    forms = (
        ["%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"] if form is None else [form]
    )
    if form == "iso_zoned":
        read = texts.str.to_datetime("%+", time_unit="us", strict=False)
    else:
        read = pl.select(
            pl.coalesce(pl.lit(texts).str.to_datetime(one, time_unit="us", strict=False) for one in forms)
        ).to_series()
    if read.null_count() or not len(read):
        return None
    return float(np.ptp(read.dt.epoch("us").to_numpy())) / 1e6


def _with_unit(name: str, heading: str, text: pl.Series, decimal: str) -> Told:
    """A column with its unit: by its heading, else by its figures, which a person has to check."""
    of = quantity(name)
    if not of:
        return Told(heading)
    words = words_of(heading)
    named = [UNIT_WORDS[of][word] for word in sorted(words) if word in UNIT_WORDS[of]]
    if of == "kg_m3" and "api" in words:
        return Told(None, check=f"{heading} is in degrees API, which is no density: left out")
    if named:
        unit = "gal_imp" if named[0] == "gal_us" and words & IMPERIAL else named[0]
        check = "gallons are taken as those of the United States" if unit == "gal_us" else None
        return Told(heading, None if unit in ("mm", "l", "degC", "kg_m3") else unit, check=check)
    own = {"mm": "millimetres", "l": "litres", "c": "°C", "kg_m3": "kg/m³"}[of]
    figures = _figures(text, decimal)
    if not len(figures):
        return Told(heading, check=f"no heading and no figure tells its unit: {own} are taken")
    told = f"{figures.min():g} to {figures.max():g}"
    by_figures = _by_figures(name, of, figures)
    if by_figures is None:
        return Told(heading, check=f"{told}: {own} are taken, no heading says so")
    return Told(heading, by_figures, check=f"{told}: by the figures")


def _figures(text: pl.Series, decimal: str) -> NDArray[np.float64]:
    if decimal == ",":
        text = text.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    number = text.cast(pl.Float64, strict=False).drop_nulls().to_numpy()
    return np.asarray(number[np.isfinite(number)])


def _by_figures(name: str, of: str, figures: NDArray[np.float64]) -> str | None:
    largest, middle = float(figures.max()), float(np.median(figures))
    if of == "c":
        return "degF" if middle > _FAHRENHEIT_FROM else None
    limits = _DENSITIES if of == "kg_m3" else _LEVELS if name == "level_mm" else ()
    return next((unit for most, unit in limits if 0.0 < largest <= most), None)


def _usual(table: str, columns: Mapping[str, Told]) -> dict[str, Told]:
    wanted = {"sales": "kind", "readings": "quality"}.get(table)
    if wanted is None or wanted in columns:
        return {}
    return {
        wanted: Told(value=_USUAL[wanted], check=f"there is no such column: every row is taken as {_USUAL[wanted]}")
    }


def _missing(table: str, columns: Mapping[str, Told]) -> Iterator[str]:
    for name, about in LAKE_TABLES[table].columns().items():
        if not about.nullable and name not in columns:
            yield f'nothing reads like {name}, which every lake needs: {name} = "..."'


def _shared_keys(table: str, frame: pl.DataFrame, columns: Mapping[str, Told]) -> Iterator[str]:
    """A line where one tank or meter stands under several sites: in a lake each has a name of its own."""
    sites = [one for one in frame.columns if COLUMNS["tanks"]["site_id"].score(words_of(one)) > 0]
    for name in ("tank_id", "meter_id"):
        key = columns[name].column if name in columns else None
        if key is None or not sites or sites[0] == key or table in ("sites", "events"):
            continue
        if frame.select(sites[0], key).n_unique() > frame[key].n_unique():
            yield f"{key} is the same at several of {sites[0]}: a lake has each {name} once, so put the two together"


def _spare(frame: pl.DataFrame, columns: Mapping[str, Told]) -> Iterator[str]:
    used = {one.column for one in columns.values()}
    spare = [one for one in frame.columns if one not in used]
    if spare:
        yield f"not used: {', '.join(spare)}"
