"""Decoys are what the findings would be in a world mirrored in sign. Evidence: known truth, litres written by hand."""

import pytest

from pipeline.analysis import analyse_site
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

DAYS = 16
FIRST_DAY = 20_458  # 2026-01-05


def looked_at(litres: float):
    """A tank that loses so many litres at two each night of the second week; gains them where negative."""
    nightly = [Poured(24.0 * day + 2.0, litres, minutes=5.0) for day in range(8, DAYS)]
    tank = HandTank(sales=steady_sales(DAYS, litres=8.0), lost=nightly)
    result = analyse_site(HandSite([tank], days=DAYS, noise_mm=0.05).tables(), FIRST_DAY + DAYS - 1, Limits())
    assert result is not None
    return {one.cause for one in result.findings}, {one.cause for one in result.decoys}


@pytest.mark.parametrize("litres", [25.0, -25.0])
def test_draws_at_night_are_a_finding_and_gains_at_night_a_decoy(litres):
    findings, decoys = looked_at(litres)
    assert ("slow_theft" in findings) is (litres > 0)
    assert ("slow_theft" in decoys) is (litres < 0)
