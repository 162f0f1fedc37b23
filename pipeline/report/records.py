"""What is saved of a page's tables: whole cells, each with its name and unit, by the key of its row.

A cell holds one value as a spreadsheet takes it; which rows are saved, and in which order, the page decides by what it
shows.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.case import Case

Row = Mapping[str, Any]
Records = dict[str, Any]


def case_records(cases: Sequence[Case]) -> Records:
    """The worklist: a row a case."""
    columns = (
        "case_id", "urgency", "state", "cause", "site_id", "tank_id", "meter_id", "delivery_id", "ts_start", "ts_end",
        "litres", "litres_low", "litres_high", "rate_l_per_h", "meter_error_pct", "probability",
    )  # fmt: skip
    names = [{"litres": "litres_l", "litres_low": "litres_low_l", "litres_high": "litres_high_l"}.get(c, c)
             for c in columns]  # fmt: skip
    rows = {
        str(c.row["case_id"]): [
            *_cells(dict(c.row) | {"urgency": c.urgency, "state": c.state}, columns),
            c.site, c.product_label, ", ".join(c.tanks), None if c.money is None else round(c.money, 2), c.currency,
            c.state_words, c.said.owner, _cell(c.said.due_on), c.summary, c.row["action"],
        ]
        for c in cases
    }  # fmt: skip
    more = [
        "site",
        "product",
        "tanks",
        "at_stake",
        "currency",
        "where_it_stands",
        "in_hand",
        "due_on",
        "summary",
        "action",
    ]
    return {"columns": names + more, "rows": rows}


def statement_records(rows: Sequence[Row]) -> Records:
    """The statements: a row a tank and month."""
    columns = (
        "tank_id", "site", "month", "label", "verdict", "reason", "leak_rate_l_per_h", "leak_rate_low",
        "leak_rate_high", "detectable_l_per_h", "throughput_l", "variance_l", "allowance_l",
    )  # fmt: skip
    names = [f"{c}_l_per_h" if c in ("leak_rate_low", "leak_rate_high") else c for c in columns]
    told = {key(r): [*_cells(r, columns), "; ".join(n["words"] for n in r["notes"])] for r in rows}
    return {"columns": [*names, "also"], "rows": told}


def key(statement: Row) -> str:
    """What a statement's row goes by."""
    return f"{statement['tank_id']} {statement['month']}"


def tank_records(rows: Sequence[Row], pools: Mapping[str, str]) -> Records:
    """The fleet's tanks: a row a tank."""
    columns = (
        "tank_id", "site", "product_label", "at", "stock_l", "room_l", "water_mm", "temp_c", "is_stale", "throughput_l",
        "variance_l", "cases",
    )  # fmt: skip
    told = {
        str(r["tank_id"]): [
            *_cells(r, columns), pools.get(r["tank_id"], ""), r["statement"]["label"] if r["statement"] else ""
        ]
        for r in rows
    }  # fmt: skip
    names = ["product" if c == "product_label" else "read_at" if c == "at" else c for c in columns]
    return {"columns": [*names, "joined", "latest_statement"], "rows": told}


def meter_records(rows: Sequence[Row]) -> Records:
    """The meters: a row a meter and tank."""
    columns = (
        "meter_id", "tank_id", "site", "spot", "sold_l", "error_pct", "error_low_pct", "error_high_pct", "verdict",
        "day",
    )  # fmt: skip
    return {
        "columns": list(columns), "rows": {f"{r['meter_id']} {r['tank_id']}": _cells(r, columns) for r in rows},
    }  # fmt: skip


def day_records(tank_id: str, rows: Sequence[Row]) -> Records:
    """A tank's day sheet: a row a trading day."""
    columns = (
        "trading_day", "opening_stock_l", "deliveries_l", "sales_l", "book_stock_l", "closing_stock_l", "variance_l",
        "explained_l", "left_l", "is_anomalous",
    )  # fmt: skip
    return {
        "columns": ["tank_id", *columns], "rows": {str(r["trading_day"]): [tank_id, *_cells(r, columns)] for r in rows},
    }  # fmt: skip


def chart_records(rows: Sequence[Row]) -> Records:
    """The fleet's charts: a row a tank."""
    columns = (
        "tank_id", "product_label", "verdict", "reason", "daily_l", "daily_pct", "wrong", "off_l", "off_sd_l",
        "off_low_mm", "off_high_mm", "stray_between_drops_l", "stray_between_drops_corrected_l", "days",
    )  # fmt: skip
    named = {"product_label": "product", "daily_l": "daily_l_per_month", "wrong": "wrong_probability"}
    return {
        "columns": [named.get(c, c) for c in columns], "rows": {str(r["tank_id"]): _cells(r, columns) for r in rows},
    }  # fmt: skip


def _cells(row: Row, columns: Sequence[str]) -> list[Any]:
    return [_cell(row[c]) for c in columns]


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4)
    return value if value is None or isinstance(value, bool | int | str) else str(value)
