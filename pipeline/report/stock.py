"""What stands in each tank by its last good reading, and when that was."""

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from pipeline.ledger.gauge import seconds, strapping_of
from pipeline.report.tables import Tables

Row = dict[str, Any]
# So long before the fleet's newest reading a gauge's own is no longer the present; common practice, no source.
STALE = timedelta(hours=6)
_NOTHING: Row = dict.fromkeys(("at", "level_mm", "water_mm", "temp_c", "stock_l", "room_l"))


def last_stock(tables: Tables) -> dict[str, Row]:
    """Of each tank: `at`, `level_mm`, `water_mm`, `temp_c`, `stock_l`, `room_l` to safe fill, and `is_stale`.

    By the last reading that is not bad and within the tank, and the chart in force then; where the store has no such
    reading, by the last settled one. What is not known is None.
    """
    readings = {r["tank_id"]: r for r in tables.rows("last_readings")}
    found = {t["tank_id"]: _of_tank(tables, t, readings.get(t["tank_id"])) for t in tables.rows("tanks")}
    newest = max((r["at"] for r in found.values() if r["at"]), default=None)
    return {tank: row | {"is_stale": _is_stale(row["at"], newest)} for tank, row in found.items()}


def _is_stale(at: datetime | None, newest: datetime | None) -> bool:
    return at is None or newest is None or newest - at > STALE


def _of_tank(tables: Tables, tank: Row, reading: Row | None) -> Row:
    chart = tables.of_tank("strapping", tank["tank_id"])
    if reading is None or reading["level_mm"] is None or chart.is_empty():
        return _settled(tables, tank)
    at = tables["last_readings"].filter(tank_id=tank["tank_id"])["ts"]
    levels = np.array([reading["level_mm"], reading["water_mm"] or 0.0])
    held = np.maximum(levels, chart["level_mm"].to_numpy().min())
    gross, water = strapping_of(chart).volume_l(held, np.repeat(seconds(at), 2))
    if not np.isfinite(gross):
        return _settled(tables, tank)
    return _room(tank, gross, reading | {"at": reading["ts"], "stock_l": float(gross - np.nan_to_num(water))})


def _settled(tables: Tables, tank: Row) -> Row:
    ledger = tables.of_tank("ledger", tank["tank_id"]).drop_nulls("level_end_mm").tail(1)
    if ledger.is_empty():
        return dict(_NOTHING)
    row = ledger.row(0, named=True)
    seen = {
        "at": row["ts_end"], "level_mm": row["level_end_mm"], "water_mm": row["water_end_mm"],
        "temp_c": row["temp_end_c"], "stock_l": row["gauge_end_l"],
    }  # fmt: skip
    return _room(tank, row["gauge_end_l"], seen)


def _room(tank: Row, gross_l: float | None, seen: Row) -> Row:
    safe = tank["safe_fill_l"]
    room = None if safe is None or gross_l is None else float(safe - gross_l)
    return {name: seen.get(name) for name in _NOTHING} | {"room_l": room}
