"""The published tables of a simulated fleet. Evidence: contract, known truth, naive twin, property."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import TIME_COLUMNS
from pipeline.contract.run import RUN_TABLES
from pipeline.contract.store import STORE_TABLES
from pipeline.features.trading_days import trading_days
from pipeline.scoring.statements import Limits
from pipeline.sites import site_tables
from tests.support.site_run import cut_after, published

SCHEMAS = {**RUN_TABLES, **STORE_TABLES}
PUBLISHED = (
    "tank_days", "variance_parts", "statements", "ledger", "drops", "draws", "meter_estimates", "health", "features",
)  # fmt: skip
ROUNDING = 1e-6


@pytest.mark.parametrize("table", PUBLISHED)
def test_a_table_has_the_contracts_columns_types_and_keys(made, table):
    """Contract."""
    frame = made[0][table]
    assert frame.schema == polars_schema(SCHEMAS[table])
    assert SCHEMAS[table].filter(frame)[1].counts() == {}
    assert frame.height


def test_every_day_closes(made):
    """Contract: book = opening + deliveries − sales, variance = closing − book, null where one of them is."""
    days = made[0]["tank_days"]
    book = pl.col("opening_stock_l") + pl.col("deliveries_l") - pl.col("sales_l")
    off = days.select(
        book=(book - pl.col("book_stock_l")).abs().max(),
        variance=(pl.col("closing_stock_l") - pl.col("book_stock_l") - pl.col("variance_l")).abs().max(),
    )
    assert max(off.row(0)) < ROUNDING
    alike = (book + pl.col("closing_stock_l")).is_null() == pl.col("variance_l").is_null()
    assert days.select(alike.all()).item()
    assert days["variance_l"].null_count() < 0.15 * days.height


def test_a_days_close_is_the_next_days_opening(made):
    days = made[0]["tank_days"].sort("tank_id", "trading_day")
    carried = days.select((pl.col("closing_stock_l") - pl.col("opening_stock_l").shift(-1).over("tank_id")).abs().max())
    assert carried.item() == 0.0


def test_parts_add_up_to_the_variance(made):
    """Contract: to within rounding, on the very days that have a variance."""
    frames = made[0]
    parts = frames["variance_parts"].group_by("tank_id", "trading_day").agg(pl.col("litres").sum())
    both = frames["tank_days"].join(parts, on=["tank_id", "trading_day"], how="full", coalesce=True)
    assert both.select((pl.col("variance_l") - pl.col("litres")).abs().max()).item() < ROUNDING
    assert both.select((pl.col("variance_l").is_null() == pl.col("litres").is_null()).all()).item()


def test_sales_are_what_a_loop_over_the_tickets_of_the_till_adds_up(made, lake):
    """Naive twin: each sale to the tanks that fed its meter then, on the day that the wall clock says."""
    sites = {row["site_id"]: row for row in lake["sites"].iter_rows(named=True)}
    site_of = dict(lake["tanks"].select("tank_id", "site_id").iter_rows())
    feeds: dict[str, list[dict]] = {}
    for row in lake["meter_feeds"].iter_rows(named=True):
        feeds.setdefault(row["meter_id"], []).append(row)
    total: dict[tuple[str, date], float] = {}
    for sale in lake["sales"].filter(pl.col("kind") == "sale").iter_rows(named=True):
        for feed in feeds.get(sale["meter_id"], []):
            if feed["valid_from"] <= sale["ts_end"] and (feed["valid_to"] is None or sale["ts_end"] < feed["valid_to"]):
                site = sites[site_of[feed["tank_id"]]]
                local = sale["ts_end"].astimezone(ZoneInfo(site["timezone"]))
                early = local.time() < time.fromisoformat(site["trading_day_start"])
                key = (feed["tank_id"], local.date() - timedelta(days=int(early)))
                total[key] = total.get(key, 0.0) + sale["volume_l"] * feed["share"]
    pools = lake["tanks"].with_columns(pool=pl.coalesce("manifold_id", "tank_id")).select("tank_id", "site_id", "pool")
    mine = made[0]["tank_days"].select("tank_id", "trading_day", "sales_l")
    twin = pl.DataFrame(
        [(tank, day, litres) for (tank, day), litres in total.items()],
        schema=["tank_id", "trading_day", "twin_l"], orient="row",
    )  # fmt: skip
    per_pool = [
        frame.join(pools, on="tank_id").group_by("site_id", "pool", "trading_day").agg(pl.exclude("tank_id").sum())
        for frame in (mine, twin)
    ]
    both = per_pool[0].join(per_pool[1], on=["site_id", "pool", "trading_day"], how="full").fill_null(0.0)
    assert both.select((pl.col("sales_l") - pl.col("twin_l")).abs().max()).item() < ROUNDING


def test_stocks_are_what_was_in_the_tanks(made, fleet, lake):
    """Known truth, of sound charts: the litres that the simulator had in a pool at the hour of the boundary.

    A gauge is off by its chart (0.3 % and more by the tank), its probe and the sales under way: 1.5 % of capacity holds
    all of them, where no fault is at work.
    """
    faulty = set(fleet["_truth_faults"].filter(pl.col("happened"))["tank_id"].drop_nulls())
    capacity = dict(lake["tanks"].select("tank_id", "capacity_l").iter_rows())
    rows = fleet["_truth_stock"].select("pool", "ts", "product_l").iter_rows()
    truth = {(pool, ts): litres for pool, ts, litres in rows}
    alone = lake["tanks"].filter(pl.col("manifold_id").is_null() & ~pl.col("tank_id").is_in(faulty))
    seen = 0
    for tank_id, site_id in alone.select("tank_id", "site_id").iter_rows():
        site = lake["sites"].row(by_predicate=pl.col("site_id") == site_id, named=True)
        for row in made[0]["tank_days"].filter(pl.col("tank_id") == tank_id).iter_rows(named=True):
            opens = datetime.combine(
                row["trading_day"], time.fromisoformat(site["trading_day_start"]), tzinfo=ZoneInfo(site["timezone"])
            ).astimezone(UTC)
            if row["opening_stock_l"] is not None and (tank_id, opens) in truth:
                seen += 1
                assert row["opening_stock_l"] == pytest.approx(truth[tank_id, opens], abs=0.015 * capacity[tank_id])
    assert seen > 50


def test_statements_follow_their_rule(made):
    """Contract: the verdict is what the figures give, the interval holds, an inconclusive one says why."""
    limits, rows = Limits(), made[0]["statements"].to_dicts()
    for row in rows:
        leak, detectable = row["leak_rate_l_per_h"], row["detectable_l_per_h"]
        if leak is None or detectable is None or detectable > limits.detectable_l_per_h:
            expected = "inconclusive"
        else:
            expected = "fail" if leak > limits.fail_l_per_h else "pass"
        assert row["verdict"] == expected
        assert (row["reason"] is None) == (expected != "inconclusive")
        # 40 CFR 280.43(a): 1.0 percent of flow-through plus 130 gallons; a US gallon is 3.785411784 l.
        assert row["allowance_l"] == pytest.approx(0.01 * row["throughput_l"] + 130 * 3.785411784)
    assert {row["verdict"] for row in rows} >= {"pass"}


def test_statements_cover_the_months_of_the_days(made):
    """Contract: throughput and variance are the sums of the month's days."""
    days = made[0]["tank_days"].group_by("tank_id", pl.col("trading_day").dt.month_start().alias("month")).agg(
        pl.col("sales_l").sum(), pl.col("variance_l").sum().alias("sum_l")
    )  # fmt: skip
    both = made[0]["statements"].join(days, on=["tank_id", "month"], how="full")
    assert both["tank_id"].null_count() == both["tank_id_right"].null_count() == 0
    assert both.select((pl.col("throughput_l") - pl.col("sales_l")).abs().max()).item() < ROUNDING
    assert both.select((pl.col("variance_l") - pl.col("sum_l")).abs().max()).item() < ROUNDING


