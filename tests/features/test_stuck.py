"""Levels that stand still while the books sell. Truth by construction."""

import numpy as np
import pytest

from pipeline.features.probe import JOINED_STUCK_S, STUCK_S, stuck_spans
from pipeline.ledger.gauge import GaugeSeries
from tests.support.gauges import straight_gauge

L_PER_MM = 20.0


def standing(minutes: float) -> tuple[GaugeSeries, np.ndarray]:
    """A gauge that stands for so long amid steady sales of 60 mm an hour, and the litres sold."""
    at_s = np.arange(0.0, 6 * 3_600.0, 300.0)
    sold_l = 60.0 * L_PER_MM * at_s / 3_600.0
    stands_s = np.where((at_s >= 7_200.0) & (at_s <= 7_200.0 + 60.0 * minutes), 7_200.0, at_s)
    level = 1_500.0 - 60.0 * stands_s / 3_600.0
    return straight_gauge(at_s, level, l_per_mm=L_PER_MM), sold_l


@pytest.mark.parametrize(
    ("minutes", "least_s", "count"),
    [(10.0, STUCK_S, 0), (30.0, STUCK_S, 1), (30.0, JOINED_STUCK_S, 0), (90.0, JOINED_STUCK_S, 1)],
)
def test_a_level_is_stuck_when_it_stands_long_enough(minutes, least_s, count):
    series, sold_l = standing(minutes)
    spans = stuck_spans(series, sold_l, least_s=least_s)
    assert len(spans) == count
    for span in spans:
        assert span.start_s == 7_200.0
        assert span.known_s == span.start_s + least_s
        assert span.sold_l == pytest.approx(minutes * L_PER_MM)
