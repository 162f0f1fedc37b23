"""The ledger's compiled loops. Evidence: naive twins."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ledger.kernels import add_between, misfits
from pipeline.ledger.movements import MeterFlow, cumulative_l, ordered_flow, sold_until_l

FEW = st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=12).map(np.array)


@given(FEW, FEW, st.integers(0, 2**32 - 1))
def test_lines_between_knots_are_numpy_s(knots_s, at_s, seed):
    """Before the first knot and after the last one too, and at a knot itself."""
    knots_s, at_s = np.sort(knots_s), np.sort(np.concatenate([at_s, knots_s]))
    knots_l = np.cumsum(np.random.default_rng(seed).uniform(0.0, 9.0, len(knots_s)))
    total = np.ones(len(at_s))
    add_between(knots_s, knots_l, at_s, total)
    apart = np.concatenate([[True], np.diff(knots_s) > 1e-6]).all()
    if apart:
        assert total == pytest.approx(1.0 + np.interp(at_s, knots_s, knots_l), rel=1e-9)


def test_sales_of_several_meters_add_up():
    rng = np.random.default_rng(2)
    flows = []
    for name in ("M1", "M2"):
        start = np.sort(rng.uniform(0.0, 5_000.0, 30))
        flows.append(ordered_flow(name, start, start + rng.uniform(0.0, 90.0, 30), rng.uniform(1.0, 60.0, 30)))
    flows.append(MeterFlow("M3", np.empty(0), np.empty(0), np.empty(0)))
    at_s = np.linspace(-100.0, 6_000.0, 777)
    assert sold_until_l(flows, at_s) == pytest.approx(sum(cumulative_l(flow, at_s) for flow in flows))
    assert sold_until_l([], at_s).tolist() == [0.0] * 777


def test_misfits_are_the_sums_of_squares_of_the_definition():
    rng = np.random.default_rng(6)
    at_s = np.sort(rng.uniform(500.0, 4_000.0, 40))
    fall = rng.normal(3.0, 2.0, 39)
    fall[[4, 17]] = np.nan
    evenly_s = np.arange(0.0, 4_500.0, 5.0)
    sold = np.cumsum(rng.uniform(0.0, 1.0, len(evenly_s)))
    lags_s = np.array([-120.0, 0.0, 33.0, 900.0])
    expected = [
        np.nansum((fall - np.diff(np.interp(at_s + lag, evenly_s, sold))) ** 2) for lag in lags_s
    ]  # at the last lag the readings run on beyond what was sold
    assert misfits(at_s, fall, sold, 0.0, 5.0, lags_s) == pytest.approx(expected, rel=1e-9)
