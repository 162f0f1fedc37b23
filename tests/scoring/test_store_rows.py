"""What the store keeps of a tank beside its days: every figure of a dozen dips by hand. Evidence: known truth."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from pipeline.estimate.hypotheses import Hypothesis
from pipeline.estimate.walked import Named
from pipeline.features.probe import ProbeDay, StuckSpan
from pipeline.features.reporting import Reporting
from pipeline.scoring.store_rows import (
    draw_rows,
    drop_id,
    drop_rows,
    health_rows,
    instants,
    ledger_rows,
    meter_rows,
)
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    balance_by,
    believing,
    days_of,
    dips_of,
    drop_of,
    flow_of,
    gauge_of,
    lag_of,
    seen_of,
    sheet_of,
    site_of,
    step_of,
    unit_of,
    view_of,
    walk_of,
    walked_of,
)

HOURS = np.arange(0.0, 72.0, 6.0)
BOUNDS_H = [0.0, 24.0, 48.0, 72.0]
GAUGE = gauge_of(np.arange(0.0, 72.0, 0.5), 1_000.0)
START = datetime(2026, 1, 5, tzinfo=UTC)
TICKETS = [("D1", 29.0, 3_000.0)]


def sheet(
    *, sold_l=0.0, level_mm=1_000.0, drops=(), steps=(), flows=(), tickets=(), named=(), views=range(3), stuck=(),
    lags=None, calibrated_s=None, days=3, pieces=(), sd=0.0, **means,
):  # fmt: skip
    """The tank's sheet; its runs of the first days all believe the same."""
    unit = unit_of(GAUGE, tickets=tickets, calibrated_s=calibrated_s)
    seen = seen_of(unit, drops=drops, steps=steps, flows=flows, stuck=stuck, lags=lags)
    dips = dips_of(HOURS, level_mm, sold_l, open_h=0.25 * HOURS)
    balance = balance_by(unit, dips)
    belief = believing(balance, sd=sd, pieces=[(one, 0.0) for one in pieces], **means)
    made = [
        view_of(FIRST_DAY + day, belief, pieces=tuple(range(len(pieces))))
        for day in (range(3) if views is None else views)
    ]
    walk = walked_of(seen, dips, walk_of(balance, made, named=named))
    reporting = {"T1": Reporting(FIRST_DAY + np.arange(3), np.array([0.1, 0.2, 0.3]), np.full(3, 7_200.0))}
    return sheet_of(
        seen, days_of(unit, BOUNDS_H, 1_000.0, flows=flows, drop_day=[0] * len(drops)), walked=walk,
        site=site_of(seen, days=days), reporting=reporting,
    )  # fmt: skip


def test_the_ledger_is_stock_against_books_between_dips():
    """200 l sold by the third dip, a drop ticketed 3,000 l at hour 30, 12 l that vanish before the dip of hour 54."""
    sold = np.where(HOURS >= 12, 200.0, 0.0)
    level = 1_000.0 - sold / 5.0 + np.where(HOURS > 30, 600.0, 0.0) - np.where(HOURS >= 54, 2.4, 0.0)
    rows = ledger_rows(
        sheet(sold_l=sold, level_mm=level, drops=[drop_of(30.0, 3_000.0, tickets=(0,))], tickets=TICKETS)
    )
    assert rows.height == 11
    assert rows["sold_l"].to_list() == pytest.approx([0.0, 200.0, *[0.0] * 9])
    assert rows["delivered_l"].to_list() == pytest.approx([*[0.0] * 5, 3_000.0, *[0.0] * 5])
    assert rows["residual_l"].to_list() == pytest.approx([*[0.0] * 8, -12.0, 0.0, 0.0])
    assert rows["gauge_end_l"].to_list() == pytest.approx((5.0 * level[1:]).tolist())
    assert rows["pump_hours"].to_list() == pytest.approx([1.5] * 11)
    assert rows["noise_sd_l"].to_list() == pytest.approx([np.sqrt(2.0)] * 11)
    assert rows["is_quiet"].to_list() == [True, False, True, True, True, False, *[True] * 5]
    assert rows["ts_start"][0] == START
    assert rows["day"].to_list()[2:4] == [date(2026, 1, 5), date(2026, 1, 6)]


