"""Gauges that write down changes alone, and joined tanks. Truth by construction: no litre leaves but by the meter."""

import numpy as np
import pytest

from pipeline.ledger.gauge import GaugeSeries, joined_series
from pipeline.ledger.movements import MeterFlow, cumulative_l
from pipeline.ledger.moves import moves_of
from tests.support.gauges import straight_gauge

L_PER_MM = 20.0
DEADBAND_MM = 0.5
SALES_S = np.arange(3_600.0, 86_400.0, 2_700.0)
LITRES = 400.0


def flow() -> MeterFlow:
    return MeterFlow("M1", SALES_S, SALES_S + 240.0, np.full(len(SALES_S), LITRES))


def series(at_s: np.ndarray, level_mm: np.ndarray, *, nominal_s: float, is_on_change: bool) -> GaugeSeries:
    return straight_gauge(at_s, level_mm, l_per_mm=L_PER_MM, nominal_s=nominal_s, is_on_change=is_on_change)


def read(phase_s: float, step_s: float, *, share: float = 1.0, is_on_change: bool = True) -> GaugeSeries:
    """A tank that gives `share` of each sale, asked every `step_s`; kept where it changed by more than the deadband."""
    at_s = np.arange(phase_s, 86_400.0, step_s)
    level = 1_500.0 - share * cumulative_l(flow(), at_s) / L_PER_MM
    kept = [0]
    for place in range(1, len(at_s)):
        if not is_on_change or abs(level[place] - level[kept[-1]]) > DEADBAND_MM:
            kept.append(place)
    return series(at_s[kept], level[kept], nominal_s=step_s, is_on_change=is_on_change)


def test_a_silent_step_holds_the_reading_before_it_and_not_the_mean_of_its_step():
    """Asked every 100 s a sale shows in three readings of one step: the mean of them is no level of any instant."""
    gauge = read(50.0, 100.0)
    moves = moves_of(gauge, [flow()], [np.ones(len(gauge))], [])
    assert len(moves) > 100
    assert np.ptp(moves.moved_l()) <= 2.0 * DEADBAND_MM * L_PER_MM


def test_what_a_joined_tank_did_not_report_has_not_changed():
    """One of two is asked out of step with the other: between its reports its last one stands, on no straight line."""
    both = joined_series([read(10.0, 300.0, share=0.6), read(10.0, 300.0, share=0.4)])
    moved = both.gauge_l + cumulative_l(flow(), both.ts_s)
    assert both.is_on_change
    assert np.ptp(moved) <= 2.0 * 2.0 * DEADBAND_MM * L_PER_MM


def test_joined_tanks_on_change_are_known_at_the_reports_of_either():
    one = series(np.array([0.0, 900.0]), np.array([1_000.0, 990.0]), nominal_s=300.0, is_on_change=True)
    other = series(np.array([0.0, 600.0]), np.array([1_000.0, 995.0]), nominal_s=300.0, is_on_change=True)
    both = joined_series([one, other])
    assert both.ts_s.tolist() == [0.0, 600.0, 900.0]
    assert both.gauge_l == pytest.approx(L_PER_MM * np.array([2_000.0, 1_995.0, 1_985.0]))


@pytest.mark.parametrize("lost", [3, 20])
def test_an_instant_at_which_a_joined_tank_was_not_read_is_left_out(lost):
    """Read every ten minutes, a sale between two readings lies on no straight line."""
    one = read(0.0, 600.0, share=0.5, is_on_change=False)
    gap = series(np.delete(one.ts_s, lost), np.delete(one.level_mm, lost), nominal_s=600.0, is_on_change=False)
    both = joined_series([one, gap])
    assert len(both) == len(one) - 1
    assert np.ptp(both.gauge_l + cumulative_l(flow(), both.ts_s)) < 1e-6
