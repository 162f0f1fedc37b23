"""How far a tank's drops lie from their tickets. Evidence: values worked by hand."""

import numpy as np
import pytest

from pipeline.estimate.drop_spread import FURTHEST, PRIOR_DROPS, spread_of, wider
from pipeline.estimate.evidence import Weighed
from pipeline.estimate.hypotheses import Hypothesis

DROP = Hypothesis("delivery", "3", 150.0, one_sided=False)


def test_ten_drops_two_sds_off_double_the_variance_and_a_half():
    """Ten of the prior's at 1 and ten at 4: the mean square is 2.5."""
    assert PRIOR_DROPS == 10.0
    assert spread_of([2.0, -2.0] * 5) == pytest.approx(np.sqrt(2.5))


@pytest.mark.parametrize("away", [[], [0.3, -0.5, 0.1]])
def test_drops_that_fit_make_none_narrower(away):
    assert spread_of(away) == 1.0


def test_one_drop_that_came_far_too_short_counts_as_three_sds():
    assert FURTHEST == 3.0
    assert spread_of([-40.0]) == pytest.approx(np.sqrt(19.0 / 11.0))


def test_a_mismatch_is_weighed_by_the_wider_sd():
    """Of −100 l ± 20 l and a spread of 150 l: ½ ln(400/22,900) + ½ · 10⁴ (1/400 − 1/22,900); with 40 l by 1,600."""

    def by_hand(var_l2: float) -> float:
        both = var_l2 + 150.0**2
        return 0.5 * np.log(var_l2 / both) + 0.5 * 100.0**2 * (1.0 / var_l2 - 1.0 / both)

    drop = Weighed(DROP, by_hand(400.0), 7, 12, -100.0, 20.0, by_hand(400.0))
    told = wider(drop, 2.0)
    assert told.log_bayes == pytest.approx(by_hand(1_600.0)) == pytest.approx(told.best_onset)
    assert (told.estimate, told.sd, told.number, told.onset) == (-100.0, 40.0, 7, 12)
    assert wider(drop, 1.0).log_bayes == pytest.approx(by_hand(400.0))
    assert told.log_odds < drop.log_odds
