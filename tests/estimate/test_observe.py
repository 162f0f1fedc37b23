"""What is observed of a site made by hand; no day's sales come before its run. Evidence: known truth."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.known import first_seen_s
from pipeline.estimate.observe import SiteObserved, observe_site
from tests.support.hand_site import START, HandSite, HandTank, Poured, at, steady_sales
from tests.support.hand_unit import FIRST_DAY, at_s
from tests.support.lakes import START as LAKE_START
from tests.support.lakes import rows, tiny_lake

DAYS = 3


def ahead_from(tables: dict[str, pl.DataFrame], hour: float, seconds: float) -> dict[str, pl.DataFrame]:
    """The same site with a till that is ahead from an hour on."""
    late = pl.col("ts_end") >= at(hour)
    moved = [
        pl.when(late).then(pl.col(name) + timedelta(seconds=seconds)).otherwise(pl.col(name)).alias(name)
        for name in ("ts_start", "ts_end")
    ]
    return tables | {"sales": tables["sales"].with_columns(moved)}


def busy_site() -> HandSite:
    """A sale of 20 l in each half hour of day and night, at uneven minutes."""
    late_h = np.random.default_rng(7).uniform(0.0, 0.4, 48 * DAYS - 1)
    sales = [Poured(0.5 * k + float(late_h[k]), 20.0) for k in range(48 * DAYS - 1)]
    return HandSite([HandTank(sales=sales, drops=[Poured(30.25, 2_000.0, 10.0)])], days=DAYS)


def sold_until(site: SiteObserved, hour: float) -> float:
    flow = site.units[0].flows[0]
    return float(flow.volume_l[flow.end_s <= at_s(hour)].sum())


@pytest.fixture(scope="module")
def late_till() -> tuple[dict[str, pl.DataFrame], SiteObserved]:
    """A till that is right on the first day and an hour ahead from midnight on."""
    tables = ahead_from(busy_site().tables(), 24.0, 3_600.0)
    return tables, observe_site(tables)


def test_a_till_that_is_ahead_is_told_by_the_day(late_till):
    lags = late_till[1].lags
    assert lags[FIRST_DAY].lag_s == pytest.approx(0.0, abs=15.0)
    assert lags[FIRST_DAY + 1].lag_s == pytest.approx(3_600.0, abs=15.0)


def test_no_sale_comes_before_the_day_whose_date_it_has(late_till):
    """What is dated tomorrow, today's run cannot have: on the gauge's clock it stands no sooner than tomorrow's data.

    Day 1's first sale, an hour ahead, would stand at hour 24; day 2's at 47.0, and day 1 ends at 46.5 by its lag.
    """
    tables, site = late_till
    sales = tables["sales"].sort("ts_end")
    for day in range(1, DAYS):
        dated = sales.filter(pl.col("ts_end") >= START + timedelta(days=day))["volume_l"].sum()
        first_s = first_seen_s(FIRST_DAY + day, site.lags)
        flow = site.units[0].flows[0]
        assert flow.volume_l[flow.end_s >= first_s].sum() >= dated - 1e-9


def test_a_sale_dated_early_waits_for_its_day():
    """A till put ahead at midnight dates 00:20 what was pumped at 23:20: it stands at 23:30, where day 1 begins."""
    tables = ahead_from(busy_site().tables(), 24.0, 3_600.0)
    early = {"sale_id": "x", "meter_id": "M-T1", "ts_start": at(24.3), "ts_end": at(24.35), "volume_l": 33.0}
    tables["sales"] = pl.concat([tables["sales"], rows("sales", early | {"kind": "sale"})])
    flow = observe_site(tables).units[0].flows[0]
    (end_s,) = flow.end_s[flow.volume_l == 33.0]
    assert end_s == pytest.approx(at_s(23.5), abs=1.0)


def test_sales_on_the_gauge_s_clock_are_those_that_left(late_till):
    """All but the edge's: from hour 26 on litres sold by the gauge's clock are those poured by then."""
    poured = busy_site().tanks[0].sales
    for hour in (30.0, 40.0, 60.0):
        left = sum(one.litres for one in poured if one.hour + one.minutes / 60.0 <= hour)
        assert sold_until(late_till[1], hour) == pytest.approx(left, abs=20.0)


def test_a_drop_is_seen_with_its_litres_and_ticket():
    site = HandSite(
        [HandTank(sales=steady_sales(2), drops=[Poured(30.25, 2_000.0, 10.0)])], days=2,
        tickets=[("D1", "T1", 29.5, 2_010.0)],
    )  # fmt: skip
    (known,) = observe_site(site.tables()).units[0].drops
    assert known.drop.gain_l == pytest.approx(2_000.0, abs=25.0)
    assert (known.drop.start_s - at_s(0.0)) / 3_600.0 == pytest.approx(30.25, abs=0.1)
    assert (known.day, known.tickets_then, known.drop.tickets) == (FIRST_DAY + 1, (0,), (0,))


@pytest.mark.parametrize(("hour", "day"), [(22.9, 0), (23.2, 1)])
def test_a_drop_counts_as_seen_three_quarters_of_an_hour_after_it_ended(hour, day):
    """Ten minutes of drop, 45 of settling, and the last half hour is the next day's: 22.58 h is the latest of day 0.

    Its ticket fits; one that no ticket fits waits (`test_known_drops.py`).
    """
    hour -= 0.5
    tickets = [("D1", "T1", 20.0, 2_000.0)]
    site = HandSite([HandTank(drops=[Poured(hour, 2_000.0, 10.0)])], days=2, tickets=tickets)
    (known,) = observe_site(site.tables()).units[0].drops
    assert known.day == FIRST_DAY + day


def test_two_tanks_swapped_swap():
    """The same sales, losses and drops under the other's name."""
    one = HandTank("T1", sales=steady_sales(2), lost=[Poured(30.0, 150.0, 6.0)])
    other = HandTank("T2", sales=steady_sales(2, litres=33.0), drops=[Poured(27.0, 1_500.0, 8.0)])
    plain = observe_site(HandSite([one, other], days=2).tables()).units
    swapped = observe_site(HandSite([replace(other, tank_id="T1"), replace(one, tank_id="T2")], days=2).tables()).units
    for unit, twin in ((plain[0], swapped[1]), (plain[1], swapped[0])):
        assert unit.drops == twin.drops
        assert unit.steps == twin.steps
        np.testing.assert_array_equal(unit.moves.moved_l(), twin.moves.moved_l())


