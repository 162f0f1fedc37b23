"""Invented, plausible frames for the report: the tables of a run without a run, seeded, of any size.

Nothing here measures anything: the figures only look like a fleet's. Litres close by construction
(opening + deliveries - sales + variance = closing; a day's parts add up to its variance).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import CAUSES_WITH_DELIVERY, CAUSES_WITH_METER

FIRST_DAY = date(2026, 1, 12)
SITES = (
    ("S01", "Harbour Road", "Europe/Lisbon", "EUR"),
    ("S02", "Mill Bridge", "Europe/Berlin", "EUR"),
    ("S03", "Northgate", "Europe/Berlin", "EUR"),
    ("S04", "Quarry Lane", "Europe/Warsaw", "EUR"),
    ("S05", "Airport West", "Europe/Lisbon", "EUR"),
    ("S06", "Old Dairy", "Europe/Vienna", "EUR"),
)
PRODUCTS = ("diesel_b7", "gasoline_e5", "gasoline_e10", "diesel_b7")
HAULIERS = ("Brook Haulage", "Tern Fuels", "Westline")
STEP_MINUTES = 30
TS = pl.Datetime("us", "UTC")


@dataclass(frozen=True)
class Story:
    """One case to tell: which tank, from which day before the end, and what it costs a day or at once."""

    cause: str
    tank: int
    days_before_end: int
    litres_per_day: float = 0.0
    litres_at_once: float = 0.0
    urgency: str = "this_week"
    probability: float = 0.8
    is_over: bool = False
    has_litres: bool = True


STORIES = (
    Story("tank_leak", 1, 24, litres_per_day=-14.5, urgency="act_now", probability=0.97),
    Story("phase_separation", 6, 2, urgency="act_now", probability=0.91, has_litres=False),
    Story("bulk_theft", 3, 2, litres_at_once=-842.0, urgency="today", probability=0.95, is_over=True),
    Story("short_delivery", 0, 3, litres_at_once=-213.0, urgency="today", probability=0.88, is_over=True),
    Story("missing_ticket", 9, 1, litres_at_once=880.0, urgency="today", probability=0.99, is_over=True),
    Story("slow_theft", 4, 20, litres_per_day=-9.0, urgency="this_week", probability=0.74),
    Story("meter_drift", 2, 31, litres_per_day=-21.0, urgency="this_week", probability=0.93),
    Story("missing_sales", 8, 9, litres_per_day=-32.0, urgency="this_week", probability=0.83),
    Story("water_ingress", 5, 11, litres_per_day=3.1, urgency="this_week", probability=0.86),
    Story("line_leak", 11, 15, litres_per_day=-6.5, urgency="this_week", probability=0.58),
    Story("wrong_product", 10, 4, urgency="today", probability=0.77, is_over=True, has_litres=False),
    Story("wrong_feed", 7, 18, litres_per_day=410.0, urgency="this_week", probability=0.96),
    Story("chart_error", 12, 40, urgency="watch", probability=0.81, has_litres=False),
    Story("probe_fault", 13, 6, urgency="this_week", probability=0.98, has_litres=False),
    Story("clock_skew", 14, 12, urgency="watch", probability=0.9, has_litres=False),
    Story("over_delivery", 15, 7, litres_at_once=96.0, urgency="watch", probability=0.55, is_over=True),
    Story("bulk_theft", 0, 40, litres_at_once=-420.0, urgency="today", probability=0.9, is_over=True),
    Story("unexplained", 2, 5, litres_at_once=-310.0, urgency="watch", probability=0.44, is_over=True),
)


def build_frames(
    *, tank_count: int = 20, days: int = 75, seed: int = 7, hostile: str | None = None
) -> dict[str, pl.DataFrame]:
    """Frames by name as the report takes them; `hostile` replaces every free text with it."""
    rng = np.random.default_rng(seed)
    fleet = _fleet(tank_count)
    stories = [s for s in STORIES if s.tank < tank_count and s.days_before_end < days]
    per_tank = [_tank_history(i, row, days, stories, rng) for i, row in enumerate(fleet["tanks"].iter_rows(named=True))]
    names = ("hose_days", "ledger", "tank_days", "variance_parts", "drops", "drop_left", "drop_tickets", "draws",
             "deliveries", "health", "meter_estimates")  # fmt: skip
    frames = fleet | {n: pl.concat([t[n] for t in per_tank], how="vertical_relaxed") for n in names}
    frames |= _cases(stories, frames, days, rng)
    frames["statements"] = _statements(frames["tank_days"], rng)
    frames["quarantine"] = _quarantine()
    frames["prices"] = pl.DataFrame(
        {"product": sorted(set(PRODUCTS)), "price": [1.61, 1.74, 1.69], "currency": ["EUR"] * 3}
    )
    frames["run_log"] = pl.DataFrame(
        {"stage": ["ingest", "ledger", "cases"], "day": [last_day(days)] * 3, "rows": [tank_count * days * 1440, 0, 17]}
    )
    return _with_hostile_text(frames, hostile) if hostile else frames


def last_day(days: int = 75) -> date:
    """The last UTC day of data of `build_frames(days=days)`."""
    return FIRST_DAY + timedelta(days=days - 1)


def _fleet(tank_count: int) -> dict[str, pl.DataFrame]:
    sites = list(SITES)
    while len(sites) * 4 < tank_count:
        n = len(sites) + 1
        sites.append((f"S{n:02d}", f"Site {n}", "Europe/Berlin", "EUR"))
    sites = sites[: max(1, -(-tank_count // 4))] if tank_count < 24 else sites
    tanks, meters, feeds = [], [], []
    start = datetime.combine(FIRST_DAY, time(), UTC)
    for i in range(tank_count):
        site, product = sites[i % len(sites)][0], PRODUCTS[(i // len(sites)) % 4]
        tank_id = f"{site}-T{i // len(sites) + 1}"
        length = 6110.0 + 1500.0 * (i % 3)
        capacity = round(np.pi * 1.25**2 * length, -1)
        tanks.append((tank_id, site, product, capacity, round(0.95 * capacity, -1), 2500.0, length))
        for hose in range(4):
            meter_id = f"{tank_id}-M{hose + 1}"
            meters.append((meter_id, site, f"P{hose // 2 + 1}", f"H{hose + 1}"))
            feeds.append((meter_id, tank_id, 1.0, start, None))
    return {
        "sites": pl.DataFrame(
            [(*s[:3], "06:00", s[3]) for s in sites],
            schema=["site_id", "name", "timezone", "trading_day_start", "currency"],
            orient="row",
        ),
        "tanks": pl.DataFrame(
            tanks,
            schema=["tank_id", "site_id", "product", "capacity_l", "safe_fill_l", "diameter_mm", "length_mm"],
            orient="row",
        ).with_columns(
            shape=pl.lit("horizontal_cylinder"),
            end_shape=pl.lit("torispherical"),
            buried=pl.lit(True),
            wall_count=pl.lit(2, pl.Int8),
            manifold_id=pl.lit(None, pl.String),
            commissioned_on=pl.lit(date(2009, 5, 4)),
        ),
        "meters": pl.DataFrame(meters, schema=["meter_id", "site_id", "dispenser", "hose"], orient="row"),
        "meter_feeds": pl.DataFrame(
            feeds,
            schema={"meter_id": pl.String, "tank_id": pl.String, "share": pl.Float64, "valid_from": TS, "valid_to": TS},
            orient="row",
        ),
    }


def _level_mm(volume_l: np.ndarray, diameter_mm: float, length_mm: float) -> np.ndarray:
    level = np.linspace(0.0, diameter_mm, 400)
    r = diameter_mm / 2
    area = r**2 * np.arccos(1 - level / r) - (r - level) * np.sqrt(np.maximum(2 * r * level - level**2, 0.0))
    return np.interp(volume_l, area * length_mm / 1e6, level)


def _tank_history(
    index: int, tank: dict, days: int, stories: Sequence[Story], rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    """Half-hour intervals of one tank, then everything that is made from them."""
    per_day = 24 * 60 // STEP_MINUTES
    n = days * per_day
    hour = (np.arange(n) % per_day) * STEP_MINUTES / 60
    profile = np.clip(np.sin((hour - 5.0) / 18.0 * np.pi), 0.0, None) ** 1.2
    daily = 3200.0 + 900.0 * (index % 4)
    sold = rng.poisson(profile / profile.sum() * days * daily / 31.0) * rng.normal(31.0, 4.0, n).clip(10)
    noise_sd = np.where(sold > 0, 5.2, 1.6)
    loss, draws = np.zeros(n), []
    for story in (s for s in stories if s.tank == index and s.has_litres):
        first = (days - story.days_before_end) * per_day
        if story.cause != "wrong_feed":
            loss[first:] += story.litres_per_day / per_day
        if story.litres_at_once:
            at = first + 4
            loss[at] += story.litres_at_once
            draws.append((at, story.litres_at_once))
    delivered, gain = np.zeros(n), np.zeros(n)
    stock = np.empty(n + 1)
    stock[0] = 0.62 * tank["capacity_l"]
    for i in range(n):
        if stock[i] < 0.27 * tank["capacity_l"] and i % 9 == 0:
            delivered[i] = round(0.5 * tank["capacity_l"], -2)
            gain[i] = delivered[i] + rng.normal(0.0, 14.0)
        stock[i + 1] = stock[i] - sold[i] + gain[i] + loss[i]
    wander = np.cumsum(rng.normal(0.0, 0.35, n + 1)) * 0.2
    gauge = stock + rng.normal(0.0, 1.8, n + 1) + wander
    return _frames_of_tank(index, tank, days, (gauge, sold, delivered, gain, loss, noise_sd, draws), rng)


def _frames_of_tank(
    index: int, tank: dict, days: int, history: tuple, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    gauge, sold, delivered, gain, loss, noise_sd, draws = history
    n, tank_id = len(sold), tank["tank_id"]
    start = datetime.combine(FIRST_DAY, time(), UTC)
    ts = [start + timedelta(minutes=STEP_MINUTES * i) for i in range(n + 1)]
    level = _level_mm(gauge, tank["diameter_mm"], tank["length_mm"])
    water = 11.0 + 0.02 * np.arange(n) / 48 + (0.9 * np.maximum(np.arange(n) / 48 - days + 11, 0.0) * (index == 5))
    residual = np.diff(gauge) - gain + sold
    ledger = pl.DataFrame(
        {
            "tank_id": [tank_id] * n, "ts_start": ts[:-1], "ts_end": ts[1:], "day": [t.date() for t in ts[:-1]],
            "level_start_mm": level[:-1], "level_end_mm": level[1:], "water_end_mm": water,
            "temp_end_c": 9.0 + 4.0 * np.sin(np.arange(n) / n * 3.1) + rng.normal(0, 0.04, n),
            "gauge_start_l": gauge[:-1], "gauge_end_l": gauge[1:], "delivered_l": delivered, "sold_l": sold,
            "pump_hours": sold / 2100.0, "residual_l": residual, "noise_sd_l": noise_sd, "is_quiet": sold == 0,
        },
        schema_overrides={"ts_start": TS, "ts_end": TS},
    )  # fmt: skip
    drop_at = np.flatnonzero(delivered)
    ids = [f"D-{tank_id}-{i}" for i in drop_at]
    drops = pl.DataFrame(
        {
            "tank_id": [tank_id] * len(ids), "drop_id": [f"drop-{i}" for i in ids],
            "ts_start": [ts[i] for i in drop_at], "ts_end": [ts[i + 1] for i in drop_at], "gain_l": gain[drop_at],
            "sold_during_l": sold[drop_at], "delivery_id": ids, "ticket_volume_l": delivered[drop_at],
            "mismatch_l": gain[drop_at] - delivered[drop_at] + loss[drop_at], "mismatch_sd_l": np.full(len(ids), 18.3),
        },
        schema_overrides={"ts_start": TS, "ts_end": TS}
        | dict.fromkeys(("drop_id", "delivery_id", "tank_id"), pl.String),
    )  # fmt: skip
    # Of each difference six tenths are the chart's and two are left; what no line has is the settling's.
    apart = {"temperature_l": 0.1, "chart_l": 0.6, "meters_l": 0.05, "left_l": 0.2}
    drop_left = drops.select(
        "tank_id", "drop_id", "delivery_id", "ticket_volume_l",
        *((pl.col("mismatch_l") * k).alias(c) for c, k in apart.items()),
        left_sd_l=pl.lit(24.0), chart_sd_l=pl.lit(7.0),
    )  # fmt: skip
    deliveries = drops.select(
        "delivery_id", "tank_id", ts_ticket="ts_start", ticket_volume_l="ticket_volume_l",
        carrier=pl.lit(HAULIERS[index % 3]), vehicle=pl.lit(f"V{index % 5}"), terminal=pl.lit("Estuary depot"),
    )  # fmt: skip
    taken = pl.DataFrame(
        [(tank_id, ts[i], ts[i + 1], -v, 6.0, "idle") for i, v in draws if v < 0],
        schema={
            "tank_id": pl.String, "ts_start": TS, "ts_end": TS, "litres": pl.Float64, "sd_l": pl.Float64,
            "kind": pl.String,
        },
        orient="row",
    )  # fmt: skip
    return {
        "ledger": ledger, "drops": drops, "drop_left": drop_left,
        "drop_tickets": drops.select("tank_id", "drop_id", "delivery_id"), "deliveries": deliveries, "draws": taken,
        **_daily(index, tank, ledger, loss, rng),
    }  # fmt: skip


def _daily(
    index: int, tank: dict, ledger: pl.DataFrame, loss: np.ndarray, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    tank_id = tank["tank_id"]
    cause = next((s.cause for s in STORIES if s.tank == index and s.has_litres), "unexplained")
    days = (
        ledger.with_columns(lost=pl.Series(loss))
        .group_by("day", maintain_order=True)
        .agg(
            pl.col("gauge_start_l").first().alias("opening_stock_l"), pl.col("delivered_l").sum().alias("deliveries_l"),
            pl.col("sold_l").sum().alias("sales_l"), pl.col("gauge_end_l").last().alias("closing_stock_l"),
            pl.col("water_end_mm").last().alias("water_mm"), pl.col("temp_end_c").last().alias("temp_c"),
            pl.col("lost").sum(),
        )
        .with_columns(book_stock_l=pl.col("opening_stock_l") + pl.col("deliveries_l") - pl.col("sales_l"))
        .with_columns(variance_l=pl.col("closing_stock_l") - pl.col("book_stock_l"))
    )  # fmt: skip
    shares = {"thermal": 0.35, "meter_tolerance": 0.25, "chart_tolerance": 0.15}
    rest = pl.col("variance_l") - pl.col("lost")
    parts = [days.select(trading_day="day", part=pl.lit(p), litres=rest * k) for p, k in shares.items()]
    parts.append(days.select(trading_day="day", part=pl.lit("residual"), litres=rest * (1 - sum(shares.values()))))
    parts.append(days.filter(pl.col("lost") != 0).select(trading_day="day", part=pl.lit(cause), litres="lost"))
    score = (days["variance_l"] - days["variance_l"].median()).abs() / 12.0
    tank_days = days.select(
        pl.lit(tank_id).alias("tank_id"), pl.col("day").alias("trading_day"), "opening_stock_l", "deliveries_l",
        "sales_l", "book_stock_l", "closing_stock_l", "variance_l", "water_mm", "temp_c",
        physics_score=score, forest_score=score * 0.4, is_anomalous=score > 8.0,
    )  # fmt: skip
    n = tank_days.height
    health = tank_days.select("tank_id", pl.col("trading_day").alias("day")).with_columns(
        readings=pl.lit(1440 if index != 13 else 420), bad_share=pl.lit(0.002 * (index % 7)),
        gap_hours=pl.Series(rng.exponential(0.2, n) + (9.5 if index == 13 else 0.0)),
        deadband_mm=pl.lit(1.0 if index == 12 else 0.1),
        is_stuck=pl.Series((np.arange(n) > n - 6) & (index == 13)),
        clock_skew_s=pl.lit(212.0 if index == 14 else 4.0),
    )  # fmt: skip
    estimates, hose_days = [], []
    for hose, share in enumerate((0.38, 0.3, 0.2, 0.12)):
        hose_days.append(
            tank_days.select(
                pl.lit(f"{tank_id}-M{hose + 1}").alias("meter_id"), "tank_id", "trading_day",
                (pl.col("sales_l") * share).alias("sold_l"),
            )
        )  # fmt: skip
        drift = -0.62 * np.linspace(0, 1, n) ** 2 if (index == 2 and hose == 1) else np.full(n, 0.03 * hose - 0.05)
        half = 0.09 / share**0.5 / np.sqrt(np.arange(n) + 2.0) * 3 + 0.05
        value = drift + rng.normal(0, 0.008, n).cumsum() * 0.3
        estimates.append(
            tank_days.select(
                "tank_id", pl.lit(f"{tank_id}-M{hose + 1}").alias("meter_id"), pl.col("trading_day").alias("day"),
                (pl.col("sales_l") * share).cum_sum().alias("sold_l"), pl.Series("error_pct", value),
                pl.Series("error_low_pct", value - half), pl.Series("error_high_pct", value + half),
            )
        )  # fmt: skip
    return {
        "hose_days": pl.concat(hose_days), "tank_days": tank_days, "health": health,
        "meter_estimates": pl.concat(estimates),
        "variance_parts": pl.concat(parts).select(pl.lit(tank_id).alias("tank_id"), "trading_day", "part", "litres"),
    }  # fmt: skip


def _cases(
    stories: Sequence[Story], frames: dict[str, pl.DataFrame], days: int, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    end = datetime.combine(last_day(days), time(), UTC) + timedelta(days=1)
    tanks = frames["tanks"].rows(named=True)
    cases, evidence = [], []
    for i, story in enumerate(stories):
        tank = tanks[story.tank]
        start = end - timedelta(days=story.days_before_end) + timedelta(hours=2)
        litres = story.litres_at_once or story.litres_per_day * (end - start) / timedelta(days=1)
        half = abs(litres) * (0.03 if story.litres_at_once else 0.18) + 8.0
        has = story.has_litres and litres != 0
        case_id = f"c-{story.cause}-{i:03d}"
        is_site = story.cause == "clock_skew"
        delivery = _delivery(frames["deliveries"], tank["tank_id"])
        cases.append(
            {
                "case_id": case_id, "cause": story.cause, "site_id": tank["site_id"],
                "tank_id": None if is_site else tank["tank_id"],
                "meter_id": f"{tank['tank_id']}-M2" if story.cause in CAUSES_WITH_METER else None,
                "delivery_id": delivery if story.cause in CAUSES_WITH_DELIVERY else None,
                "raised_on": (start + timedelta(days=1)).date(), "ts_start": start,
                "ts_end": start + timedelta(minutes=35) if story.is_over else None,
                "litres": litres if has else None, "litres_low": litres - half if has else None,
                "litres_high": litres + half if has else None,
                "rate_l_per_h": -story.litres_per_day / 24 if "leak" in story.cause else None,
                "meter_error_pct": -0.6 if story.cause == "meter_drift" else None,
                "probability": story.probability, "urgency": story.urgency,
                "action": f"Invented action for {story.cause.replace('_', ' ')}: look at the evidence, then decide.",
                "summary": f"Invented summary: the balance of {tank['tank_id']} moved as {story.cause} would move it.",
            }
        )  # fmt: skip
        evidence += [
            (case_id, 0, "measured", start, None, "balance in quiet hours", float(rng.normal(-14, 3)), "l/day", None),
            (case_id, 1, "against", None, None, "water bottom", 0.4, "mm", "it did not move, so no groundwater"),
            (case_id, 2, "would_settle", None, None, "a second dip by hand at the same minute", None, None, None),
        ]  # fmt: skip
    return {
        "cases": pl.DataFrame(cases, schema_overrides={"ts_start": TS, "ts_end": TS, "delivery_id": pl.String}),
        "evidence": pl.DataFrame(
            evidence,
            schema={
                "case_id": pl.String, "seq": pl.Int64, "kind": pl.String, "ts_start": TS, "ts_end": TS,
                "name": pl.String, "value": pl.Float64, "unit": pl.String, "note": pl.String,
            },
            orient="row",
        ),
    }  # fmt: skip


def _delivery(deliveries: pl.DataFrame, tank_id: str) -> str:
    """The tank's last delivery; a name that no ticket has where there was none."""
    own = deliveries.filter(pl.col("tank_id") == tank_id).sort("ts_ticket")["delivery_id"]
    return str(own[-1]) if len(own) else f"D-{tank_id}-77"


