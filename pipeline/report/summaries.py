"""What the pages beside the worklist list: meters, hauliers, statements, gauges, refused rows, tanks, causes."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.contract.causes import CAUSE
from pipeline.report import data_text, text
from pipeline.report import format as fmt
from pipeline.report.case import Case
from pipeline.report.figures import METER_TOLERANCE_PCT
from pipeline.report.tables import Tables
from pipeline.report.worklist import bar

Row = dict[str, Any]
METER_SCALE = (-1.2, 1.2)
# What makes a gauge worth naming; common practice, no source. A deadband near 1 mm hides leaks of litres an hour.
_GAPS_H_A_DAY = 2.0
_BAD_SHARE = 0.05
_DEADBAND_MM = 0.9
_SKEW_S = 60.0
_EXAMPLES = 3
_EXAMPLE_LENGTH = 240


def meters(tables: Tables, site_names: Mapping[str, str]) -> list[Row]:
    """A row a meter and tank: its latest estimate, what was sold through it, and the verdict in words; worst first."""
    info = {r["meter_id"]: r for r in tables.rows("meters")}
    latest = (
        tables["meter_estimates"]
        .drop_nulls("error_pct")
        .group_by("meter_id", "tank_id", maintain_order=True)
        .agg(pl.col("^(sold|error|day).*$").last())
    )
    rows = []
    for row in latest.iter_rows(named=True):
        value, low, high = (row[c] for c in ("error_pct", "error_low_pct", "error_high_pct"))
        verdict = _meter_verdict(value, low, high)
        about = info.get(row["meter_id"], {})
        spot = " ".join(str(about[c]) for c in ("dispenser", "hose") if about.get(c))
        rows.append(
            row
            | {
                "site": site_names.get(about.get("site_id", ""), about.get("site_id") or ""), "spot": spot,
                "text": fmt.rounded(value, 2, signed=True), "verdict": verdict,
                "bar": bar(value, low, high, METER_SCALE),
                "span": span(low, high, signed=True),
            }
        )  # fmt: skip
    return sorted(rows, key=lambda r: (-abs(r["error_pct"]), r["meter_id"], r["tank_id"] or ""))


def span(low: float | None, high: float | None, *, signed: bool = False) -> str:
    """The words 'low to high' to two decimals; empty where either is not known."""
    if low is None or high is None:
        return ""
    return f"{fmt.rounded(low, 2, signed=signed)} to {fmt.rounded(high, 2, signed=signed)}"


def _known_sum(column: str) -> pl.Expr:
    """The sum of what is known of a column; null, not nought, where nothing is."""
    return pl.when(pl.col(column).count() > 0).then(pl.col(column).sum())


def meter_tolerance() -> dict[str, float] | None:
    """Where the tolerance stands on the scale that meters are drawn on."""
    return bar(0.0, -METER_TOLERANCE_PCT, METER_TOLERANCE_PCT, METER_SCALE)


def _meter_verdict(value: float, low: float | None, high: float | None) -> str:
    limit = METER_TOLERANCE_PCT
    low, high = value if low is None else low, value if high is None else high
    if low > limit:
        return "short"
    if high < -limit:
        return "gives"
    if -limit <= low and high <= limit:
        return "within"
    if abs(value) <= limit:
        return "likely" if high - low <= 2 * limit else "wide"
    return "short_maybe" if value > 0 else "gives_maybe"


def hauliers(tables: Tables) -> list[Row]:
    """A row a haulier: how far its drops were from their tickets, each tank's own chart and meters taken out.

    Empty where no haulier is named. What a tank's chart leaves in doubt all its drops share, so that it does not
    average away over them.
    """
    named = tables["deliveries"].select("delivery_id", "carrier")
    if named["carrier"].null_count() == named.height:
        return []
    seen = tables["drop_left"].join(named, on="delivery_id", how="left")
    by_tank = seen.group_by("carrier", "tank_id").agg(
        pl.len().alias("n"),
        pl.col("ticket_volume_l", "left_l", "chart_sd_l").sum(),
        pl.col("left_l").pow(2).sum().alias("_squares"),
        pl.col("left_sd_l").pow(2).sum().alias("_own"),
    )
    found = by_tank.group_by("carrier").agg(
        pl.col("n").sum(),
        pl.len().alias("tanks"),
        pl.col("ticket_volume_l").sum().alias("ticketed_l"),
        pl.col("left_l").sum().alias("sum_l"),
        pl.col("_squares", "_own").sum(),
        pl.col("chart_sd_l").pow(2).sum().alias("_shared"),
    )
    rows = []
    for row in found.iter_rows(named=True):
        n, mean = row["n"], row["sum_l"] / row["n"]
        spread = max(row["_squares"] - n * mean**2, 0.0) / (n - 1) * n if n > 1 else 0.0
        # The wider of what the drops' spread and their own stated errors say: few drops spread too little by luck.
        half = 1.96 * math.sqrt(max(spread, row["_own"] or 0.0) + (row["_shared"] or 0.0)) / n
        rows.append(
            row
            | {
                "name": row["carrier"] or text.NO_HAULIER, "mean_l": mean,
                "low_l": mean - half if half else None, "high_l": mean + half if half else None,
                "pct": 100 * row["sum_l"] / row["ticketed_l"] if row["ticketed_l"] else None,
            }
        )  # fmt: skip
    return sorted(rows, key=lambda r: (r["mean_l"], r["name"]))


def gauges(tables: Tables, tanks: Mapping[str, Row]) -> list[Row]:
    """A row a tank with data on its gauge's health: the last seven days in figures and in words; the worst first."""
    health = tables["health"]
    if health.is_empty():
        return []
    since = health["day"].max() - timedelta(days=6)  # type: ignore[operator]
    rows = []
    for row in of_days(health.filter(pl.col("day") >= since)).iter_rows(named=True):
        states = gauge_states(row)
        rows.append(row | {"states": states, "site": tanks.get(row["tank_id"], {}).get("site", "")})
    worst = list(data_text.GAUGE_STATES)
    return sorted(rows, key=lambda r: (worst.index(r["states"][0]), -len(r["states"]), r["tank_id"]))