def test_joined_tanks_agree(made, lake):
    """Contract: leak rate, detectable and verdict are the pool's, repeated; figures are shared by capacity."""
    joined = lake["tanks"].filter(pl.col("manifold_id").is_not_null()).select("tank_id", "manifold_id", "capacity_l")
    months = made[0]["statements"].join(joined, on="tank_id").group_by("manifold_id", "month").agg(
        pl.col("leak_rate_l_per_h", "detectable_l_per_h", "verdict").n_unique()
    )  # fmt: skip
    assert months.height
    assert months.select(pl.max_horizontal(pl.exclude("manifold_id", "month")).max()).item() == 1
    days = made[0]["tank_days"].join(joined, on="tank_id").filter(pl.col("opening_stock_l").is_not_null())
    fill = days.group_by("manifold_id", "trading_day").agg((pl.col("opening_stock_l") / pl.col("capacity_l")).std())
    assert fill["opening_stock_l"].max() < ROUNDING


def test_a_gauge_that_hides_a_millimetre_never_passes(lake):
    """Known truth: a tank's own readings are held back until they have moved by 1.5 mm."""
    lake = next(iter(site_tables(lake)))
    tank = lake["tanks"].filter(pl.col("manifold_id").is_null())["tank_id"][0]
    rows = lake["readings"].filter((pl.col("tank_id") == tank) & (pl.col("quality") != "bad")).drop_nulls("level_mm")
    level, kept = rows["level_mm"].to_numpy(), [0]
    for place in range(1, len(level)):
        if abs(level[place] - level[kept[-1]]) > 1.5:
            kept.append(place)
    held = lake | {"readings": pl.concat([lake["readings"].filter(pl.col("tank_id") != tank), rows[kept]])}
    months = published(held)[0]["statements"].filter(pl.col("tank_id") == tank)
    assert "pass" not in set(months["verdict"])
    full = months.row(by_predicate=pl.col("throughput_l") == pl.col("throughput_l").max(), named=True)
    assert full["reason"].startswith("deadband")


