"""A catalogue of bad lakes, generated: every column of every table spoilt in every way that its type allows, every
file, every unit. A kind spoils one site of two, or a file, and says what a run over it leaves with.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, OPTIONAL_TABLES
from tests.support.lakes import START, rows, tiny_lake, write
from tests.support.site_mistakes import LATER, SITE_MISTAKES

Tables = dict[str, pl.DataFrame]
SITES_OWN = "what a site gets wrong"
TABLES = tuple(name for name in LAKE_TABLES if name != "labels")
KEYS = ("site_id", "tank_id", "meter_id", "sale_id", "delivery_id", "event_id")
DROP_AT = START + timedelta(hours=30)


@dataclass(frozen=True)
class BadLake:
    """What is spoilt and what a run leaves with.

    `spoil` changes tables before they are written, `break_files` the lake after it; `is_apart` is whether all that is
    spoilt is the first site's, so that nothing may change for the second; `retypes` whether a column gets another type.
    """

    name: str
    spoil: Callable[[Tables], Tables] = lambda tables: tables
    break_files: Callable[[Path], None] = lambda lake: None
    code: int = 0
    is_apart: bool = True
    retypes: bool = False

    @property
    def group(self) -> str:
        """What is wrong, whatever table or column it is wrong with."""
        return self.name.rpartition(": ")[2] if ": " in self.name else SITES_OWN

    @property
    def is_of_rows(self) -> bool:
        """Whether it spoils nothing but cells of one site: such can lie side by side."""
        return self.is_apart and self.code == 0 and not self.retypes and self.break_files is BadLake.break_files

    def write(self, lake: Path) -> Path:
        """Write the spoilt lake."""
        write(lake, self.spoil(fleet()))
        self.break_files(lake)
        return lake


def fleet() -> Tables:
    """Two sites, S1 with the tanks T1 and T2 and XS1 with XT1: three days, hourly readings, a drop of 2,000 l each."""
    tables = tiny_lake()
    lift = pl.when(pl.col("ts") > DROP_AT).then(400.0).otherwise(0.0) - 600.0
    tables["readings"] = tables["readings"].gather_every(4).with_columns(pl.col("level_mm") + lift)
    tables["deliveries"] = rows("deliveries", *(_ticket(name) for name in ("T1", "T2")))
    spoken = {"event_id": "E2", "ts": START + timedelta(hours=40), "site_id": "S1", "tank_id": "T1", "meter_id": "M-T1"}
    tables["events"] = pl.concat(
        [tables["events"], rows("events", {**spoken, "kind": "meter_calibrated", "note": "-"})]
    )
    is_lone = {"tank_id": pl.col("tank_id") == "T1", "meter_id": pl.col("meter_id") == "M-T1"}
    both = {}
    for name, frame in tables.items():
        key = next((key for key in ("tank_id", "meter_id") if key in frame.columns), None)
        other = frame if key is None or name == "events" else frame.filter(is_lone[key])
        both[name] = pl.concat([frame, _with_keys(other, lambda key: pl.lit("X") + key)])
    return both


def side_by_side(kinds: Sequence[BadLake]) -> BadLake:
    """All of them in one lake: each spoils a first site of its own, whose keys end in ``@`` and its number in `kinds`.

    Each has to be of rows alone. The second site, to which nothing may happen, is there once; empty keys stay empty.
    """
    assert all(kind.is_of_rows for kind in kinds)

    def spoil(tables: Tables) -> Tables:
        parts = {name: [frame.filter(_is_second(frame))] for name, frame in tables.items()}
        for number, kind in enumerate(kinds):
            for name, frame in kind.spoil(tables).items():
                own = frame.filter(~_is_second(frame))
                parts[name].append(_with_keys(own, lambda key, number=number: _numbered(key, number)))
        return {name: pl.concat(frames) for name, frames in parts.items()}

    return BadLake("side by side", spoil)


def _numbered(key: pl.Expr, number: int) -> pl.Expr:
    return pl.when(key == "").then(key).otherwise(key + pl.lit(f"@{number:02}"))


def _is_second(frame: pl.DataFrame) -> pl.Expr:
    """Rows of the second site; each table knows its place by the first of these keys."""
    key = next(key for key in ("site_id", "tank_id", "meter_id") if key in frame.columns)
    return pl.col(key).str.starts_with("X").fill_null(False)


def _with_keys(frame: pl.DataFrame, new: Callable[[pl.Expr], pl.Expr]) -> pl.DataFrame:
    """Rows under other keys."""
    return frame.with_columns(new(pl.col(key)).alias(key) for key in KEYS if key in frame.columns)


def _ticket(tank: str) -> dict:
    return {
        "delivery_id": f"D-{tank}", "tank_id": tank, "ts_ticket": DROP_AT, "ticket_volume_l": 2000.0,
        "ticket_temp_c": 15.0, "ticket_density_15_kg_m3": 840.0, "carrier": "Harl", "vehicle": "7", "terminal": "Quay",
    }  # fmt: skip


# -- Whose rows ------------------------------------------------------------------------------------


def here(table: str) -> pl.Expr:
    """Rows of a table that are the first site's, and its first tank's where the table knows tanks or meters."""
    columns = polars_schema(LAKE_TABLES[table])
    if table == "events" or not {"tank_id", "meter_id"} & set(columns):
        return pl.col("site_id") == "S1"
    return pl.col("tank_id") == "T1" if "tank_id" in columns else pl.col("meter_id") == "M-T1"


def _one(where: pl.Expr) -> pl.Expr:
    """The middle one of the rows that fit."""
    nth = where.cum_sum()
    return where & (nth == (where.sum() // 2).clip(lower_bound=1))


def _changed(table: str, column: str, where: pl.Expr, new: pl.Expr) -> Callable[[Tables], Tables]:
    value = pl.when(where).then(new).otherwise(column).alias(column)
    return lambda tables: {**tables, table: tables[table].with_columns(value)}


# -- Columns ---------------------------------------------------------------------------------------

NUMBERS = {
    "NaN": pl.lit(float("nan")), "infinite": pl.lit(float("inf")), "minus infinite": pl.lit(float("-inf")),
    "huge": pl.lit(1e300), "large": pl.lit(1e12), "hugely negative": pl.lit(-1e300), "negative": pl.lit(-3.0),
    "zero": pl.lit(0.0), "tiny": pl.lit(1e-300), "null": pl.lit(None, pl.Float64), "sentinel": pl.lit(-9999.0),
}  # fmt: skip
TEXTS = {
    "markup": "<script>alert(1)</script>", "quotes": "\"'`", "newlines": "a\r\nb\x1b[31m", 
    "a path": "../../etc/passwd", "9,000 characters": "x" * 9000, "bidirectional marks": "\u202ea\u2066b", "empty": "",
    "a formula": "=1+1", "nothing": None, "a nought character": "a\0b",
    "a template": "{{ 7 * 7 }}%s%n",
}  # fmt: skip
TIMES = {
    "null": pl.lit(None, pl.Datetime("us", "UTC")), "1970": pl.lit(datetime(1970, 1, 1, tzinfo=UTC)),
    "the year 1": pl.lit(datetime(1, 1, 1, tzinfo=UTC)), "2001": pl.lit(datetime(2001, 1, 1, tzinfo=UTC)),
    "the year before": None, "2200": pl.lit(datetime(2200, 1, 1, tzinfo=UTC)),
    "the year 9999": pl.lit(datetime(9999, 12, 31, tzinfo=UTC)), "an hour on": None, "two days on": None,
}  # fmt: skip
SHIFTS = {"the year before": "-1y", "an hour on": "1h", "two days on": "2d"}
DATES = {"null": None, "year 1": date(1, 1, 1), "year 9999": date(9999, 12, 31)}
WRONG = {
    pl.Float64: pl.lit("much"), pl.String: pl.lit(7), pl.Boolean: pl.lit("yes"), pl.Int8: pl.lit("two"),
    pl.Date: pl.lit("May"), pl.Datetime: pl.lit("noon"),
}  # fmt: skip


def _values(column: str, kind: pl.DataType) -> dict[str, pl.Expr]:
    if isinstance(kind, pl.Float64):
        return NUMBERS
    if isinstance(kind, pl.String):
        return {name: pl.lit(text, pl.String) for name, text in TEXTS.items()}
    if isinstance(kind, pl.Datetime):
        shifted = {name: pl.col(column).dt.offset_by(by) for name, by in SHIFTS.items()}
        return {name: shifted.get(name, value) for name, value in TIMES.items()}
    if isinstance(kind, pl.Date):
        return {name: pl.lit(day, pl.Date) for name, day in DATES.items()}
    if isinstance(kind, pl.Boolean):
        return {"null": pl.lit(None, pl.Boolean)}
    return {
        name: pl.lit(value, pl.Int8) for name, value in (("null", None), ("zero", 0), ("negative", -1), ("127", 127))
    }


def of_columns() -> Iterator[BadLake]:
    """One cell, and all of a tank's, of each column with each value; each column missing, and of a wrong type."""
    for table in TABLES:
        schema, columns = polars_schema(LAKE_TABLES[table]), LAKE_TABLES[table].columns()
        for column, kind in schema.items():
            for word, value in _values(column, kind).items():
                name = f"{table}.{column}: {word}"
                # It moves the fleet's last day of data on, as `LATER` do.
                is_apart = table != "readings" or word not in ("an hour on", "two days on")
                if table not in ("sites", "tanks"):
                    yield BadLake(f"{name} once", _changed(table, column, _one(here(table)), value), is_apart=is_apart)
                yield BadLake(f"{name} throughout", _changed(table, column, here(table), value), is_apart=is_apart)
            code = 0 if columns[column].nullable else 1 if table in OPTIONAL_TABLES else 2
            gone = _rewritten(table, lambda frame, column=column: frame.drop(column))
            yield BadLake(f"{table}.{column}: missing", break_files=gone, code=code, is_apart=False)
            wrong = WRONG[type(kind)].alias(column)
            other = _rewritten(table, lambda frame, wrong=wrong: frame.with_columns(wrong))
            yield BadLake(f"{table}.{column}: wrong type", break_files=other, code=max(code, 1), is_apart=False)


