"""A batch of the grade or another product. Evidence: known truth by construction, and values worked by hand."""

import numpy as np
import pytest

from pipeline.cases.batches import bias_of, grade_of, other_product_log_bayes

TICKETS = np.random.default_rng(5).normal(745.0, 5.0, 12)


def told(
    ticketed: float = np.nan,
    measured: float = np.nan,
    *,
    together: float | None = None,
    tickets: np.ndarray = TICKETS,
    doubt: float = 1.0,
) -> float:
    both = (ticketed, ticketed if together is None else together)
    return other_product_log_bayes(grade_of("gasoline_e10", tickets), both, measured, doubt)


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


def test_the_gauge_shows_what_all_compartments_are_together():
    """One of two compartments is diesel by its ticket, 834 and 745: the gauge shows the mean, 789.5."""
    assert told(834.0, 789.5, together=789.5) == pytest.approx(told(834.0, 834.0), abs=0.1)
    assert told(834.0, 789.5) < told(834.0, 834.0) - 3.0


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


def test_before_any_ticket_a_grade_lies_about_the_middle_of_its_range():
    """Petrol E10: 715 to 782, so 748.5; a Student-t of six, batches of 5 kg/m³ and the middle's doubt of a sixth."""
    grade = grade_of("gasoline_e10", np.empty(0))
    first = (5.0 / (67.0 / 6.0)) ** 2
    assert (grade.mean, grade.freedom, grade.low, grade.high) == (748.5, 6.0, 715.0, 782.0)
    assert grade.scale == pytest.approx(5.0 * np.sqrt(1.0 + 1.0 / first))


def test_tickets_draw_the_grade_to_their_mean():
    """Four tickets of 740, 744, 740, 744: squares 6·25 + 16, and the way from the middle as that is weighed."""
    grade = grade_of("gasoline_e10", np.array([740.0, 744.0, 740.0, 744.0]))
    first = (5.0 / (67.0 / 6.0)) ** 2
    assert grade.mean == pytest.approx((first * 748.5 + 4.0 * 742.0) / (first + 4.0))
    squares = 150.0 + 16.0 + first * 4.0 / (first + 4.0) * 6.5**2
    assert grade.scale == pytest.approx(np.sqrt(squares / 10.0 * (1.0 + 1.0 / (first + 4.0))))
    assert grade.freedom == 10.0


def test_a_grade_s_density_is_one_altogether_and_ends_with_its_range():
    """By trapezium over all figures; half a figure's doubt beyond the range there is hardly any."""
    grade = grade_of("gasoline_e10", TICKETS)
    at = np.arange(690.0, 810.0, 0.25)
    density = np.array([grade.density(float(one), 1.5) for one in at])
    assert np.trapezoid(density, at) == pytest.approx(1.0, abs=1e-3)
    assert grade.density(790.0, 1.5) < 1e-3 * grade.density(745.0, 1.5)


@pytest.mark.parametrize(
    ("differences", "doubts", "bias", "sd"), [([], [], 0.0, 1.5), ([3.0], [2.0], 3.0 * 2.25 / 8.5, None)]
)
def test_a_doubtful_drop_tells_little_of_a_gauge_s_bias(differences, doubts, bias, sd):
    """One drop of 3 kg/m³, doubt 2 and a figure's 1.5: weighed 1 ÷ 6.25 against 1 ÷ 2.25."""
    told, spread = bias_of(np.array(differences), np.array(doubts))
    assert told == pytest.approx(bias)
    assert spread == pytest.approx(sd if sd else (1.0 / 2.25 + 1.0 / 6.25) ** -0.5)
