"""A tank's trading days: what was booked and how much was there at each boundary. Evidence: by hand, both sides."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.features.probe import StuckSpan
from pipeline.features.reporting import Reporting
from pipeline.features.trading_days import TradingDays
from pipeline.scoring.unit_days import Booked, booked_of, unit_days, was_stuck
from tests.support.hand_site import at
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    drop_of,
    flow_of,
    gauge_of,
    lag_of,
    sales_frame,
    seen_of,
    site_of,
    unit_of,
)
from tests.support.lakes import rows

BOUNDS_H = [0.0, 24.0, 48.0, 72.0]
DAYS = TradingDays((at(0.0).date(), at(24.0).date(), at(48.0).date()), at_s(BOUNDS_H))


def fed(*spans: tuple[str, str, float, float, float | None]) -> pl.DataFrame:
    """Feeds: (meter, tank, share, from hour, to hour)."""
    return rows(
        "meter_feeds",
        *(
            {"meter_id": meter, "tank_id": tank, "share": share, "valid_from": at(start),
             "valid_to": None if end is None else at(end)}
            for meter, tank, share, start, end in spans
        ),
    )  # fmt: skip


ALWAYS = fed(("M1", "T1", 1.0, -1_000.0, None))


def test_a_sale_counts_on_the_day_on_which_it_ended():
    """One ends a second before midnight, one at midnight."""
    sold = Booked((flow_of((24.0 - 1 / 3_600.0, 30.0), (24.1, 50.0)), flow_of((48.0, 7.0), meter="M2")))
    assert sold.in_days_l(DAYS).tolist() == [[30.0, 0.0], [50.0, 0.0], [0.0, 7.0]]
    assert sold.ended_l(at_s([23.9, 24.0, 24.05, 48.0, 48.1])).tolist() == [0.0, 30.0, 30.0, 80.0, 87.0]
    assert Booked(()).in_days_l(DAYS).shape == (3, 0)


def test_a_sale_under_way_is_poured_in_part_where_its_end_is_known():
    """60 l from 23:50 to 00:10: half of them by midnight to a run that has its row, none to one that has not."""
    sold = Booked((flow_of((24.0 + 1 / 6, 60.0), minutes=20.0),))
    for known_h, litres in ((24.0 + 1 / 6 + 0.01, 30.0), (24.0 + 1 / 6, 0.0), (24.0, 0.0)):
        assert sold.until_l(at_s([24.0]), at_s([known_h])) == pytest.approx([litres]), known_h
    assert sold.until_l(at_s([23.0, 25.0]), at_s([25.0, 25.0])) == pytest.approx([0.0, 60.0])


def test_a_sale_that_is_not_known_is_poured_at_no_instant():
    """To a run that has the rows up to midnight, by whatever clock it asks."""
    sold = Booked((flow_of((23.0, 40.0), (24.25, 60.0)), flow_of((23.5, 5.0), meter="M2")))
    assert sold.until_l(at_s([22.9, 24.2, 25.0]), at_s([24.0] * 3)) == pytest.approx([0.0, 45.0, 45.0])


def test_sales_are_booked_by_the_feed_in_force_when_they_ended():
    """M1 feeds T1 until hour 30, then T2; M2 blends, three tenths of it from T1."""
    feeds = fed(("M1", "T1", 1.0, -9.0, 30.0), ("M1", "T2", 1.0, 30.0, None), ("M2", "T1", 0.3, -9.0, None))
    sales = sales_frame(flow_of((29.99, 10.0), (30.0, 20.0)), flow_of((5.0, 100.0), meter="M2"))
    tested = rows("sales", {"sale_id": "t", "meter_id": "M1", "ts_start": at(1.0), "ts_end": at(1.1), "volume_l": 20.0,
                            "kind": "test_return"})  # fmt: skip
    sales = pl.concat([sales, tested])
    assert booked_of(sales, feeds, ("T1",)).in_days_l(DAYS).tolist() == [[0.0, 30.0], [10.0, 0.0], [0.0, 0.0]]
    assert booked_of(sales, feeds, ("T2",)).in_days_l(DAYS).sum() == 20.0
    assert booked_of(sales, feeds, ("T1", "T2")).in_days_l(DAYS).sum() == 60.0


def sheet(*, gauge=None, sold=((12.0, 100.0),), tickets=(), drops=(), stuck=(), lags=None, last_day=2, hold_s=7_200.0,
          flows=(), dips_h=()):  # fmt: skip
    """Three trading days from midnight on."""
    series = gauge_of(np.arange(0.0, 72.0, 0.5) + 0.1, 1_000.0) if gauge is None else gauge
    seen = seen_of(unit_of(series, tickets=tickets), drops=drops, stuck=stuck, lags=lags, flows=flows)
    tables = {"sales": sales_frame(flow_of(*sold)), "meter_feeds": ALWAYS}
    known = np.floor(at_s(np.array(dips_h)) / 86_400.0).astype(np.int64)
    every = FIRST_DAY + np.arange(-1, 3)
    seen = replace(seen, reporting={"T1": Reporting(every, np.full(4, 0.1), np.full(4, hold_s))})
    return unit_days(DAYS, tables, site_of(seen), seen, (at_s(np.array(dips_h)), known), FIRST_DAY + last_day)


def test_a_day_s_variance_is_stock_against_book():
    """5,000 l, less 100 sold, plus 2,000 ticketed, should be 6,900: 6,880 are there, and 20 l are lost."""
    hours = np.arange(0.0, 72.0, 0.5)
    level = 1_000.0 - 20.0 * (hours >= 12.0) + 396.0 * (hours >= 15.0)
    day = sheet(
        gauge=gauge_of(hours, level), tickets=[("D1", 14.0, 2_000.0)], drops=[drop_of(15.0, 1_980.0, tickets=(0,))]
    )
    assert day.stock_l == pytest.approx([5_000.0, 6_880.0, 6_880.0, 6_880.0])
    assert day.ticketed_l == pytest.approx([2_000.0, 0.0, 0.0])
    assert day.sold_l[:, 0] == pytest.approx([100.0, 0.0, 0.0])
    assert day.variance_l == pytest.approx([-20.0, 0.0, 0.0])
    assert day.tickets == ((0,), (), ())


def test_what_was_poured_between_the_last_reading_and_the_boundary_is_taken_off():
    """The last reading is at 23:30; 40 l are sold by 23:50."""
    day = sheet(gauge=gauge_of(np.arange(0.0, 72.0, 1.0) + 0.5, 1_000.0), sold=((23.0 + 5 / 6, 40.0),))
    assert day.stock_l[1] == pytest.approx(4_960.0)
    # The boundary at hour 0 lies before any reading.
    assert np.isnan(day.stock_l[0])


@pytest.mark.parametrize(("hold_s", "is_known"), [(7_200.0, True), (7_199.0, False)])
def test_a_reading_holds_for_so_long_and_no_longer(hold_s, is_known):
    hours = np.concatenate([np.arange(0.0, 22.5, 0.5), np.arange(24.5, 72.0, 0.5)])
    assert np.isfinite(sheet(gauge=gauge_of(hours, 1_000.0), hold_s=hold_s).stock_l[1]) == is_known


@pytest.mark.parametrize(("last_day", "over"), [(2, [True, True, True]), (1, [True, True, False])])
def test_a_day_whose_run_has_not_come_is_not_over(last_day, over):
    day = sheet(last_day=last_day)
    assert day.is_over.tolist() == over
    assert np.isfinite(day.stock_l[1:]).tolist() == over


@pytest.mark.parametrize(("end_h", "on"), [(23.9, 0), (24.0, 1)])
def test_a_drop_and_its_ticket_belong_to_the_day_on_which_it_ended(end_h, on):
    """Whatever hour the ticket was written at."""
    day = sheet(tickets=[("D1", 40.0, 2_000.0)], drops=[drop_of(end_h - 1 / 6, 2_000.0, tickets=(0,))])
    assert day.drop_day.tolist() == [on]
    assert np.flatnonzero(day.ticketed_l).tolist() == [on]


@pytest.mark.parametrize(("hour", "booked"), [(48.0, True), (48.1, False)])
def test_a_ticket_without_a_drop_is_booked_when_its_drop_can_come_no_more(hour, booked):
    """A day after it was written, by the end of the data at hour 72."""
    assert bool(sheet(tickets=[("D1", hour, 2_000.0)]).ticketed_l[2]) is booked


@pytest.mark.parametrize(("dated_h", "taken_off_l"), [(23.9, 30.0), (24.25, 0.0)])
def test_a_till_s_later_sales_are_not_seen_a_day_early(dated_h, taken_off_l):
    """A till an hour ahead, a gauge read last at 22:30; 30 l left before midnight.

    What it dates 23:54 the run of that day has, and takes off; a sale that it dates 00:15 has the next day's date.
    """
    series = gauge_of(np.arange(0.0, 72.0, 4.0) + 2.5, 1_000.0)
    lags = {FIRST_DAY + day: lag_of(3_600.0) for day in range(3)}
    day = sheet(gauge=series, lags=lags, sold=((dated_h, 30.0),))
    assert day.lag_s.tolist() == [0.0, 3_600.0, 3_600.0, 3_600.0]
    assert day.stock_l[1] == pytest.approx(5_000.0 - taken_off_l)
    assert day.stock_l[1] == sheet(gauge=series, lags=lags, sold=((dated_h, 30.0),) if dated_h < 24 else ()).stock_l[1]


@pytest.mark.parametrize(
    ("run_day", "stuck"),
    # Stuck from hour 23 on; 30 l, six millimetres of 5 l, are sold by hour 23.4.
    [(0, True), (-1, False)],
)
def test_a_gauge_was_stuck_as_far_as_a_run_could_tell(run_day, stuck):
    span = StuckSpan(float(at_s(23.0)), float(at_s(30.0)), 100.0, float(at_s(23.4)), 30.0)
    seen = seen_of(unit_of(gauge_of(np.arange(0.0, 72.0, 0.5), 1_000.0)), flows=[flow_of((23.4, 30.0))], stuck=[span])
    assert was_stuck(span, seen, FIRST_DAY + run_day) is stuck
    few = replace(seen, flows=[flow_of((23.4, 29.9))])
    assert not was_stuck(span, few, FIRST_DAY)
    short = replace(span, start_s=float(at_s(24.0)) - 1_199.0)
    assert not was_stuck(short, seen, FIRST_DAY)


def test_the_last_dip_before_a_boundary_is_one_that_its_run_had_seen():
    """Dips at 20, 23.9, 24.1 and 47 h: the run of day 0 has the first two."""
    day = sheet(dips_h=(20.0, 23.9, 24.1, 47.0))
    assert day.last_dip.tolist() == [-1, 1, 3, 3]


def test_joined_tanks_stand_at_what_they_hold_together():
    first = gauge_of(np.arange(0.0, 72.0, 0.5), 1_000.0)
    other = gauge_of(np.arange(0.0, 72.0, 0.5), 400.0)
    unit = replace(unit_of(first), members=("T1", "T2"), member_series=(first, other))
    seen = seen_of(unit)
    every = Reporting(FIRST_DAY + np.arange(-1, 3), np.full(4, 0.1), np.full(4, 7_200.0))
    seen = replace(seen, reporting={"T1": every, "T2": every})
    tables = {"sales": sales_frame(), "meter_feeds": ALWAYS}
    days = unit_days(DAYS, tables, site_of(seen), seen, (np.empty(0), np.empty(0, np.int64)), FIRST_DAY + 2)
    assert days.stock_l == pytest.approx(np.full(4, 7_000.0))
    assert days.level_mm == pytest.approx(np.full(4, 700.0))