def _rewritten(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Path], None]:
    """Each of a table's files with its rows changed."""

    def rewrite(lake: Path) -> None:
        for path in _files(lake, table):
            change(pl.read_parquet(path, hive_partitioning=False)).write_parquet(path)

    return rewrite


def _files(lake: Path, table: str) -> list[Path]:
    return sorted(lake.glob(f"{table}/*/*.parquet")) or [lake / f"{table}.parquet"]


def _in(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Tables], Tables]:
    return lambda tables: {**tables, table: change(tables[table])}


def of_types() -> Iterator[BadLake]:
    """Instants in other zones, units and types, that mean the same or are refused; names that hold something else."""
    for table in TABLES:
        for column, kind in polars_schema(LAKE_TABLES[table]).items():
            if not isinstance(kind, pl.Datetime):
                continue
            at = pl.col(column)
            for word, value in (
                ("naive", at.dt.replace_time_zone(None)),
                ("a foreign zone", at.dt.convert_time_zone("Asia/Kathmandu")),
                ("in nanoseconds", at.dt.cast_time_unit("ns")),
                ("in milliseconds", at.dt.cast_time_unit("ms")),
            ):
                retype = _in(table, lambda frame, c=column, v=value: frame.with_columns(v.alias(c)))
                yield BadLake(f"{table}.{column}: {word}", retype, retypes=True)
    for key in ("site_id", "tank_id", "meter_id"):
        old = {"site_id": "S1", "tank_id": "T1", "meter_id": "M-T1"}[key]
        for word, text in TEXTS.items():
            if text:
                yield BadLake(f"every {key}: {word}", _renamed(key, old, text))


