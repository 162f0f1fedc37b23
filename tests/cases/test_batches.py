"""A batch of the grade or another product. Evidence: known truth by construction, and values worked by hand."""

import numpy as np
import pytest

from pipeline.cases.batches import bias_of, grade_of, other_product_log_bayes

TICKETS = np.random.default_rng(5).normal(745.0, 5.0, 12)


def told(
    ticketed: float = np.nan, measured: float = np.nan, *, tickets: np.ndarray = TICKETS, doubt: float = 1.0
) -> float:
    return other_product_log_bayes(grade_of("gasoline_e10", tickets), ticketed, measured, doubt)


@pytest.mark.parametrize("off", [-15.0, -8.0, 0.0, 8.0, 15.0])
def test_batches_of_one_grade_are_no_other_product(off):
    """Petrol's batches differ by 5 kg/m³ (SD): three of them are usual over a site's years."""
    assert told(745.0 + off) < 3.0


@pytest.mark.parametrize("density", [800.0, 834.0])
def test_a_density_that_the_grade_does_not_have_is_another_product(density):
    assert told(density) > 8.0
    assert told(measured=density) > 8.0


def test_ticket_and_gauge_that_agree_say_more_than_either():
    assert told(834.0, 834.0) > told(834.0) + 3.0


def test_a_wrong_figure_on_a_ticket_says_less_than_two():
    assert told(834.0, 745.0) < told(834.0, 834.0) - 6.0


def test_a_gauge_that_leaves_a_right_ticket_by_its_doubt_says_nothing():
    assert told(745.0, 760.0, doubt=8.0) < 1.0


def test_alike_tickets_narrow_what_a_batch_may_be():
    alike, apart = (745.0 + size * np.tile([-1.0, 1.0], 12) for size in (1.0, 8.0))
    assert told(770.0, tickets=alike) > told(770.0, tickets=apart) + 3.0


def test_no_density_says_nothing():
    assert told() == 0.0


@pytest.mark.parametrize("off", [-4.0, 4.0])
def test_a_gauges_bias_is_learned_and_shrunk(off):
    """Nine drops each off by 4 with doubt 0: nine tenths of 4, by equal variances of prior and figure."""
    bias, sd = bias_of(np.full(9, off), np.zeros(9))
    assert bias == pytest.approx(0.9 * off)
    assert sd == pytest.approx(1.5 / np.sqrt(10.0))
