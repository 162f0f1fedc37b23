"""A small lake, typed by the contract, and how to put it on disk. Built by hand: it owes nothing to the simulator."""

import hashlib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, TIME_COLUMNS

START = datetime(2024, 3, 29, tzinfo=UTC)
"""Two days before the clocks of Europe change."""


def rows(table: str, *records: dict) -> pl.DataFrame:
    """Frame of a table of the lake; what a record leaves out is null."""
    schema = polars_schema(LAKE_TABLES[table])
    return pl.DataFrame([{name: record.get(name) for name in schema} for record in records], schema=schema)


def tiny_lake(*, days: int = 3, tanks: int = 2) -> dict[str, pl.DataFrame]:
    """One site with upright tanks (1 mm of level is 5 l), a meter each, a sale an hour and a reading a quarter hour.

    Every litre sold leaves the tank, so variance is zero but for the rounding of levels.
    """
    names = [f"T{number}" for number in range(1, tanks + 1)]
    charts = [{"tank_id": t, "valid_from": START, "level_mm": float(mm), "volume_l": 5.0 * mm}
              for t in names for mm in range(0, 2001, 100)]  # fmt: skip
    sales = [_sale(t, hour) for t in names for hour in range(24 * days)]
    return {
        "sites": rows(
            "sites",
            {"site_id": "S1", "name": "Ferrow Cross", "timezone": "Europe/Berlin", "trading_day_start": "06:00"},
        ),
        "tanks": rows("tanks", *(_tank(t) for t in names)),
        "strapping": rows("strapping", *charts),
        "meters": rows(
            "meters", *({"meter_id": f"M-{t}", "site_id": "S1", "dispenser": "1", "hose": t} for t in names)
        ),
        "meter_feeds": rows(
            "meter_feeds", *({"meter_id": f"M-{t}", "tank_id": t, "share": 1.0, "valid_from": START} for t in names)
        ),
        "readings": rows("readings", *(_reading(t, quarter) for t in names for quarter in range(96 * days))),
        "sales": rows("sales", *sales),
        "meter_totals": rows(
            "meter_totals",
            *(
                {"meter_id": f"M-{t}", "ts": START + timedelta(days=day), "total_l": 1000.0 + 240.0 * day}
                for t in names
                for day in range(days)
            ),
        ),
        "deliveries": rows("deliveries"),
        "events": rows(
            "events", {"event_id": "E1", "ts": START + timedelta(hours=5), "site_id": "S1", "kind": "power_loss"}
        ),
    }


def _tank(name: str) -> dict:
    return {
        "tank_id": name, "site_id": "S1", "product": "diesel_b7", "capacity_l": 10_000.0, "safe_fill_l": 9_500.0,
        "shape": "vertical_cylinder", "end_shape": "flat", "diameter_mm": 2523.1, "length_mm": 2000.0, "buried": True,
        "wall_count": 2,
    }  # fmt: skip


def _reading(tank: str, quarter: int) -> dict:
    hours_sold = (quarter + 3) // 4 if quarter % 4 else quarter // 4
    return {
        "tank_id": tank, "ts": START + timedelta(minutes=15 * quarter), "level_mm": 1900.0 - 2.0 * hours_sold,
        "water_mm": 0.0, "temp_c": 15.0, "density_kg_m3": None, "quality": "good",
    }  # fmt: skip


def _sale(tank: str, hour: int) -> dict:
    begin = START + timedelta(hours=hour, minutes=2)
    return {
        "sale_id": f"{tank}-{hour:04}", "meter_id": f"M-{tank}", "ts_start": begin,
        "ts_end": begin + timedelta(minutes=1), "volume_l": 10.0, "unit_price": 1.7, "kind": "sale",
    }  # fmt: skip


def write(lake: Path, tables: dict[str, pl.DataFrame]) -> Path:
    """Write tables as the contract lays them out; one file a day."""
    lake.mkdir(parents=True, exist_ok=True)
    for table, frame in tables.items():
        if table not in BY_DAY:
            frame.write_parquet(lake / f"{table}.parquet")
            continue
        (lake / table).mkdir(exist_ok=True)
        for day, part in days_of(table, frame).items():
            write_part(lake, table, day, part)
    return lake


def days_of(table: str, frame: pl.DataFrame) -> dict[date, pl.DataFrame]:
    """Rows of a table by the UTC day that the contract files them under."""
    keyed = frame.with_columns(_day=pl.col(TIME_COLUMNS[table]).dt.date())
    return {key[0]: part for key, part in keyed.partition_by("_day", as_dict=True, include_key=False).items()}


def write_part(lake: Path, table: str, day: date, part: pl.DataFrame, *, name: str = "part-0") -> Path:
    """Write one file of a day."""
    folder = lake / table / f"day={day}"
    folder.mkdir(parents=True, exist_ok=True)
    part.write_parquet(folder / f"{name}.parquet")
    return folder / f"{name}.parquet"


def digest(folder: Path) -> str:
    """Of every name, time of change and byte below a folder."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        total.update(f"{path.relative_to(folder)} {path.stat().st_mtime_ns}".encode())
        if path.is_file():
            total.update(path.read_bytes())
    return total.hexdigest()