def _renamed(key: str, old: str, new: str) -> Callable[[Tables], Tables]:
    return lambda tables: {
        name: frame.with_columns(pl.col(key).replace(old, new)) if key in frame.columns else frame
        for name, frame in tables.items()
    }


# -- Units -----------------------------------------------------------------------------------------

UNITS = {
    ("readings", "level_mm"): {"inches": 1 / 25.4, "centimetres": 0.1, "metres": 0.001, "feet": 1 / 304.8,
                                "tenths": 10.0},
    ("readings", "water_mm"): {"inches": 1 / 25.4, "tenths": 10.0},
    ("readings", "density_kg_m3"): {"kilograms a litre": 0.001},
    ("strapping", "level_mm"): {"inches": 1 / 25.4, "centimetres": 0.1},
    ("strapping", "volume_l"): {"gallons": 1 / 3.785, "cubic metres": 0.001},
    ("sales", "volume_l"): {"gallons": 1 / 3.785, "millilitres": 1000.0},
    ("meter_totals", "total_l"): {"gallons": 1 / 3.785, "cubic metres": 0.001},
    ("deliveries", "ticket_volume_l"): {"gallons": 1 / 3.785, "cubic metres": 0.001},
    ("tanks", "diameter_mm"): {"metres": 0.001},
    ("tanks", "capacity_l"): {"cubic metres": 0.001},
}  # fmt: skip