def of_days(health: pl.DataFrame) -> pl.DataFrame:
    """A row a tank: its gauge's health over the days given."""
    return health.group_by("tank_id", maintain_order=True).agg(
        pl.col("readings", "bad_share", "gap_hours").mean(),
        pl.col("deadband_mm", "clock_skew_s").drop_nulls().last(),
        pl.col("is_stuck").any(),
    )


def gauge_states(row: Mapping[str, Any]) -> list[str]:
    """What is wrong with a gauge, the worst first; 'good' where nothing is."""
    found = {
        "stuck": bool(row["is_stuck"]),
        "silent": row["readings"] == 0,
        "gappy": (row["gap_hours"] or 0.0) > _GAPS_H_A_DAY,
        "blind": (row["deadband_mm"] or 0.0) >= _DEADBAND_MM,
        "late": abs(row["clock_skew_s"] or 0.0) > _SKEW_S,
        "bad": (row["bad_share"] or 0.0) > _BAD_SHARE,
    }
    return [s for s in data_text.GAUGE_STATES if found.get(s)] or ["good"]


def refused(tables: Tables) -> list[Row]:
    """A row a table and reason: how many rows were refused for it and the first few of them; the most first."""
    quarantine = tables["quarantine"]
    # A summary brings its counts along.
    n = pl.col("rows").sum() if "rows" in quarantine.columns else pl.len()
    found = quarantine.group_by("table", "reason", maintain_order=True).agg(
        n.alias("n"), pl.col("row").drop_nulls().head(_EXAMPLES).alias("examples")
    )
    rows = found.sort("n", "table", "reason", descending=[True, False, False]).iter_rows(named=True)
    return [r | {"examples": [_shortened(e) for e in r["examples"]]} for r in rows]


def _shortened(example: str) -> str:
    return example if len(example) <= _EXAMPLE_LENGTH else example[:_EXAMPLE_LENGTH] + "…"


def by_cause(cases: Sequence[Case]) -> list[Row]:
    """A row a cause: its cases, and the litres lost and gained in them, each weighed by its probability."""
    lost: dict[str, float] = defaultdict(float)
    gained: dict[str, float] = defaultdict(float)
    found: dict[str, int] = defaultdict(int)
    for case in cases:
        weighed = (case.row["litres"] or 0.0) * (case.row["probability"] or 0.0)
        found[case.cause] += 1
        if CAUSE[case.cause].is_at_stake:
            (lost if weighed < 0 else gained)[case.cause] += abs(weighed)
    total = math.fsum(lost.values())
    rows = [
        {"cause": c, "label": CAUSE[c].title, "n": n, "lost_l": lost[c], "gained_l": gained[c],
         "share": lost[c] / total if total else 0.0}
        for c, n in found.items()
    ]  # fmt: skip
    return sorted(rows, key=lambda r: (-r["lost_l"], -r["gained_l"], r["cause"]))


def tanks(tables: Tables, pages: Mapping[str, str], cases: Sequence[Case]) -> list[Row]:
    """A row a tank in the order of sites: what it is, what it sold and how far it strayed, with its page."""
    sites = {r["site_id"]: r for r in tables.rows("sites")}
    totals = (
        tables["tank_days"]
        .group_by("tank_id")
        .agg(
            _known_sum("sales_l").alias("throughput_l"),
            _known_sum("variance_l"),
            pl.len().alias("days"),
        )
    )
    by_tank = {r["tank_id"]: r for r in totals.iter_rows(named=True)}
    empty = {"throughput_l": None, "variance_l": None, "days": 0}
    open_cases: dict[str, int] = defaultdict(int)
    for case in cases:
        for tank_id in case.tanks if not case.is_past else ():
            open_cases[tank_id] += 1
    rows = []
    for tank in tables.rows("tanks"):
        tank_id = tank["tank_id"]
        sums = by_tank.get(tank_id, empty)
        site = sites.get(tank["site_id"], {})
        sold = sums["throughput_l"]
        rows.append(
            tank | sums
            | {
                "tank_id": tank_id, "site": site.get("name") or tank["site_id"] or "", "timezone": site.get("timezone"),
                "product_label": text.PRODUCTS.get(tank["product"], tank["product"] or ""), "href": pages[tank_id],
                "pct": None if sums["variance_l"] is None or not sold else 100 * sums["variance_l"] / sold,
                "cases": open_cases[tank_id],
            }
        )  # fmt: skip
    return rows
