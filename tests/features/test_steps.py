"""Sudden moves of the stock: all of a draw is one move, and one odd reading is none. Truth by construction."""

import numpy as np
import pytest

from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.moves import moves_of
from tests.support.gauges import straight_gauge

L_PER_MM = 12.0
DAY_S = 86_400.0
DRAWN_S = 4.5 * DAY_S


def steps_of(level_mm: np.ndarray, at_s: np.ndarray) -> list[Step]:
    """The moves of the fifth day, the days before telling the scatter; nothing is sold."""
    series = straight_gauge(at_s, level_mm, l_per_mm=L_PER_MM)
    moves = moves_of(series, [], [], [])
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