def of_units() -> Iterator[BadLake]:
    """Each figure in another unit: one tank's for a day, one tank's for good, and everybody's."""
    for (table, column), units in UNITS.items():
        for word, factor in units.items():
            yield from _turned(table, column, word, pl.col(column) * factor)
    yield from _turned("readings", "temp_c", "kelvin", pl.col("temp_c") + 273.15)
    yield from _turned("readings", "temp_c", "Fahrenheit", pl.col("temp_c") * 1.8 + 32)
    yield from _turned("deliveries", "ticket_temp_c", "kelvin", pl.col("ticket_temp_c") + 273.15)


def _turned(table: str, column: str, word: str, value: pl.Expr) -> Iterator[BadLake]:
    if table in BY_DAY:
        day = pl.col("ts" if table != "sales" else "ts_end").dt.day() == 30
        yield BadLake(f"{table}.{column}: in {word} for a day", _changed(table, column, here(table) & day, value))
    yield BadLake(f"{table}.{column}: in {word}", _changed(table, column, here(table), value))
    yield BadLake(
        f"{table}.{column}: in {word} everywhere", _changed(table, column, pl.lit(True), value), is_apart=False
    )


# -- Files -----------------------------------------------------------------------------------------


def _junk(path: Path) -> None:
    path.write_bytes(bytes(range(256)) * 20)


def _cut(share: float) -> Callable[[Path], None]:
    def cut(path: Path) -> None:
        content = path.read_bytes()
        path.write_bytes(content[: int(len(content) * share)])

    return cut


def _other(path: Path) -> None:
    pl.DataFrame({"colour": ["red"]}).write_parquet(path)


BREAKS: dict[str, Callable[[Path], None]] = {
    "gone": Path.unlink, "empty": lambda path: path.write_bytes(b""), "cut at half": _cut(0.5),
    "cut at its end": _cut(0.98),
    "junk": _junk, "of another table": _other, "a folder": lambda path: (path.unlink(), path.mkdir()),
}  # fmt: skip


def of_files() -> Iterator[BadLake]:
    """Each table's files broken: one of them, and all; and such as hold the same in another way."""
    for table in TABLES:
        is_optional = table in OPTIONAL_TABLES
        for word, broken in BREAKS.items():
            is_absent = word in ("gone", "a folder")
            for many in (False, True) if table in BY_DAY else (True,):
                # Of a table in days the folder stays: a lake without a row of it yet.
                is_whole = many and not (is_absent and table in BY_DAY and table != "readings")
                code = 0 if is_absent and (is_optional or not is_whole) else 2 if is_whole and not is_optional else 1
                does = lambda lake, table=table, broken=broken, many=many: _each(lake, table, broken, many)  # noqa: E731
                name = f"{table}: {'every' if many else 'one'} file {word}"
                yield BadLake(name, break_files=does, code=code, is_apart=False)
        yield BadLake(
            f"{table}: rows shuffled", _in(table, lambda frame: frame.sample(fraction=1.0, shuffle=True, seed=1))
        )
        yield BadLake(f"{table}: rows doubled", _in(table, lambda frame: pl.concat([frame, frame])))
        if table in BY_DAY:
            yield BadLake(f"{table}: each day in one file", break_files=lambda lake, table=table: _flat(lake, table))
            yield BadLake(f"{table}: days misfiled", break_files=lambda lake, table=table: _misfiled(lake, table))


def _each(lake: Path, table: str, broken: Callable[[Path], None], many: bool) -> None:
    files = _files(lake, table)
    for path in files if many else files[1:2]:
        broken(path)


def _flat(lake: Path, table: str) -> None:
    folder = lake / table
    pl.read_parquet(folder / "*" / "*.parquet", hive_partitioning=False).write_parquet(lake / f"{table}.parquet")
    for path in folder.rglob("*.parquet"):
        path.unlink()


def _misfiled(lake: Path, table: str) -> None:
    days = sorted((lake / table).iterdir())
    days[0].rename(lake / table / "_first")
    days[1].rename(days[0])
    (lake / table / "_first").rename(days[1])


def catalogue() -> list[BadLake]:
    """Every bad lake, in order."""
    sites = [BadLake(name, mistake, is_apart=name not in LATER) for name, mistake in SITE_MISTAKES.items()]
    return [*of_columns(), *of_types(), *of_units(), *of_files(), *sites]
