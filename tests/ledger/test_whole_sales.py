"""Sales that lie whole within a span. Truth by construction."""

import numpy as np

from pipeline.ledger.movements import MeterFlow, whole_sales_l


def test_only_sales_that_began_and_ended_within_count():
    """Of 10, 20 and 40 l the first was under way at 100 s and the last still is at 400 s."""
    start_s, end_s = np.array([50.0, 150.0, 350.0]), np.array([120.0, 200.0, 450.0])
    flow = MeterFlow("M1", start_s, end_s, np.array([10.0, 20.0, 40.0]))
    at_s = np.array([100.0, 199.0, 200.0, 400.0, 450.0])
    assert whole_sales_l([flow], 100.0, at_s).tolist() == [0.0, 0.0, 20.0, 20.0, 60.0]
    assert whole_sales_l([flow, flow], 100.0, at_s).tolist() == [0.0, 0.0, 40.0, 40.0, 120.0]
    assert whole_sales_l([], 100.0, at_s).tolist() == [0.0] * 5