def last_runs(lake: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """The UTC date on which each tank's trading day ended."""
    first, last = (one.timestamp() for one in (lake["readings"]["ts"].min(), lake["readings"]["ts"].max()))
    rows = []
    for tank_id, site_id in lake["tanks"].select("tank_id", "site_id").iter_rows():
        site = lake["sites"].row(by_predicate=pl.col("site_id") == site_id, named=True)
        days = trading_days(site["timezone"], site["trading_day_start"], first - 86_400, last + 86_400)
        ends = np.floor((days.bounds_s[1:] - 1e-6) / 86_400.0).astype(int)
        rows += [
            (tank_id, day, date(1970, 1, 1) + timedelta(days=int(n))) for day, n in zip(days.dates, ends, strict=True)
        ]
    return pl.DataFrame(rows, schema=["tank_id", "trading_day", "ended_on"], orient="row")


@pytest.mark.parametrize("days_in", [17, 26])
def test_a_run_that_stops_earlier_says_the_same_of_the_days_before(made, lake, days_in):
    """Property: no figure of a day hangs on later data.

    Days that ended on the last day of the cut are compared where the book had closed: a ticket may come hours late.
    """
    until = date(2026, 3, 1) + timedelta(days=days_in)
    part, odd = published(cut_after(lake, until))
    ended = last_runs(lake)
    for table, more in (("tank_days", []), ("variance_parts", ["part"]), ("features", ["name"])):
        key = ["tank_id", "trading_day", *more]
        sides = [
            frames[table].join(ended, on=["tank_id", "trading_day"]).filter(pl.col("ended_on") < until).sort(key)
            for frames in (made[0], part)
        ]
        numbers = [name for name, dtype in sides[0].schema.items() if dtype.is_float()]
        assert sides[0].select(key).equals(sides[1].select(key))
        for name in numbers:
            np.testing.assert_allclose(
                sides[1][name].to_numpy(), sides[0][name].to_numpy(), rtol=1e-7, atol=1e-7, err_msg=f"{table} {name}"
            )
    here = pl.col("ended_on") == until
    last = [
        frames["tank_days"].join(ended, on=["tank_id", "trading_day"]).filter(here).sort("tank_id")
        for frames in (made[0], part)
    ]
    for name in ("opening_stock_l", "closing_stock_l", "sales_l", "physics_score", "forest_score"):
        np.testing.assert_allclose(last[1][name].to_numpy(), last[0][name].to_numpy(), rtol=1e-7, err_msg=name)
    assert last[0]["is_anomalous"].equals(last[1]["is_anomalous"])
    before = [(one.unit_id, one.trading_day, one.p) for one in made[1] if one.day <= days_number(until)]
    assert [(one.unit_id, one.trading_day, one.p) for one in odd] == before


def days_number(day: date) -> int:
    """Days since 1970-01-01."""
    return (day - date(1970, 1, 1)).days


def test_a_cut_leaves_no_later_row(lake):
    """Property of the test's own tool."""
    until = date(2026, 3, 10)
    for name, frame in cut_after(lake, until).items():
        if name in TIME_COLUMNS and frame.height:
            assert frame[TIME_COLUMNS[name]].max().date() <= until
