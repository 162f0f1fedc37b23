"""Whether the run shows a danger to be gone, and how it does."""

from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import text
from pipeline.report.tables import Tables

# Water this near to where it stood before is back there; common practice, no source.
_BACK_MM = 3.0
_WATER = frozenset({"water_ingress", "phase_separation"})
_LEAKS = frozenset({"tank_leak", "line_leak"})
Row = Mapping[str, Any]


def how_gone(tables: Tables) -> Callable[[Row, ZoneInfo], str | None]:
    """A function from a case and its site's zone to how its danger is seen to be gone, None where it is not.

    Water: the last good reading stands where it stood before the case. A leak: a tightness test passed after it. A
    wrong product no gauge can show to be gone.
    """
    passed = defaultdict(list)
    for event in tables["events"].filter(pl.col("kind") == "tightness_test_passed").iter_rows(named=True):
        passed[event["tank_id"]].append(event["ts"])
    last = {r["tank_id"]: r for r in tables.rows("last_readings")}

    def gone(case: Row, tz: ZoneInfo) -> str | None:
        start, end, tank_id = case["ts_start"], case["ts_end"], case["tank_id"]
        if end is None or tank_id is None:
            return None
        if case["cause"] in _LEAKS:
            test = min((ts for ts in passed[tank_id] if ts >= end), default=None)
            return text.GONE_TEST.format(when=fmt.moment(test, tz)) if test else None
        seen = last.get(tank_id, {})
        if case["cause"] in _WATER and seen.get("water_mm") is not None and seen["ts"] > end:
            before = tables.of_tank("ledger", tank_id).filter(pl.col("ts_end") <= start)["water_end_mm"].drop_nulls()
            if len(before) and seen["water_mm"] <= before[-1] + _BACK_MM:
                now = fmt.quantity(seen["water_mm"], "mm")
                return text.GONE_WATER.format(
                    now=now, when=fmt.moment(seen["ts"], tz), before=fmt.quantity(before[-1], "mm")
                )
        return None

    return gone