def swinging_lake(manifold_id: str | None) -> dict[str, pl.DataFrame]:
    """Two tanks read every 5 minutes; each hour's draw sets them 12 mm apart, and 5 minutes later half as much."""
    tables = tiny_lake(days=2)
    minutes = pl.Series(range(0, 48 * 60, 5))
    apart_mm = 6.0 * 0.5 ** ((minutes - 3) % 60 / 5.0)
    fallen_mm = 2.0 * ((minutes + 57) // 60)
    parts = []
    for tank, side in (("T1", -1.0), ("T2", 1.0)):
        level_mm = 1900.0 - fallen_mm + side * apart_mm
        levels = pl.DataFrame({"ts": [LAKE_START + timedelta(minutes=one) for one in minutes], "level_mm": level_mm})
        first = tables["readings"].filter(pl.col("tank_id") == tank).head(1).drop("ts", "level_mm")
        parts.append(first.join(levels, how="cross").select(tables["readings"].columns))
    tanks = tables["tanks"].with_columns(manifold_id=pl.lit(manifold_id, pl.String))
    return tables | {"tanks": tanks, "readings": pl.concat(parts)}


def test_what_joined_tanks_give_each_other_after_a_draw_is_no_scatter_of_their_gauges():
    """Alone, the same levels scatter; joined ones are looked at once they stand level again."""
    joined, alone = (
        [
            day.scatter_mm
            for unit in observe_site(swinging_lake(of)).units
            for days in unit.probe.values()
            for day in days
        ]
        for of in ("M1", None)
    )
    assert len(joined) == len(alone) == 4
    assert 3.0 * max(joined) < min(alone)
