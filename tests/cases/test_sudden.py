"""Sudden moves: which are explained, and what the others are. Evidence: litres by hand, both sides of each window."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.decoys import sudden_decoys
from pipeline.cases.finding import Course, Finding
from pipeline.cases.sudden import sudden_findings, unexplained_moves, unmirrored
from pipeline.features.probe import StuckSpan
from pipeline.features.totals import Unbooked
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    drop_of,
    flow_of,
    gauge_of,
    lag_of,
    move_of,
    seen_of,
    site_of,
    step_of,
    unit_of,
)

DAYS = 12
HOUR = 24.0 * 6 + 2.0
"""When it moves: at two in the morning of the seventh day."""
GAUGE = gauge_of(np.arange(0.0, 24.0 * DAYS, 1 / 12) + 0.01, 1_000.0)
UNIT = unit_of(GAUGE)
NO_RETURNS = np.empty(0)


def unexplained(litres: float, *, day: int = 6, unit=UNIT, returns_h=(), at_rest: bool = True, more=(), **seen):
    """Litres of the moves that nothing explains."""
    steps = [(FIRST_DAY + day, step_of(HOUR, litres, at_rest=at_rest)), *more]
    one = seen_of(unit, steps=steps, **seen)
    return [
        move.step.litres for move in unexplained_moves(site_of(one, days=DAYS), one, np.asarray(at_s(list(returns_h))))
    ]


@pytest.mark.parametrize("litres", [-120.0, 120.0])
def test_a_move_that_nothing_explains_is_left(litres):
    assert unexplained(litres) == [litres]


def test_a_move_within_its_scatter_is_none():
    """An SD of 2 l: five and a half of them are 11 l."""
    assert unexplained(-10.9) == []
    assert unexplained(-11.1) == [-11.1]


@pytest.mark.parametrize(("hour", "left"), [(HOUR + 0.41, 0), (HOUR + 0.43, 1), (HOUR - 0.41, 0), (HOUR - 0.43, 1)])
def test_a_test_return_within_25_minutes_explains_it(hour, left):
    assert len(unexplained(-20.0, returns_h=[hour])) == left


@pytest.mark.parametrize(("start_h", "end_h", "left"), [(-2.0, 1.0, 0), (0.2, 1.0, 0), (0.3, 1.0, 1), (-2.0, -0.3, 1)])
def test_litres_that_the_totaliser_knows_explain_a_draw_and_no_gain(start_h, end_h, left):
    """A quarter of an hour to either side."""
    span = Unbooked("M1", float(at_s(HOUR + start_h)), float(at_s(HOUR + end_h)), 120.0)
    assert len(unexplained(-120.0, unbooked=[span])) == left
    assert len(unexplained(120.0, unbooked=[span])) == 1


def test_a_totaliser_read_on_a_later_day_explains_nothing_yet_but_what_waits():
    """Read at the end of the next day. 120 l at rest are judged on their day, 120 l while selling a day later."""
    span = Unbooked("M1", float(at_s(HOUR - 1.0)), float(at_s(HOUR + 40.0)), 120.0)
    assert unexplained(-120.0, unbooked=[span]) == [-120.0]
    assert unexplained(-120.0, unbooked=[span], at_rest=False) == []
    assert unexplained(-301.0, unbooked=[span], at_rest=False) == [-301.0]


@pytest.mark.parametrize(("change_h", "left"), [(HOUR + 0.9, 0), (HOUR + 1.1, 1), (HOUR - 0.9, 0)])
def test_a_new_chart_explains_what_happens_within_the_hour(change_h, left):
    assert len(unexplained(-120.0, unit=unit_of(GAUGE, charts=((-1_000.0, 5.0), (change_h, 5.0))))) == left


@pytest.mark.parametrize(("start_h", "end_h", "left"), [(-5.0, -0.9, 0), (-5.0, -1.1, 1), (0.1, 4.0, 0), (1.5, 4.0, 1)])
def test_a_gauge_that_was_stuck_explains_it(start_h, end_h, left):
    """Within it, and an hour after it; known at its start."""
    span = StuckSpan(float(at_s(HOUR + start_h)), float(at_s(HOUR + end_h)), 90.0, float(at_s(HOUR + start_h)), 40.0)
    assert len(unexplained(-120.0, stuck=[span])) == left


def test_a_day_on_which_the_clocks_moved_says_nothing():
    lags = {FIRST_DAY + 5: lag_of(0.0), FIRST_DAY + 6: lag_of(3_600.0)}
    assert unexplained(-120.0, lags=lags) == []
    assert unexplained(-120.0, lags={FIRST_DAY + 5: lag_of(3_600.0), FIRST_DAY + 6: lag_of(3_600.0)}) == [-120.0]


@pytest.mark.parametrize(("count", "left"), [(8, 8), (9, 0)])
def test_a_day_of_more_than_eight_moves_is_the_gauge_s(count, left):
    more = [(FIRST_DAY + 6, step_of(HOUR + number, -120.0 - number)) for number in range(1, count)]
    assert len(unexplained(-120.0, more=more)) == left


@pytest.mark.parametrize(
    ("hours", "back_l", "undone"), [(2.0, 110.0, True), (3.1, 110.0, False), (2.0, 70.0, False), (2.0, -120.0, False)]
)
def test_a_move_that_the_opposite_one_undoes_within_three_hours_is_marked(hours, back_l, undone):
    """Like within three tenths and two SDs: 40 l of 120."""
    steps = [(FIRST_DAY + 6, step_of(HOUR, -120.0)), (FIRST_DAY + 6, step_of(HOUR + hours, back_l))]
    one = seen_of(UNIT, steps=steps)
    told = unexplained_moves(site_of(one, days=DAYS), one, NO_RETURNS)
    assert told[0].undone is undone


@pytest.mark.parametrize(
    ("other_l", "minutes_later", "left"),
    [
        (120.0, 0.0, 0),
        (80.0, 0.0, 0),
        (70.0, 0.0, 1),
        (205.0, 0.0, 1),
        (-120.0, 0.0, 1),
        (120.0, 14.0, 0),
        (120.0, 16.0, 1),
    ],
)
def test_what_another_tank_gains_at_the_time_was_not_stolen(other_l, minutes_later, left):
    """Moves of ten minutes, no more than five apart; neither less than six tenths of the other."""
    mine = move_of(HOUR, -120.0)
    units = [
        seen_of(unit_of(GAUGE, name=name), steps=[(FIRST_DAY + 6, step)])
        for name, step in (("T1", mine.step), ("T2", step_of(HOUR + minutes_later / 60.0, other_l)))
    ]
    told = unmirrored(site_of(*units, days=DAYS), {"T1": [mine], "T2": []})
    assert len(told["T1"]) == left


def test_two_gauges_do_not_jump_at_one_moment():
    at_once = replace(move_of(HOUR, -120.0), samples=0)
    units = [seen_of(unit_of(GAUGE, name=name), steps=[(FIRST_DAY + 6, at_once.step)]) for name in ("T1", "T2")]
    site = site_of(*units, days=DAYS)
    assert unmirrored(site, {"T1": [at_once], "T2": []})["T1"] == []
    assert len(unmirrored(site, {"T1": [replace(at_once, samples=3)], "T2": []})["T1"]) == 1


def found(*moves, unit=None, **seen) -> list[Finding]:
    one = unit or seen_of(UNIT, **seen)
    return sudden_findings(site_of(one, days=DAYS), {"T1": list(moves)})


def test_one_large_draw_is_a_case_of_its_litres():
    (one,) = found(move_of(HOUR, -400.0))
    assert (one.cause, one.tank_id, one.day, one.rival) == ("bulk_theft", "T1", FIRST_DAY + 6, None)
    assert (one.litres, one.sd_l) == (-400.0, pytest.approx(np.hypot(2.0, 8.0)))
    assert (one.start_s, one.end_s) == (at_s(HOUR), pytest.approx(at_s(HOUR) + 600.0))
    assert one.evidence[1].value == pytest.approx(40.0)  # litres a minute, in ten minutes
    assert one.course.until(at_s([HOUR, HOUR + 1.0])) == pytest.approx([0.0, -400.0])


def test_pieces_within_three_hours_are_one_draw():
    """400 l, and 200 l two hours after it; 150 l four hours after that are another."""
    first, second, third = move_of(HOUR, -400.0), move_of(HOUR + 2.0, -200.0), move_of(HOUR + 6.0, -150.0)
    told = found(first, second, third)
    assert [one.litres for one in told] == pytest.approx([-600.0, -150.0])
    assert told[0].end_s == second.step.end_s
    assert told[0].day == FIRST_DAY + 6


def series(*days: int, litres: float = -240.0, hours=(2.0,) * 8):
    return [move_of(24.0 * day + hour, litres) for day, hour in zip(days, hours, strict=False)]


def test_a_series_of_large_draws_at_one_hour_is_one_matter_from_the_third_on():
    first, second, rest = found(*series(1, 3, 4, 6, 7))
    assert [one.cause for one in (first, second, rest)] == ["bulk_theft", "bulk_theft", "slow_theft"]
    assert (rest.day, rest.start_s, rest.litres) == (FIRST_DAY + 4, at_s(98.0), pytest.approx(-720.0))


@pytest.mark.parametrize(
    "draws",
    [
        series(1, 3, 4, hours=(2.0, 2.0, 4.1)),
        series(1, 1, 4, hours=(2.0, 3.5, 2.0)),
        [*series(1, 3), *series(4, litres=-620.0)],
    ],
    ids=["another hour", "one day", "another size"],
)
def test_large_draws_that_make_no_series_are_cases_of_their_own(draws):
    assert {one.cause for one in found(*draws)} == {"bulk_theft"}
    assert sum(one.litres for one in found(*draws)) == pytest.approx(sum(one.step.litres for one in draws))


def test_a_slow_series_leaves_no_large_draw_untold():
    """Every sixth day, then after a pause of eleven: what went before speaks for it, whatever it was told as."""
    told = found(*series(0, 6, 12, 23))
    assert sum(one.litres for one in told) == pytest.approx(-4 * 240.0)


def test_what_was_booked_within_two_hours_of_a_draw_is_told():
    flow = flow_of((HOUR - 2.1, 10.0), (HOUR - 1.9, 30.0), (HOUR + 1.0, 50.0), (HOUR + 2.4, 70.0))
    (one,) = found(move_of(HOUR, -400.0), flows=[flow])
    assert one.booked_l == pytest.approx(80.0)


@pytest.mark.parametrize("litres", [-69.0, 400.0])
def test_a_small_draw_by_itself_and_a_gain_are_no_theft(litres):
    assert found(move_of(HOUR, litres)) == []


@pytest.mark.parametrize(
    ("gain_l", "days_before", "count"), [(170.0, 2, 0), (150.0, 2, 1), (170.0, 4, 1), (170.0, -1, 1)]
)
def test_a_draw_after_a_gain_of_like_size_is_none(gain_l, days_before, count):
    """More than four tenths of it, within three days before: nobody pours back what he is to take."""
    gain = move_of(HOUR - 24.0 * days_before, gain_l, sd_l=25.0)
    assert len([one for one in found(move_of(HOUR, -400.0), gain) if one.cause == "bulk_theft"]) == count


def test_a_draw_that_came_back_is_none():
    assert found(replace(move_of(HOUR, -400.0), undone=True)) == []


@pytest.mark.parametrize(("transit_s", "count"), [(11_900.0, 1), (12_200.0, 0)])
def test_what_goes_slower_than_by_a_hand_pump_goes_by_no_hand(transit_s, count):
    """400 l at two litres a minute are 200 minutes, and one reading more."""
    assert len(found(move_of(HOUR, -400.0, transit_s=transit_s))) == count


def jump(litres: float, *, sd_l: float = 2.0):
    """From one reading to the next, a minute apart."""
    return replace(move_of(HOUR, litres, sd_l=sd_l, minutes=1.0), samples=0, transit_s=60.0)


@pytest.mark.parametrize(("litres", "rival"), [(-700.0, "bulk_theft"), (200.0, "missing_ticket")])
def test_a_gauge_that_jumps_is_at_fault(litres, rival):
    """700 l a minute no pump gives; and what comes without rising comes from nowhere."""
    (one,) = found(jump(litres))
    assert (one.cause, one.litres, one.rival[0]) == ("probe_fault", None, rival)
    assert one.evidence[0].kind == "instant"
    assert one.evidence[0].value == pytest.approx(litres / 5.0)
    assert one.course.until(at_s([HOUR + 1.0])) == pytest.approx([litres])


def fall(litres: float, *, samples: int = 0):
    """Within five minutes, between two readings or over so many in between."""
    return replace(move_of(HOUR, litres, minutes=5.0, transit_s=300.0), samples=samples, nominal_s=300.0)


def test_a_fall_between_two_slow_readings_is_a_draw_as_likely_as_a_jump():
    """358 l in five minutes are 71.6 l/min at the least. Draws of ln q even from 20 to 550 l/min lie between two
    readings by (ln(550 / 71.6) + 71.6 / 550 - 1) / ln 27.5 = 1.1690 / 3.3142 = 0.3527; at three draws a jump that is
    1.0582 / 2.0582 = 0.5141, and the gauge is behind by ln 1.0582 = 0.0566.
    """
    (one,) = found(fall(-358.0))
    assert (one.cause, one.litres) == ("bulk_theft", -358.0)
    assert one.share == pytest.approx(0.5141, abs=1e-4)
    assert one.rival == ("probe_fault", pytest.approx(one.log_odds - 0.0566, abs=1e-3))


def test_a_larger_one_is_the_gauge_s():
    """600 l, 120 l/min: 0.7406 / 3.3142 = 0.2235 and 0.6704 / 1.6704 = 0.4013 of a draw; the rest is the gauge's."""
    (one,) = found(fall(-600.0))
    assert (one.cause, one.litres, one.rival[0]) == ("probe_fault", None, "bulk_theft")
    assert one.share == pytest.approx(1.0 - 0.4013, abs=1e-4)