def _statements(tank_days: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    months = tank_days.group_by(
        "tank_id", pl.col("trading_day").dt.truncate("1mo").alias("month"), maintain_order=True
    ).agg(pl.col("sales_l").sum().alias("throughput_l"), pl.col("variance_l").sum(), pl.len().alias("_n"))
    n = months.height
    rate, half = rng.normal(0.02, 0.05, n), rng.uniform(0.06, 0.2, n)
    rate[(months["tank_id"] == "S02-T1").to_numpy()] = [0.05, 0.44, 0.61, 0.61][
        : int((months["tank_id"] == "S02-T1").sum())
    ]
    detectable = half * 1.7
    blind = ((months["tank_id"] == "S01-T3") | (months["_n"] < 20)).to_numpy()
    verdict = np.where(blind, "inconclusive", np.where(rate > 0.3785, "fail", "pass"))
    reason = [
        None if not b else ("too few days" if k < 20 else "a deadband of 1.0 mm hides small changes")
        for b, k in zip(blind, months["_n"], strict=True)
    ]
    return months.select(
        "tank_id", "month", "throughput_l", "variance_l", allowance_l=pl.col("throughput_l") * 0.01 + 492.1,
        leak_rate_l_per_h=pl.Series(rate), leak_rate_low=pl.Series(rate - half), leak_rate_high=pl.Series(rate + half),
        detectable_l_per_h=pl.Series(np.where(blind, 4.2, detectable)), verdict=pl.Series(verdict),
        reason=pl.Series(reason, dtype=pl.String),
    )  # fmt: skip


def _quarantine() -> pl.DataFrame:
    rows = [
        ("readings", '{"tank_id": "S03-T2", "ts": "2026-02-03T04:05:00Z", "level_mm": 2790.0}', "level_above_diameter")
    ] * 7
    rows += [("sales", '{"sale_id": "x17", "volume_l": -3.0}', "volume_l below 0")] * 2
    rows += [("deliveries", '{"delivery_id": "D9", "tank_id": "T99"}', "unknown_tank")]
    return pl.DataFrame(rows, schema=["table", "row", "reason"], orient="row")


def _with_hostile_text(frames: dict[str, pl.DataFrame], text: str) -> dict[str, pl.DataFrame]:
    """The same frames with `text` in every field that a lake or a person fills freely, identifiers included."""
    free = {
        "sites": ["name"], "deliveries": ["carrier", "vehicle", "terminal"], "cases": ["action", "summary"],
        "evidence": ["name", "unit", "note", "kind"], "statements": ["reason"],
        "quarantine": ["table", "row", "reason"],
        "meters": ["dispenser", "hose"], "draws": ["kind"], "run_log": ["stage"], "prices": ["currency"],
    }  # fmt: skip
    out = dict(frames)
    for name, columns in free.items():
        out[name] = out[name].with_columns(pl.lit(text).alias(c) for c in columns)
    for name, frame in out.items():
        keys = [c for c in ("tank_id", "meter_id", "delivery_id", "case_id", "site_id") if c in frame.columns]
        out[name] = frame.with_columns(
            pl.when(pl.col(c).is_not_null()).then(pl.col(c) + pl.lit(text)).alias(c) for c in keys
        )
    return out