@pytest.mark.parametrize(("ticketed", "mismatch"), [(3_000.0, -50.0), (2_900.0, 50.0)])
def test_a_drop_s_row_has_what_came_and_what_was_ticketed(ticketed, mismatch):
    one = sheet(
        drops=[drop_of(30.0, 2_950.0, tickets=(0,))], tickets=[("D1", 29.0, ticketed)],
        flows=[flow_of((30.1, 40.0))],
    )  # fmt: skip
    (row,) = drop_rows(one).iter_rows(named=True)
    assert (row["gain_l"], row["ticket_volume_l"], row["delivery_id"]) == (2_950.0, ticketed, "D1")
    assert row["mismatch_l"] == pytest.approx(mismatch)
    assert row["mismatch_sd_l"] == pytest.approx(np.hypot(0.0025 * ticketed, 15.0))
    assert row["sold_during_l"] == pytest.approx(40.0)
    assert (row["tank_id"], row["drop_id"]) == ("T1", "T1@2026-01-06T06:00:00")
    assert (row["ts_start"], row["ts_end"]) == (START + timedelta(hours=30), START + timedelta(hours=30, minutes=10))
    assert drop_id(one, one.seen.drops[0]) == row["drop_id"]


def test_a_drop_without_a_ticket_has_no_mismatch():
    (row,) = drop_rows(sheet(drops=[drop_of(30.0, 2_950.0)])).iter_rows(named=True)
    assert (row["delivery_id"], row["ticket_volume_l"], row["mismatch_l"]) == (None, None, None)


def test_the_largest_of_several_tickets_names_the_drop():
    tickets = [("D1", 29.0, 1_000.0), ("D2", 29.0, 2_000.0)]
    (row,) = drop_rows(sheet(drops=[drop_of(30.0, 2_950.0, tickets=(0, 1))], tickets=tickets)).iter_rows(named=True)
    assert (row["delivery_id"], row["ticket_volume_l"]) == ("D2", 3_000.0)


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        (step_of(10.3, -20.0, at_rest=False), [(-60.0, "while selling")]),  # eight minutes after the first
        (step_of(10.3, 30.0), [(-10.0, "at rest")]),
        (step_of(10.3, 38.0), []),  # what is left is less than five litres
        (step_of(10.5, -20.0), [(-40.0, "at rest"), (-20.0, "at rest")]),
    ],
)
def test_a_draw_in_steps_is_one_and_what_comes_back_is_none(second, expected):
    steps = [(FIRST_DAY, step_of(10.0, -40.0)), (FIRST_DAY, second)]
    rows = draw_rows(sheet(steps=steps))
    assert [(row["litres"], row["kind"]) for row in rows.iter_rows(named=True)] == expected
    if len(expected) == 1:
        assert rows["sd_l"].to_list() == pytest.approx([np.hypot(2.0, 2.0)])


def test_a_move_while_a_drop_goes_on_is_no_draw():
    steps = [(FIRST_DAY + 1, step_of(30.1, -40.0))]
    assert draw_rows(sheet(steps=steps, drops=[drop_of(30.0, 2_950.0)])).height == 0