@pytest.mark.parametrize("litres", [-358.0, -600.0])
def test_what_a_reading_saw_on_its_way_was_drawn(litres):
    (one,) = found(fall(litres, samples=1))
    assert (one.cause, one.litres, one.share, one.rival) == ("bulk_theft", litres, 1.0, None)


def test_two_falls_within_three_hours_are_a_draw_s():
    """A gauge that jumped does not do it again, by a like amount, two hours later."""
    (one,) = found(fall(-358.0), replace(move_of(HOUR + 2.0, -340.0, minutes=5.0, transit_s=300.0), samples=0))
    assert (one.cause, one.litres, one.share, one.rival) == ("bulk_theft", -698.0, 1.0, None)


def test_a_jump_ends_when_the_probe_was_replaced():
    unit = unit_of(GAUGE, events=[("probe_replaced", HOUR - 1.0), ("probe_replaced", HOUR + 30.0)])
    (one,) = found(jump(-700.0), unit=seen_of(unit))
    assert one.end_s == at_s(HOUR + 30.0)


@pytest.mark.parametrize(("back_l", "cases"), [(-200.0, 1), (-186.0, 1), (-170.0, 2)])
def test_a_jump_that_is_taken_back_ends_there_and_the_way_back_is_no_draw(back_l, cases):
    """40 mm up and, ten days later, 40 mm down: a tenth of them and four litres of scatter are 5 mm, 24 l."""
    up, down = jump(200.0), replace(fall(back_l), day=FIRST_DAY + 9, step=step_of(HOUR + 72.0, back_l, minutes=5.0))
    first, *others = found(up, down)
    assert (first.cause if cases == 1 else others[-1].cause) == "probe_fault"
    assert 1 + len(others) == cases
    ends = [one.end_s for one in (first, *others) if one.cause == "probe_fault"]
    assert ends == [down.step.start_s if cases == 1 else None]


