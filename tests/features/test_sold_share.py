"""A chart's slope takes a share of every sale, and a draw none. Evidence: known truth by construction."""

import numpy as np
import pytest

from pipeline.features.sold_share import with_share, with_stamp_doubt
from pipeline.features.steps import Step
from pipeline.ledger.movements import MeterFlow
from pipeline.ledger.moves import moves_of
from tests.support.gauges import straight_gauge

L_PER_MM = 12.0
HOUR_S = 3600.0


def scored(share: float, drawn_l: float) -> float:
    """Score of the step about the sale of the seventh hour, of a tank that loses `share` beside each sale of 400 l."""
    at_s = np.arange(25.0, 10 * HOUR_S, 300.0)
    start_s = np.arange(1.0, 9.0) * HOUR_S
    flow = MeterFlow("M1", start_s, start_s + 240.0, np.full(len(start_s), 400.0))
    sold = 400.0 * np.clip((at_s[:, None] - start_s) / 240.0, 0.0, 1.0).sum(axis=1)
    moved = -share * sold - drawn_l * (at_s > 7 * HOUR_S + 120.0)
    level = 1_500.0 + (moved - sold) / L_PER_MM
    level += np.random.default_rng(7).normal(0.0, 0.05, len(at_s))
    moves = moves_of(straight_gauge(at_s, level, l_per_mm=L_PER_MM), [flow], [np.ones(len(at_s))], [])
    first = int(np.searchsorted(moves.ts_s, 7 * HOUR_S)) - 1
    litres = -share * 400.0 - drawn_l
    step = Step(moves.ts_s[first], moves.ts_s[first + 2], moves.ts_s[-1], litres, 1.0, litres, at_rest=False)
    return with_share(moves, moves.moved_l(), step, 10 * HOUR_S).z


@pytest.mark.parametrize("share", [0.04, -0.04])
def test_what_every_sale_takes_is_no_move(share):
    assert abs(scored(share, 0.0)) < 3.0


@pytest.mark.parametrize("drawn_l", [40.0, -40.0])
def test_a_draw_beside_a_sale_stays_one(drawn_l):
    """40 l lost or come beside one sale of 400 l, of eight; three SDs of 2.4 l are 7 l."""
    assert scored(0.0, drawn_l) * drawn_l < 0.0
    assert abs(scored(0.0, drawn_l)) > 10.0


@pytest.mark.parametrize("drawn_l", [40.0, -40.0])
def test_a_move_without_sales_about_it_keeps_its_score(drawn_l):
    """A draw by night: nothing is sold about it, so nothing is doubtful."""
    at_s = np.arange(25.0, 10 * HOUR_S, 300.0)
    level = 1_500.0 - drawn_l / L_PER_MM * (at_s > 7 * HOUR_S)
    moves = moves_of(straight_gauge(at_s, level, l_per_mm=L_PER_MM), [], [], [])
    first = int(np.searchsorted(moves.ts_s, 7 * HOUR_S)) - 1
    step = Step(moves.ts_s[first], moves.ts_s[first + 1], moves.ts_s[-1], -drawn_l, 2.0, -drawn_l / 2.0, at_rest=True)
    assert with_share(moves, moves.moved_l(), step, 10 * HOUR_S).z == pytest.approx(-drawn_l / 2.0)


def test_what_is_known_later_says_nothing_of_a_move():
    """Every sale after the move takes four per cent, none before: until the day ends the share is none."""
    at_s = np.arange(25.0, 10 * HOUR_S, 300.0)
    start_s = np.arange(1.0, 9.0) * HOUR_S
    flow = MeterFlow("M1", start_s, start_s + 240.0, np.full(len(start_s), 400.0))
    each = 400.0 * np.clip((at_s[:, None] - start_s) / 240.0, 0.0, 1.0)
    share = np.where(start_s > 5.5 * HOUR_S, 0.04, 0.0)
    level = 1_500.0 - (each * (1.0 + share)).sum(axis=1) / L_PER_MM
    moves = moves_of(straight_gauge(at_s, level, l_per_mm=L_PER_MM), [flow], [np.ones(len(at_s))], [])
    first = int(np.searchsorted(moves.ts_s, 5 * HOUR_S)) - 1
    step = Step(moves.ts_s[first], moves.ts_s[first + 2], moves.ts_s[first + 6], -16.0, 2.0, -8.0, at_rest=False)
    then, now = (with_share(moves, moves.moved_l(), step, until) for until in (6 * HOUR_S, 10 * HOUR_S))
    assert abs(now.z) < abs(then.z)
    assert then.z == pytest.approx(with_share(moves, moves.moved_l(), step, 6 * HOUR_S).z)
    assert then.litres == now.litres == step.litres


@pytest.mark.parametrize(("l_per_min", "z"), [(40.0, 100.0), (300.0, 200.0 / np.hypot(2.0, 150.0))])
def test_what_fast_hoses_give_about_an_edge_is_in_doubt(l_per_min, z):
    """A move of 200 l, SD 2 l, that ends amid a sale: of 300 l/min a minute about the edge holds 300 l, SD 150."""
    flow = MeterFlow("M1", np.array([500.0]), np.array([800.0]), np.array([5.0 * l_per_min]))
    step = Step(300.0, 600.0, 900.0, 200.0, 2.0, 100.0, at_rest=False)
    assert with_stamp_doubt([flow], step).z == pytest.approx(z)
