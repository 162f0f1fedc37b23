"""Odds before any data are the frequencies that they stand for. Evidence: arithmetic."""

import math

import pytest

from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.contract.vocabulary import CAUSES
from pipeline.estimate.evidence import LOG_PRIOR as BALANCE_PRIOR

EIGHT_YEARS, THREE_YEARS = 8 * 365.25, 3 * 365.25


@pytest.mark.parametrize(
    ("cause", "one_in"),
    [("bulk_theft", EIGHT_YEARS), ("water_ingress", EIGHT_YEARS), ("phase_separation", EIGHT_YEARS),
     ("wrong_feed", EIGHT_YEARS), ("probe_fault", THREE_YEARS), ("clock_skew", THREE_YEARS), ("slow_theft", 250.0),
     ("missing_sales", 400.0), ("missing_ticket", 150.0), ("wrong_product", 650.0), ("unexplained", 400.0)],
)  # fmt: skip
def test_log_odds_are_those_of_how_often_it_happens(cause, one_in):
    """To a twentieth: days of a tank, a site or a hose; tanks; hoses; drops."""
    assert math.exp(-LOG_PRIOR[cause]) == pytest.approx(one_in, rel=0.05)


def test_a_finding_is_raised_from_seven_to_one():
    assert math.exp(RAISE_AT) == pytest.approx(7.4, abs=0.1)


def test_every_cause_has_odds_by_signals_or_by_the_balance():
    told = set(LOG_PRIOR) | set(BALANCE_PRIOR) | {"short_delivery", "over_delivery"}  # the balance's `delivery`
    assert set(CAUSES) <= told