def test_a_quirk_of_two_millimetres_is_no_case():
    assert found(jump(10.0, sd_l=0.5)) == []


def decoys(*moves, findings=()):
    one = seen_of(UNIT)
    return sudden_decoys(site_of(one, days=DAYS), {"T1": list(moves)}, list(findings))


def test_a_rise_is_the_decoy_that_its_fall_would_be():
    """400 l come in ten minutes without a drop: as strong as the draw of 400 l, and no draw's."""
    (one,) = decoys(move_of(HOUR, 400.0))
    (real,) = found(move_of(HOUR, -400.0))
    assert (one.cause, one.unit_id, one.day, one.of_balance) == ("bulk_theft", "T1", FIRST_DAY + 6, False)
    assert one.log_odds == pytest.approx(real.log_odds)
    assert decoys(move_of(HOUR, -400.0)) == []


def test_a_rise_that_a_finding_accounts_for_is_no_decoy():
    start, end = float(at_s(HOUR - 24.0)), float(at_s(HOUR + 24.0))
    split = Finding(
        "phase_separation", "S1", "T1", "T1", day=FIRST_DAY + 5, start_s=start, end_s=end, log_odds=5.0,
        course=Course(np.empty(0), np.empty(0)),
    )  # fmt: skip
    assert decoys(move_of(HOUR, 400.0), findings=[split]) == []
    assert len(decoys(move_of(HOUR, 400.0), findings=[replace(split, unit_id="T2")])) == 1
    assert len(decoys(move_of(HOUR, 400.0), findings=[replace(split, day=FIRST_DAY + 7)])) == 1


def test_a_rise_that_is_a_drop_is_none_of_the_moves():
    """Drops are found before moves, and a drop of joined tanks alone in one is a gauge's: here there is one tank."""
    assert found(drops=[drop_of(HOUR, 2_000.0)]) == []
