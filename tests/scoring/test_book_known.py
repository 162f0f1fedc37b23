"""On which days the book holds all that was sold and delivered. Evidence: worked by hand."""

import numpy as np
import pytest

from pipeline.ledger.clocks import SILENT
from pipeline.scoring.day_features import book_is_known
from pipeline.scoring.unit_sheet import UnitSheet
from tests.support.hand_unit import FIRST_DAY, days_of, gauge_of, lag_of, seen_of, site_of, unit_of

UNIT = unit_of(gauge_of(np.arange(0.0, 96.0, 1.0), 1_000.0))
SIX_O_CLOCK = (6.0, 30.0, 54.0, 78.0)


@pytest.mark.parametrize(
    ("silent", "known"),
    [((), [True, True, True]), ((2,), [True, False, False]), ((0,), [False, True, True]), ((3,), [True, True, False])],
)
def test_a_day_that_reaches_into_one_whose_sales_are_not_there_has_no_book(silent, known):
    """Three trading days, each from six in the morning of one UTC day to that of the next."""
    lags = {FIRST_DAY + day: SILENT if day in silent else lag_of(0.0) for day in range(4)}
    seen, days, nothing = seen_of(UNIT, lags=lags), days_of(UNIT, SIX_O_CLOCK, 1_000.0), np.zeros(3)
    sheet = UnitSheet(site_of(seen), seen, None, days, {}, nothing, nothing, {}, {}, [], has_totals=False)
    assert book_is_known(sheet).tolist() == known
