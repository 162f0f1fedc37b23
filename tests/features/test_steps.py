"""Sudden moves of the stock: all of a draw is one move, and one odd reading is none. Truth by construction."""

import numpy as np
import pytest

from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.movements import MeterFlow
from pipeline.ledger.moves import moves_of
from tests.support.gauges import straight_gauge

L_PER_MM = 12.0
DAY_S = 86_400.0
DRAWN_S = 4.5 * DAY_S


def steps_of(level_mm: np.ndarray, at_s: np.ndarray, flows: tuple[MeterFlow, ...] = ()) -> list[Step]:
    """The moves of the fifth day, the days before telling the scatter; nothing is sold but by `flows`."""
    series = straight_gauge(at_s, level_mm, l_per_mm=L_PER_MM)
    moves = moves_of(series, list(flows), [np.ones(len(at_s))] * len(flows), [])
    moved = moves.moved_l()
    spread = step_spread(moves, moved, 0.0, 4.0 * DAY_S)
    return find_steps(moves, moved, spread, 4.0 * DAY_S, 5.0 * DAY_S)


def quiet() -> tuple[np.ndarray, np.ndarray]:
    at_s = np.arange(25.0, 5.0 * DAY_S, 300.0)
    return 1_200.0 + np.random.default_rng(20_261_130).normal(0.0, 0.2, len(at_s)), at_s


@pytest.mark.parametrize("share_first", [0.1, 0.4, 0.7, 0.95])
@pytest.mark.parametrize("litres", [150.0, 970.0])
def test_a_draw_that_two_readings_share_is_found_whole(share_first, litres):
    level, at_s = quiet()
    level -= litres / L_PER_MM * (share_first * (at_s > DRAWN_S) + (1.0 - share_first) * (at_s > DRAWN_S + 300.0))
    (step,) = steps_of(level, at_s)
    assert step.litres == pytest.approx(-litres, abs=4.0 * step.sd_l)
    assert step.sd_l < 5.0


@pytest.mark.parametrize("odd_mm", [-40.0, 25.0])
def test_one_reading_that_hops_away_and_back_is_no_move(odd_mm):
    level, at_s = quiet()
    level[np.searchsorted(at_s, DRAWN_S)] += odd_mm
    assert steps_of(level, at_s) == []


def test_a_litre_that_stays_away_is_no_hop():
    level, at_s = quiet()
    level -= 3.0 * (at_s > DRAWN_S)
    (step,) = steps_of(level, at_s)
    assert step.litres == pytest.approx(-3.0 * L_PER_MM, abs=4.0 * step.sd_l)


def sale(after_s: float, litres: float = 60.0) -> MeterFlow:
    """One sale of two minutes that ends so many seconds after the draw begins."""
    end_s = np.array([DRAWN_S + after_s])
    return MeterFlow("M1", end_s - 120.0, end_s, np.array([litres]))


@pytest.mark.parametrize(("after_s", "at_rest"), [(450.0, False), (-3_600.0, True), (3_600.0, True)])
@pytest.mark.parametrize("litres", [-240.0, 240.0])
def test_a_move_is_at_rest_where_no_hose_was_open_meanwhile(after_s, at_rest, litres):
    """240 l go, or come, within 15 minutes; a sale of 60 l, all of which leaves the tank, falls into them or not."""
    level, at_s = quiet()
    sold = 60.0 * np.clip((at_s - DRAWN_S - after_s) / 120.0 + 1.0, 0.0, 1.0)
    level += (litres * np.clip((at_s - DRAWN_S) / 900.0, 0.0, 1.0) - sold) / L_PER_MM
    found = steps_of(level, at_s, (sale(after_s),))
    assert sum(one.litres for one in found) == pytest.approx(litres, abs=25.0)
    assert all(one.at_rest for one in found) is at_rest
    assert all(np.sign(one.z) == np.sign(litres) for one in found)
    assert found[0].start_s < DRAWN_S + 300.0 and found[-1].end_s > DRAWN_S + 600.0


def test_a_move_of_the_day_before_is_not_told_again_and_a_later_one_not_yet():
    at_s = np.arange(25.0, 6.0 * DAY_S, 300.0)
    level = 1_200.0 + np.random.default_rng(20_261_130).normal(0.0, 0.2, len(at_s))
    for moved_s, count in ((3.5 * DAY_S, 0), (4.5 * DAY_S, 1), (5.0 * DAY_S, 0)):
        assert len(steps_of(level - 20.0 * (at_s > moved_s), at_s)) == count


@pytest.mark.parametrize(("mm", "count"), [(0.3, 0), (2.0, 1)])
def test_a_move_of_less_than_four_tenths_of_a_millimetre_is_left_alone(mm, count):
    """On a gauge that scatters by 0.01 mm, where 0.3 mm would stand out."""
    level, at_s = quiet()
    level = 1_200.0 + 0.05 * (level - 1_200.0) - mm * (at_s > DRAWN_S)
    assert len(steps_of(level, at_s)) == count


def busy(*, at_rest_mm: float, selling_mm: float) -> tuple[np.ndarray, np.ndarray, MeterFlow]:
    """A tank that sells from six to eighteen, a little each ten minutes, and scatters otherwise then than at rest."""
    at_s = np.arange(25.0, 5.0 * DAY_S, 300.0)
    end_s = np.arange(600.0, 5.0 * DAY_S, 600.0)
    end_s = end_s[(end_s % DAY_S >= 6 * 3_600.0) & (end_s % DAY_S < 18 * 3_600.0)]
    flow = MeterFlow("M1", end_s - 540.0, end_s, np.full(len(end_s), 0.01))
    hour = at_s % DAY_S / 3_600.0
    mm = np.where((hour >= 6.0) & (hour < 18.0), selling_mm, at_rest_mm)
    return 1_200.0 + mm * np.random.default_rng(4).normal(size=len(at_s)), at_s, flow


@pytest.mark.parametrize(("at_rest_mm", "selling_mm"), [(0.4, 4.0), (0.4, 0.4)])
def test_what_a_stock_moves_by_itself_is_told_at_rest_and_selling_apart(at_rest_mm, selling_mm):
    """Four steps' mean less four steps' mean of white noise s: s · √(2/4); of heavy hours none comes into the rests."""
    level, at_s, flow = busy(at_rest_mm=at_rest_mm, selling_mm=selling_mm)
    moves = moves_of(straight_gauge(at_s, level, l_per_mm=L_PER_MM), [flow], [np.ones(len(at_s))], [])
    told = step_spread(moves, moves.moved_l(), 0.0, 5.0 * DAY_S)[0]
    assert told == pytest.approx(L_PER_MM * np.sqrt(0.5) * np.array([at_rest_mm, selling_mm]), rel=0.2)


@pytest.mark.parametrize(("hour", "share"), [(23.0, 1.0), (14.0, 0.5)])
def test_where_the_data_end_at_rest_two_steps_after_a_move_are_enough(hour, share):
    """The data end ten minutes after a move of 240 l: all of it is told at eleven of the night.

    While hoses are open four steps are taken after a move, of which two are before this one: half of it shows.
    """
    level, at_s, flow = busy(at_rest_mm=0.2, selling_mm=0.2)
    moved_s = 4.0 * DAY_S + 3_600.0 * hour
    here = at_s < moved_s + 600.0
    assert (at_s[here] > moved_s).sum() == 2
    (step,) = steps_of((level - 20.0 * (at_s > moved_s))[here], at_s[here], (flow,))
    assert step.litres == pytest.approx(-240.0 * share, abs=8.0)
    assert step.at_rest is (share == 1.0)
