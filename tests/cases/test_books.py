"""Findings in the books: clocks, feeds and tickets. Evidence: worked by hand, both sides of each edge."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.books import (
    clock_findings,
    feed_findings,
    is_apart,
    is_sure,
    skew_log_bayes,
    ticket_findings,
)
from pipeline.cases.finding import Finding
from pipeline.estimate.feed_changes import FeedChange
from pipeline.estimate.known_drops import KnownDrop
from tests.support.hand_site import at
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    drop_of,
    flow_of,
    gauge_of,
    lag_of,
    seen_of,
    site_of,
    unit_of,
)
from tests.support.lakes import rows

DAYS = 30
GAUGE = gauge_of(np.arange(0.0, 24.0 * DAYS, 1.0), 1_000.0)
FED = rows("meter_feeds", {"meter_id": "M1", "tank_id": "T1", "share": 1.0, "valid_from": at(-1_000.0)})
TABLES = {"meter_feeds": FED, "meter_totals": rows("meter_totals")}


def tickets(known: KnownDrop, *, days: int = 3, **more) -> list[Finding]:
    return ticket_findings(site_of(seen_of(unit_of(GAUGE), drops=[known], **more), days=days))


@pytest.mark.parametrize("end_h", [1.0, 13.0, 22.0])
def test_a_drop_waits_for_its_ticket_until_the_end_of_the_next_day(end_h):
    (found,) = tickets(drop_of(end_h - 1 / 6, 2_000.0))
    assert (found.cause, found.day) == ("missing_ticket", FIRST_DAY + 1)
    assert (found.litres, found.sd_l) == pytest.approx((2_000.0, 12.0 + 8.0))
    assert found.start_s == pytest.approx(at_s(end_h - 1 / 6))


def test_a_ticket_that_is_entered_the_next_day_is_in_time():
    known = drop_of(9.0, 2_000.0, tickets=(0,))
    assert tickets(replace(known, tickets_then=())) == []
    assert tickets(known) == []


@pytest.mark.parametrize(("litres", "count"), [(399.0, 0), (401.0, 1)])
def test_a_rise_of_less_than_400_l_needs_no_ticket(litres, count):
    assert len(tickets(drop_of(2.0, litres))) == count


def test_a_drop_whose_wait_is_not_over_when_the_data_end_is_no_case_yet():
    assert tickets(drop_of(14.0, 2_000.0), days=1) == []


def test_a_rise_that_is_only_sales_of_a_hose_on_another_tank_needs_no_ticket():
    """500 l seemed to come while the level stood: as the feed is known now, none of them were sold from here."""
    feed = FeedChange("M1", "T1", "T2", float(at_s(1.0)), float(at_s(1.0)), FIRST_DAY, 0.0, 0.05)
    seen = seen_of(unit_of(GAUGE), drops=[drop_of(2.0, 500.0)])
    assert ticket_findings(site_of(seen, feeds=[feed])) == []
    assert len(ticket_findings(site_of(seen, feeds=[replace(feed, day=FIRST_DAY + 2)]))) == 1
    assert len(ticket_findings(site_of(seen))) == 1


def clocks(*lags_s: float, fit: float = 0.9) -> list[Finding]:
    lags = {FIRST_DAY + day: lag_of(lag_s, fit=fit) for day, lag_s in enumerate(lags_s)}
    return clock_findings(site_of(seen_of(unit_of(GAUGE), lags=lags), days=len(lags_s)))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_stretch_of_days_with_clocks_apart_is_one_case(sign):
    """Apart on days 2, 3 and 4 of seven, right again on day 5."""
    (found,) = clocks(0.0, 0.0, *[sign * 600.0] * 3, 0.0, 0.0)
    assert (found.cause, found.day, found.unit_id, found.litres) == ("clock_skew", FIRST_DAY + 2, None, None)
    assert (found.start_s, found.end_s) == (at_s(48.0), at_s(120.0))
    assert found.evidence[0].name.startswith("till ahead" if sign > 0 else "gauge ahead")
    assert found.evidence[0].value == 600.0


def test_clocks_that_are_apart_from_the_first_day_stay_so_when_they_come_somewhat_nearer():
    """400 s, then 260: no more than a site's clocks may always differ by, and still the same case."""
    (found,) = clocks(400.0, 400.0, 260.0, 400.0, 400.0)
    assert (found.start_s, found.end_s) == (at_s(0.0), None)
    assert clocks(260.0, 260.0, 260.0, 260.0, 260.0) == []


def test_clocks_that_are_still_apart_have_no_end():
    assert clocks(0.0, 600.0, 600.0)[0].end_s is None
    assert len(clocks(600.0, 0.0, 600.0, 600.0)) == 2


@pytest.mark.parametrize(("lag_s", "count"), [(-179.0, 0), (-250.0, 1)])
def test_a_single_day_must_stand_out_from_the_site_s_own(lag_s, count):
    """Days at 30 s to either side of nought: by that spread 180 s is as far as chance goes on one, 178 s on two."""
    usual = [30.0, -30.0] * 5
    assert len(clocks(*usual, lag_s, *usual)) == count
    assert len(clocks(*usual, lag_s, lag_s, *usual)) == 1
    assert clocks(*usual, -177.0, -177.0, *usual) == []


