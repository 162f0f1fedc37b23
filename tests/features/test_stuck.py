"""Levels that stand still while the books sell. Truth by construction."""

import numpy as np
import pytest

from pipeline.features.probe import JOINED_STUCK_S, STUCK_S, stuck_spans
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow
from tests.support.gauges import straight_gauge

L_PER_MM = 20.0


def standing(minutes: float) -> tuple[GaugeSeries, MeterFlow]:
    """A gauge that stands for so long amid steady sales of 60 mm an hour, a sale every five minutes, and the sales."""
    at_s = np.arange(0.0, 6 * 3_600.0, 300.0)
    sales = MeterFlow("M1", at_s[:-1], at_s[1:], np.full(len(at_s) - 1, 5.0 * L_PER_MM))
    stands_s = np.where((at_s >= 7_200.0) & (at_s <= 7_200.0 + 60.0 * minutes), 7_200.0, at_s)
    level = 1_500.0 - 60.0 * stands_s / 3_600.0
    return straight_gauge(at_s, level, l_per_mm=L_PER_MM), sales


@pytest.mark.parametrize(
    ("minutes", "least_s", "count"),
    [(10.0, STUCK_S, 0), (30.0, STUCK_S, 1), (30.0, JOINED_STUCK_S, 0), (90.0, JOINED_STUCK_S, 1)],
)
def test_a_level_is_stuck_when_it_stands_long_enough(minutes, least_s, count):
    series, sales = standing(minutes)
    spans = stuck_spans(series, [sales], least_s=least_s)
    assert len(spans) == count
    for span in spans:
        assert span.start_s == 7_200.0
        assert span.known_s == span.start_s + least_s
        assert span.sold_l == pytest.approx(minutes * L_PER_MM)


@pytest.mark.parametrize(
    ("began_s", "ended_s", "count"),
    [
        (7_100.0, 7_800.0, 0),
        (7_400.0, 7_800.0, 0),
        (7_500.0, 7_800.0, 1),
        (10_400.0, 10_500.0, 1),
        (10_400.0, 10_560.0, 0),
    ],
)
def test_a_sale_that_may_have_been_drawn_beyond_the_time_in_which_the_level_stood_tells_nothing(
    began_s, ended_s, count
):
    """A lorry's 400 l, 20 mm, whose end the till writes ten minutes after the pump stopped: the level stands from then.

    So may one that a person wrote down to the nearest five minutes, at either end. Had they been drawn while it stood,
    it would be stuck.
    """
    series, _ = standing(60.0)
    sale = MeterFlow("M1", np.array([began_s]), np.array([ended_s]), np.array([20.0 * L_PER_MM]))
    assert len(stuck_spans(series, [sale])) == count


def test_only_a_share_of_the_sales_counts_where_tanks_are_joined():
    series, sales = standing(60.0)
    (span,) = stuck_spans(series, [sales], share=0.5)
    assert span.sold_l == pytest.approx(30.0 * L_PER_MM)
    assert stuck_spans(series, [sales], share=0.05) == []
