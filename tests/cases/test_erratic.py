"""A balance that goes up and down, and what goes in a silence. Evidence: litres by hand, both sides of each edge."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.erratic import erratic_findings
from pipeline.estimate.hypotheses import Hypothesis
from pipeline.estimate.walked import Named
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    balance_by,
    believing,
    dips_of,
    gauge_of,
    move_of,
    seen_of,
    unit_of,
    view_of,
    walk_of,
    walked_of,
)

DAYS = 30
HOURS = np.arange(0.5, 24.0 * DAYS, 6.0)
EXCURSION = Hypothesis("excursion", None, 1.5, one_sided=False)


def walk(hours=HOURS, *, excursions=(), pieces=(), then=None, sd: float = 0.1, day: int = 12):
    """A tank's walk: its last view believes in odd days of those litres an hour, as that of `day` did, or `then`."""
    dips = dips_of(hours, 1_000.0)
    unit = unit_of(gauge_of(np.arange(0.0, 24.0 * DAYS, 1.0), 1_000.0))
    balance = balance_by(unit, dips)
    now = believing(balance, pieces=[(one, sd) for one in pieces])
    before = believing(balance, pieces=[(one, sd) for one in (then or pieces)])
    views = [view_of(FIRST_DAY + day, before), view_of(FIRST_DAY + DAYS - 1, now)]
    base = len(balance.names)
    named = [
        Named(EXCURSION, FIRST_DAY + day, 5.0, onset, None, pieces=[(base + place, onset)])
        for place, onset in enumerate(excursions)
    ]
    return walked_of(seen_of(unit), dips, walk_of(balance, views, excursions=named))


def found(*moves, **more):
    return erratic_findings([walk(**more)], {"T1": list(moves)})


def steps(*litres: float, from_day: float = 10.0, apart: float = 0.8):
    return [move_of(24.0 * (from_day + apart * number), one, sd_l=4.0) for number, one in enumerate(litres)]


UP_AND_DOWN = (90.0, -80.0, 70.0, -85.0, 75.0, -60.0)


def odds(more: int, span: float, before: float) -> float:
    """Log odds of a spell after so many further oddities in a span of days, by two geometric laws. Worked by hand."""
    spell = (2.0 / (2.0 + span)) * (span / (2.0 + span)) ** more
    over = 30.0 + before
    usual = (over / (over + span)) * (span / (over + span)) ** more
    return -6.0 + np.log(spell) - np.log(usual)


def test_moves_up_and_down_within_days_are_one_spell():
    """By one in two days against one in forty: beyond 2 with the sixth of them, four days after the first."""
    (one,) = found(*steps(*UP_AND_DOWN))
    assert (one.cause, one.unit_id, one.rate_l_per_h) == ("unexplained", "T1", None)
    assert odds(4, 3.2, 10.0) < 2.0 < odds(5, 4.0, 10.0)
    assert one.log_odds == pytest.approx(odds(5, 4.0, 10.0))
    assert one.day == FIRST_DAY + 14
    assert one.litres == pytest.approx(sum(UP_AND_DOWN))
    assert one.sd_l == pytest.approx(0.15 * sum(abs(litres) for litres in UP_AND_DOWN) + 15.0)
    assert one.start_s == at_s(240.0)
    assert one.course.until(at_s([240.0, 24.0 * 10.8])) == pytest.approx([90.0, 10.0])


def test_five_are_no_spell_yet():
    assert found(*steps(*UP_AND_DOWN[:5])) == []


def test_losses_alone_are_a_rate_or_a_theft_and_gains_alone_are_a_spell():
    assert found(*steps(*(-80.0,) * 8)) == []
    assert len(found(*steps(*(80.0,) * 8))) == 1


@pytest.mark.parametrize(("litres", "count"), [(29.0, 0), (31.0, 1)])
def test_one_small_move_against_the_others_makes_no_spell(litres, count):
    """A gain of less than 15 % of the largest loss, 200 l, is none."""
    assert len(found(*steps(-200.0, litres, *(-200.0,) * 6))) == count


def test_moves_of_three_hours_are_one_event():
    """Twelve moves in six pairs, an hour apart: six events, told by the larger of each."""
    pairs = [one for number, litres in enumerate(UP_AND_DOWN) for one in (
        move_of(24.0 * (10.0 + 0.8 * number), litres, sd_l=4.0),
        move_of(24.0 * (10.0 + 0.8 * number) + 1.0, 0.5 * litres, sd_l=4.0),
    )]  # fmt: skip
    (one,) = found(*pairs)
    assert one.litres == pytest.approx(sum(UP_AND_DOWN))


@pytest.mark.parametrize(("from_day", "lasts"), [(10.0, False), (18.5, True)])
def test_a_spell_lasts_until_it_has_been_quiet_for_eight_days(from_day, lasts):
    (one,) = found(*steps(*UP_AND_DOWN, from_day=from_day))
    assert (one.end_s is None) is lasts


@pytest.mark.parametrize(("sd_l", "litres", "count"), [(4.0, 24.0, 0), (4.0, 26.5, 1), (5.0, 26.5, 0)])
def test_small_moves_are_a_gauge_s_quirks(sd_l, litres, count):
    """25 l, or 2 mm of 5 l, and six and a half SDs."""
    moves = [replace(move, step=replace(move.step, litres=np.sign(move.step.litres) * litres, sd_l=sd_l,
                                        z=np.sign(move.step.litres) * litres / sd_l))
             for move in steps(*UP_AND_DOWN, 80.0, -80.0)]  # fmt: skip
    assert len(found(*moves)) == count


def silent(litres: float, *, hours: float = 17.0, sd_l: float = 5.0, then_l: float | None = None):
    """Findings of a tank that is silent on its twelfth day for so long, beyond which so many litres went."""
    start = 24.0 * 12 + 0.5
    kept = HOURS[(start >= HOURS) | (start + hours <= HOURS)]
    onset = int(np.searchsorted(kept, 24.0 * 12))
    dip = int(np.searchsorted(kept, start, "right"))
    lasted = kept[dip] - kept[dip - 1]
    then = None if then_l is None else [-then_l / lasted]
    one = walk(kept, excursions=[onset], pieces=[-litres / lasted], then=then, sd=sd_l / lasted)
    return erratic_findings([one], {}), (at_s(kept[dip - 1]), at_s(kept[dip]))


@pytest.mark.parametrize(("litres", "rival"), [(-300.0, "bulk_theft"), (300.0, "missing_ticket")])
def test_what_went_in_a_silence_has_its_litres_and_its_hours(litres, rival):
    (one,), (start_s, end_s) = silent(litres)
    assert (one.cause, one.rival) == ("unexplained", (rival, 0.0))
    assert one.litres == pytest.approx(litres)
    assert (one.start_s, one.end_s) == (start_s, end_s)
    assert one.sd_l == pytest.approx(np.hypot(5.0, 0.05 * 300.0))
    assert one.course.until(np.array([start_s, end_s])) == pytest.approx([0.0, litres])
    assert one.day == FIRST_DAY + 12


@pytest.mark.parametrize(("litres", "sd_l", "count"), [(-99.0, 5.0, 0), (-101.0, 5.0, 1), (-101.0, 12.7, 0)])
def test_a_hundred_litres_and_eight_sds_are_told_of_a_silence(litres, sd_l, count):
    assert len(silent(litres, sd_l=sd_l)[0]) == count


def test_a_silence_is_judged_by_what_its_day_s_run_believed():
    assert silent(-300.0, then_l=-50.0)[0] == []
    (one,), _ = silent(-50.0, then_l=-300.0)
    assert one.litres == pytest.approx(-50.0)