def test_a_meter_s_row_says_recorded_by_true():
    """It gives 1 % more than it records, ±0.2 %: 1 ÷ 1.01 − 1 = −0.990 %; the interval from 1.01392 to 1.00608."""
    rows = meter_rows(sheet(sold_l=50.0 * np.arange(12.0), sd=0.002, meter__M1=0.01))
    (row,) = rows.iter_rows(named=True)
    assert (row["tank_id"], row["meter_id"], row["day"]) == ("T1", "M1", date(2026, 1, 7))
    assert row["sold_l"] == pytest.approx(550.0)
    assert row["error_pct"] == pytest.approx(-0.9901, abs=1e-4)
    assert row["error_low_pct"] == pytest.approx(100.0 * (1.0 / 1.01392 - 1.0), abs=1e-4)
    assert row["error_high_pct"] == pytest.approx(100.0 * (1.0 / 1.00608 - 1.0), abs=1e-4)
    short = meter_rows(sheet(sold_l=50.0 * np.arange(12.0), meter__M1=-0.01))
    assert short["error_pct"].to_list() == pytest.approx([100.0 / 0.99 - 100.0])


def test_a_meter_s_error_holds_its_drift_and_its_calibration():
    """0.2 % as ever, 1 % since it drifts, −0.9 % since a visit at hour 40: 0.3 % in all."""
    sold = 50.0 * np.arange(12.0)
    base = len(balance_by(unit_of(GAUGE, calibrated_s={"M1": (float(at_s(40.0)),)}), dips_of(HOURS, 1_000.0)).names)
    drift = Named(Hypothesis("meter_drift", "M1", 0.005, False), FIRST_DAY, 5.0, 0, None, pieces=[(base, 0)])
    rows = meter_rows(
        sheet(sold_l=sold, named=[drift], calibrated_s={"M1": (float(at_s(40.0)),)}, pieces=[0.01], meter__M1=0.002,
              calibrated__M1=-0.009)
    )  # fmt: skip
    assert rows["error_pct"].to_list() == pytest.approx([100.0 * (1.0 / 1.003 - 1.0)])


def test_meters_are_told_on_sundays_and_on_the_last_day_of_data():
    """5 January 2026 is a Monday; 11 January the first Sunday. A day that has not come says nothing."""
    told = meter_rows(sheet(sold_l=50.0 * np.arange(12.0), views=range(9), days=8))
    assert told["day"].to_list() == [date(2026, 1, 11), date(2026, 1, 12)]
    assert date(2026, 1, 11).isoweekday() == 7
    told = meter_rows(sheet(sold_l=50.0 * np.arange(12.0), views=range(9), days=7))
    assert told["day"].to_list() == [date(2026, 1, 11)]


@pytest.mark.parametrize(("ahead_s", "skew_s"), [(90.0, -90.0), (-90.0, 90.0)])
def test_a_day_of_a_gauge(ahead_s, skew_s):
    """Stuck from hour 20 to 30; the gauge is behind a till that is ahead of it."""
    stuck = StuckSpan(float(at_s(20.0)), float(at_s(30.0)), 90.0, float(at_s(21.0)), 40.0)
    one = sheet(stuck=[stuck], lags={FIRST_DAY + 1: lag_of(ahead_s)})
    one.seen.probe["T1"] = [ProbeDay(FIRST_DAY + day, 48, 0.25 * day, 0.5, 0.1, 0, 0.1, 1.0) for day in range(3)]
    rows = health_rows(one)
    assert rows["day"].to_list() == [date(2026, 1, 5), date(2026, 1, 6), date(2026, 1, 7)]
    assert rows["is_stuck"].to_list() == [True, True, False]
    assert rows["bad_share"].to_list() == [0.0, 0.25, 0.5]
    assert rows["deadband_mm"].to_list() == [0.1, 0.2, 0.3]
    assert rows["clock_skew_s"].to_list() == [None, skew_s, None]


def test_an_instant_is_whole_to_the_microsecond():
    assert instants(np.array([1.5e9 + 0.123456])).to_list() == [
        datetime.fromtimestamp(1.5e9, UTC).replace(microsecond=123456)
    ]


def test_a_tank_without_a_walk_has_no_ledger_and_no_meters():
    seen = seen_of(unit_of(GAUGE))
    bare = sheet_of(seen, days_of(seen.unit, BOUNDS_H, 1_000.0))
    assert ledger_rows(bare).width == meter_rows(bare).width == health_rows(bare).width == 0
