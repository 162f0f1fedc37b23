"""How a file that nobody has described yet could be read as a table of the contract: a proposal, for a person to check.

Columns go by the words of their headings, times by the form in which all of them can be read, units by headings and,
where these say nothing, by what levels, temperatures and densities can be. What is not told is said and not filled in.
"""

from __future__ import annotations

import codecs
import io
import json
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
from pipeline.sources.measures import API, quantity
from pipeline.sources.time_forms import time_form
from pipeline.sources.vocabulary import CLOCK, COLUMNS, DATE, IMPERIAL, TABLE_WORDS, UNIT_WORDS, words_of

ROWS: Final = 2000
"""Rows of a file that are looked at."""
_BYTES: Final = 2_000_000
_SEPARATORS: Final = ",;\t|"
_OTHER_ENCODING: Final = "cp1252"
_COMMA: Final = re.compile(r"^-?\d{1,3}(\.\d{3})*,\d+$|^-?\d+,\d+$")
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

    column: str | tuple[str, ...] | None = None
    unit: str | None = None
    value: str | None = None
    check: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Columns of the file that it is made of."""
        return (self.column,) if isinstance(self.column, str) else self.column or ()


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
    times = _with_dates(best, frame.columns, found[best])
    texts = {one: _text(frame, times.get(one, column)) for one, column in found[best].items()}
    numbers = [
        texts[one] for one, dtype in polars_schema(LAKE_TABLES[best]).items() if dtype.is_numeric() and one in texts
    ]
    decimal = "," if any(_is_comma(one) for one in numbers) else "."
    time_format, doubt = time_form([texts[one] for one in _written(best, found[best], frame)])
    columns = {one: _with_unit(one, column, texts[one], decimal) for one, column in found[best].items()}
    columns |= {one: Told(column) for one, column in times.items()}
    columns |= _usual(best, columns) | _whole_keys(best, frame, columns)
    return Proposal(
        best,
        separator,
        encoding,
        decimal,
        time_format,
        columns,
        [*doubt, *_missing(best, columns), *_half_keys(best, frame, columns), *_spare(frame, columns)],
    )


def _text(frame: pl.DataFrame, columns: str | Sequence[str]) -> pl.Series:
    names = [columns] if isinstance(columns, str) else columns
    parts = [pl.col(one).cast(pl.String).str.strip_chars() for one in names]
    return frame.select(pl.concat_str(parts, separator=" ")).to_series()


def _with_dates(table: str, headings: Sequence[str], found: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Instants whose date stands in one column and whose time of day in another."""
    dates = [one for one in headings if words_of(one) & DATE and not words_of(one) & CLOCK]
    clocks = [one for one in headings if words_of(one) & CLOCK and not words_of(one) & DATE]
    spare = [one for one in clocks if one not in found.values()]
    joined = {}
    for name in instants(table):
        if len(dates) == 1 and found.get(name) in clocks:
            joined[name] = (dates[0], found[name])
        elif len(dates) == len(spare) == 1 and found.get(name) == dates[0]:
            joined[name] = (dates[0], spare[0])
    return joined


def _written(table: str, found: Mapping[str, str], frame: pl.DataFrame) -> list[str]:
    """Columns that are times in text; dates where the table has no times."""
    schema = polars_schema(LAKE_TABLES[table])
    dates = [name for name, dtype in schema.items() if dtype == pl.Date and name in found]
    times = [name for name in instants(table) if name in found]
    return [one for one in times or dates if not frame.schema[found[one]].is_temporal()]


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


def _with_unit(name: str, heading: str, text: pl.Series, decimal: str) -> Told:
    """A column with its unit: by its heading, else by its figures, which a person has to check."""
    of = quantity(name)
    if not of:
        return Told(heading)
    words = words_of(heading)
    named = [UNIT_WORDS[of][word] for word in sorted(words) if word in UNIT_WORDS[of]]
    if of == "kg_m3" and "api" in words:
        return Told(heading, API, check="API gravity is taken to be that at 60 °F")
    if named:
        unit = named[0].replace("gal_us", "gal_imp") if words & IMPERIAL else named[0]
        check = "gallons are taken as those of the United States" if unit.endswith("gal_us") else None
        return Told(heading, None if unit in ("mm", "l", "degC", "kg_m3", "per_l") else unit, check=check)
    own = {"mm": "millimetres", "l": "litres", "c": "°C", "kg_m3": "kg/m³", "per_l": "prices a litre"}[of]
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
    if of == "per_l":
        return None
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
            always = ', or for all time { value = "2000-01-01 00:00" }' if name == "valid_from" else ""
            yield f'nothing reads like {name}, which every lake needs: {name} = "..."{always}'


@dataclass(frozen=True)
class _Key:
    """A key of a file: its column, or several, and the site's column, where one stands beside."""

    name: str
    parts: tuple[str, ...]
    site: str | None
    is_shared: bool


def _keys(table: str, frame: pl.DataFrame, columns: Mapping[str, Told]) -> Iterator[_Key]:
    """Keys that a site, or a pump and its hose, may tell only together."""

    def heading(of: str, column: str) -> str | None:
        return next((one for one in frame.columns if COLUMNS[of][column].score(words_of(one)) > 0), None)

    site = heading("tanks", "site_id")
    pump, hose = heading("meters", "dispenser"), heading("meters", "hose")
    for name in ("tank_id", "meter_id", "sale_id", "delivery_id", "event_id"):
        parts = columns[name].names if name in columns else ()
        is_hose = name == "meter_id" and (table == "meters" or bool(parts)) and not set(parts) - {pump, hose}
        if is_hose and pump is not None and hose is not None and pump != hose:
            parts = (pump, hose)
        if parts and table != "sites":
            beside = None if site in parts else site
            whole = frame.select(beside, *parts) if beside else frame.select(parts)
            yield _Key(name, parts, beside, whole.n_unique() > frame.select(parts).n_unique())


def _whole_keys(table: str, frame: pl.DataFrame, columns: Mapping[str, Told]) -> dict[str, Told]:
    """Keys that are the same at several sites with the site in front, and hoses with their pump."""
    whole = {}
    for key in _keys(table, frame, columns):
        said = " and ".join(key.parts)
        if key.site is not None and key.is_shared:
            verb = "is" if len(key.parts) == 1 else "are"
            check = f"{said} {verb} the same at several of {key.site}, and a lake has each {key.name} once"
            whole[key.name] = Told((key.site, *key.parts), check=check)
        elif len(key.parts) > 1:
            whole[key.name] = Told(key.parts, check=f"{said} are taken to be one {key.name}")
    return whole


def _half_keys(table: str, frame: pl.DataFrame, columns: Mapping[str, Told]) -> Iterator[str]:
    """A line about each key that this file has once, and another site's file may have again."""
    for key in _keys(table, frame, columns):
        if key.site is not None and key.name in ("tank_id", "meter_id", "sale_id"):
            whole = json.dumps([key.site, *key.parts])
            yield f"{key.name} is taken without {key.site}: where another site has the same, put {key.name} = {whole}"


def _spare(frame: pl.DataFrame, columns: Mapping[str, Told]) -> Iterator[str]:
    used = {name for one in columns.values() for name in one.names}
    spare = [one for one in frame.columns if one not in used]
    if spare:
        yield f"not used: {', '.join(spare)}"
