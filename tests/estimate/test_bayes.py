"""Evidence as log Bayes factors. Evidence: values of the sources, values worked by hand, and properties."""

import numpy as np
import pytest

from pipeline.estimate import bayes


@pytest.mark.parametrize(("p", "bound"), [(0.05, 0.407), (0.01, 0.125), (0.005, 0.072), (0.001, 0.0188)])
def test_a_p_value_says_no_more_than_its_bound(p, bound):
    """-e p ln p, as Sellke, Bayarri and Berger (2001) tabulate it (their table 1)."""
    assert np.exp(-bayes.p_value_log_bayes(p)) == pytest.approx(bound, abs=6e-4)


@pytest.mark.parametrize("p", [0.4, 0.8, 1.0])
def test_a_usual_value_says_nothing(p):
    assert bayes.p_value_log_bayes(p) == 0.0


def test_the_paretos_density_integrates_to_one():
    at = np.linspace(0.0, 400.0, 400_001)
    density = np.exp([bayes.pareto_log_density(float(one), 1.5, 0.2) for one in at[::40]])
    assert np.trapezoid(density, at[::40]) == pytest.approx(1.0, abs=2e-4)


def test_an_order_of_magnitude_is_alike_in_every_decade():
    """1 / (x ln 1000) in 1..1000: at 10 it is 1 / 69.08."""
    assert np.exp(bayes.log_uniform_log_density(10.0, 1.0, 1000.0)) == pytest.approx(1.0 / 69.078, rel=1e-4)
    assert bayes.log_uniform_log_density(3000.0, 1.0, 1000.0) < bayes.log_uniform_log_density(1000.0, 1.0, 1000.0)


def test_counts_under_a_rate_that_few_events_taught():
    """One event in 10 days taught it: none in 10 more has chance 1/2, one 1/4, two 1/8; all together 1."""
    chances = [np.exp(bayes.count_log_probability(count, 10.0, 1.0, 10.0)) for count in range(60)]
    assert chances[:3] == pytest.approx([0.5, 0.25, 0.125])
    assert sum(chances) == pytest.approx(1.0)


@pytest.mark.parametrize(("hour", "speaks"), [([2.0, 2.5, 1.7, 2.2, 1.9], True), ([2.0, 7.0, 13.5, 18.0, 22.0], False)])
def test_hours_that_agree_speak_for_a_usual_hour_and_others_against(hour, speaks):
    assert (bayes.hours_log_bayes(np.array(hour), np.full(24, 1.0 / 24.0), 3.0, 0.9) > 0.0) is speaks


def test_hours_say_nothing_where_the_null_keeps_to_them_too():
    usual = np.full(24, 1e-3)
    usual[1:4] = (1.0 - 21e-3) / 3.0
    assert bayes.hours_log_bayes(np.array([2.0, 2.5, 1.7, 2.2, 1.9]), usual, 3.0, 0.9) < 0.0


def test_midnight_parts_no_hours():
    flat = np.full(24, 1.0 / 24.0)
    late, noon = (
        bayes.hours_log_bayes(np.array(one), flat, 3.0, 0.9) for one in ([23.5, 0.5, 0.0], [11.5, 12.5, 12.0])
    )
    assert late == pytest.approx(noon)


def test_one_of_two_alternatives_says_at_most_half_less():
    """log((e^4 + e^0) / 2)."""
    assert bayes.mixed_log_bayes(np.array([4.0, 0.0])) == pytest.approx(np.log((np.exp(4.0) + 1.0) / 2.0))


@pytest.mark.parametrize(("z", "p"), [(1.96, 0.05), (-1.96, 0.05), (2.576, 0.01), (3.291, 0.001), (0.0, 1.0)])
def test_two_sided_tails_of_a_normal(z, p):
    """As in every table of it."""
    assert bayes.normal_p(z) == pytest.approx(p, rel=5e-3)


@pytest.mark.parametrize(("t", "freedom", "p"), [(2.228, 10.0, 0.05), (-2.228, 10.0, 0.05), (12.706, 1.0, 0.05),
                                                 (3.169, 10.0, 0.01)])  # fmt: skip
def test_two_sided_tails_of_students_t(t, freedom, p):
    """W. S. Gosset's t, as in every table of it."""
    assert bayes.student_p(t, freedom) == pytest.approx(p, rel=2e-3)


def test_no_tail_is_told_beyond_a_trillion_to_one():
    assert bayes.p_value_log_bayes(0.0) == bayes.p_value_log_bayes(1e-12) == bayes.p_value_log_bayes(1e-300)
    assert bayes.p_value_log_bayes(1e-11) < bayes.p_value_log_bayes(1e-12)


def test_a_small_excess_is_likelier_than_a_large_one_and_its_scale_stretches_it():
    """Density 1/s at none; at s: (1.2)^−6 ÷ s for a shape of a fifth."""
    assert np.exp(bayes.pareto_log_density(0.0, 2.0, 0.2)) == pytest.approx(0.5)
    assert np.exp(bayes.pareto_log_density(2.0, 2.0, 0.2)) == pytest.approx(0.5 * 1.2**-6)


def test_below_and_above_its_ends_an_order_of_magnitude_falls_off():
    """At half the lower end as at the end itself, halved once more; and alike above."""
    low, high = 3.0, 140.0
    inside = bayes.log_uniform_log_density(low, low, high)
    assert bayes.log_uniform_log_density(low / 2.0, low, high) == pytest.approx(inside)
    assert bayes.log_uniform_log_density(2.0 * high, low, high) == pytest.approx(
        bayes.log_uniform_log_density(high, low, high) - 2.0 * np.log(2.0)
    )