@pytest.mark.parametrize(("lag_s", "count"), [(599.0, 0), (600.0, 1)])
def test_a_single_day_before_a_site_is_known_must_be_far_off(lag_s, count):
    """Sales that people write down are minutes off, and of a new site nobody knows who writes them."""
    assert len(clocks(0.0, lag_s, 0.0)) == count
    assert len(clocks(0.0, lag_s, lag_s)) == 1


@pytest.mark.parametrize(("lags_s", "count"), [([-90.0] * 30, 0), ([-280.0] * 10, 0), ([-310.0] * 10, 1)])
def test_a_till_may_be_off_by_minutes_all_the_time(lags_s, count):
    """Or write each sale when it is paid: that is no fault until it is five minutes, or another than it was."""
    assert len(clocks(*lags_s)) == count
    assert len(clocks(*lags_s, *[lags_s[0] - 80.0] * 3)) == 1


@pytest.mark.parametrize(
    ("lag", "sure"),
    [(lag_of(100.0), True), (lag_of(100.0, sd_s=16.7), False), (lag_of(100.0, sd_s=16.6), True),
     (lag_of(100.0, gain=0.05), False), (lag_of(100.0, fit=0.3), False)],
)  # fmt: skip
def test_a_lag_is_sure_by_its_own_spread_and_by_what_it_explains(lag, sure):
    assert is_sure(lag) is sure


@pytest.mark.parametrize(
    ("lag_s", "usual_s", "apart"),
    [(75.0, [0.0] * 5, True), (74.9, [0.0] * 5, False), (-75.0, [0.0] * 5, True), (120.0, [50.0] * 5, False),
     (10.0, [-90.0] * 5, False), (299.0, [0.0] * 4, False), (-300.0, [], True),
     # By hand: the median distance of 100 s from the middle is 148 s of SD, and four of them 593 s.
     (592.0, [100.0, -100.0] * 3, False), (594.0, [100.0, -100.0] * 3, True)],
)  # fmt: skip
def test_clocks_are_apart_where_they_are_not_as_usual(lag_s, usual_s, apart):
    assert is_apart(lag_of(lag_s), np.array(usual_s)) is apart


def test_a_lag_of_a_minute_says_less_than_one_of_an_hour():
    """60 s with an SD of 20 s and a till's 15: 2.4 SDs, p = 0.0164, at most 1 ÷ (−e p ln p) = 5.46 to one."""
    assert skew_log_bayes(lag_of(60.0, sd_s=20.0)) == pytest.approx(np.log(5.46), abs=0.01)
    assert skew_log_bayes(lag_of(3_600.0)) > 20.0


def feed(
    *, to_unit: str | None = "T2", from_h: float = 30.0, since_h: float = 26.0, day: int = 1, share: float = 0.02
) -> FeedChange:
    since, start = float(at_s(since_h)), float(at_s(from_h))
    return FeedChange("M1", "T1", to_unit, start, since, FIRST_DAY + day, share, 0.03)


def fed(*changes: FeedChange, tables=TABLES) -> list[Finding]:
    """The tank to which M1 is booked and, from hour 30 on, the one that supplies it; 100 l at each full hour."""
    sold = flow_of(*((float(hour), 100.0) for hour in range(1, 60)))
    here = sold.end_s < at_s(30.0)
    parts = [replace(sold, **{k: v[one] for k, v in vars(sold).items() if k != "meter_id"}) for one in (here, ~here)]
    units = [
        seen_of(unit_of(gauge_of(np.arange(0.0, 72.0), 1_000.0), name=name), flows=[part])
        for name, part in zip(("T1", "T2"), parts, strict=True)
    ]
    return feed_findings(site_of(*units, feeds=changes), tables)


def test_a_wrong_feed_s_litres_are_the_hose_s_sales_since():
    """Since hour 26 it drew on T2, which was known from hour 30 on: the 34 sales from hour 26 to 59."""
    (found,) = fed(feed())
    assert (found.cause, found.tank_id, found.also_unit_id, found.meter_id) == ("wrong_feed", "T1", "T2", "M1")
    assert found.litres == pytest.approx(3_400.0)
    assert (found.start_s, found.end_s, found.day) == (at_s(26.0), None, FIRST_DAY + 1)
    assert found.course.until(at_s([26.5, 29.0, 31.0])) == pytest.approx([100.0 * 1.5, 400.0, 600.0])


def test_a_feed_ends_where_the_books_or_the_hose_are_put_right():
    put_right = rows(
        "meter_feeds", *FED.iter_rows(named=True),
        {"meter_id": "M1", "tank_id": "T2", "share": 1.0, "valid_from": at(40.5)},
    )  # fmt: skip
    (found,) = fed(feed(), tables=TABLES | {"meter_feeds": put_right})
    assert (found.end_s, found.litres) == (at_s(40.5), pytest.approx(1_500.0))
    back = feed(to_unit="T1", from_h=50.5, since_h=50.5, day=2)
    (found,) = fed(feed(), back)
    assert (found.end_s, found.litres) == (at_s(50.5), pytest.approx(2_500.0))


@pytest.mark.parametrize(("share", "more"), [(0.02, 0.4), (0.4, 0.45)])
def test_the_less_the_booked_tank_lost_of_its_sales_the_surer_it_is(share, more):
    assert fed(feed(share=share))[0].log_odds > fed(feed(share=more))[0].log_odds
