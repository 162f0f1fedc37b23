"""From log odds to a chance. Evidence: values worked by hand."""

from itertools import pairwise

import pytest

from pipeline.scoring.probability import probability


@pytest.mark.parametrize(
    ("log_odds", "chance"),
    # 0.9 ÷ (1 + e^−x): e^2 = 7.38906, e^4 = 54.5982, e^8 = 2980.96.
    [(0.0, 0.45), (2.0, 0.9 * 7.38906 / 8.38906), (-2.0, 0.9 / 8.38906), (4.0, 0.9 * 54.5982 / 55.5982),
     (8.0, 0.9 * 2980.96 / 2981.96)],
)  # fmt: skip
def test_log_odds_count_for_what_they_say_and_never_for_more_than_nine_in_ten(log_odds, chance):
    assert probability(log_odds) == pytest.approx(chance, rel=1e-4)


@pytest.mark.parametrize(("log_odds", "chance"), [(1e6, 0.9), (-1e6, 0.0)])
def test_the_farthest_odds_are_still_numbers(log_odds, chance):
    assert probability(log_odds) == pytest.approx(chance, abs=1e-9)


def test_surer_is_likelier():
    told = [probability(0.25 * step) for step in range(-40, 41)]
    assert all(low < high for low, high in pairwise(told))
