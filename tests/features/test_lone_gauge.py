"""Of joined tanks: what is drawn comes to stand in all, a gauge's jump in one. Truth by construction."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.steps import Step
from pipeline.features.transit import lone_member
from pipeline.ledger.gauge import GaugeSeries, kept
from tests.support.gauges import straight_gauge

L_PER_MM = 20.0
AT_S = np.arange(0.0, 6 * 3_600.0, 300.0)
MOVED_S = 3 * 3_600.0
LEVEL_OUT_S = 480.0
"""How fast a siphon brings two levels together: a time constant of eight minutes. Invented."""


def gauge(level_mm: np.ndarray) -> GaugeSeries:
    return straight_gauge(AT_S, level_mm, l_per_mm=L_PER_MM)


def pair(*, jumped_mm: float = 0.0, drawn_l: float = 0.0, sold_mm_per_h: float = 20.0) -> tuple[GaugeSeries, ...]:
    """Two joined tanks that sell; the second gauge jumps, or as much is drawn from the second tank in one go."""
    rng = np.random.default_rng(20_261_128)
    since_s = np.maximum(AT_S - MOVED_S, 0.0)
    gone = AT_S > MOVED_S
    apart_mm = gone * drawn_l / L_PER_MM * 0.5 * np.exp(-since_s / LEVEL_OUT_S)
    level = 1_500.0 - sold_mm_per_h * AT_S / 3_600.0 - gone * drawn_l / L_PER_MM * 0.5
    noise = rng.normal(0.0, 0.5, (2, len(AT_S)))
    return gauge(level + apart_mm + noise[0]), gauge(level - apart_mm + gone * jumped_mm + noise[1])


def step(litres: float) -> Step:
    return Step(MOVED_S, MOVED_S + 300.0, MOVED_S + 900.0, litres, 15.0, litres / 15.0, at_rest=True)


@pytest.mark.parametrize("jumped_mm", [-30.0, -6.0, 12.0])
def test_a_gauge_that_jumped_is_told_by_its_partner(jumped_mm):
    assert lone_member(pair(jumped_mm=jumped_mm), step(jumped_mm * L_PER_MM), np.inf) == 1


@pytest.mark.parametrize("drawn_l", [200.0, 600.0, 1_200.0])
def test_a_draw_from_one_comes_to_stand_in_both(drawn_l):
    assert lone_member(pair(drawn_l=drawn_l), step(-drawn_l), np.inf) is None


def test_it_is_not_told_before_the_levels_had_time_to_meet():
    assert lone_member(pair(jumped_mm=-30.0), step(-600.0), MOVED_S + 1_500.0) is None


@pytest.mark.parametrize("jumped_mm", [-30.0, -6.0])
@pytest.mark.parametrize("minutes", [26.0, 37.5, 61.0, 118.0])
def test_readings_after_the_day_say_nothing(jumped_mm, minutes):
    """The partner is read in between, so a straight line to its next reading would know that one."""
    one, other = pair(jumped_mm=jumped_mm)
    shifted = replace(other, ts_s=other.ts_s + 150.0)
    until_s = MOVED_S + 60.0 * minutes
    seen = tuple(kept(series, series.ts_s < until_s) for series in (one, shifted))
    later = replace(shifted, level_mm=shifted.level_mm + 500.0 * (shifted.ts_s >= until_s))
    made = step(jumped_mm * L_PER_MM)
    assert lone_member((one, later), made, until_s) == lone_member(seen, made, until_s)


def test_a_tank_of_its_own_has_no_partner():
    assert lone_member(pair(jumped_mm=-30.0)[:1], step(-600.0), np.inf) is None
