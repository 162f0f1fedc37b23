"""Decoys are what the findings would be in a world mirrored in sign. Evidence: known truth, litres written by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.analysis import analyse_site
from pipeline.cases.decoys import walk_decoys
from pipeline.cases.finding import Course, Finding
from pipeline.estimate.observe import observe_site
from pipeline.estimate.unit_walk import walk_unit
from pipeline.estimate.walked import Decoyed
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


def test_a_decoy_that_a_finding_accounts_for_is_none():
    """Gains at an hour on a tank whose till did not book for days are those sales, and say nothing of chance."""
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=8.0))], days=DAYS, noise_mm=0.05)
    walk = walk_unit(observe_site(site.tables()).units[0])
    assert walk is not None
    draws = next(one for one in walk.walk.candidates.hypotheses if one.cause == "slow_theft")
    onset = int((walk.walk.balance.known_day == FIRST_DAY + 8).argmax())
    turned = replace(walk, walk=replace(walk.walk, decoys=[Decoyed(draws, onset, FIRST_DAY + 12, 20.0)]))
    start_s = (FIRST_DAY + 7) * 86_400.0
    unbooked = Finding(
        "missing_sales", "S1", "T1", "T1", day=FIRST_DAY + 9, start_s=start_s, end_s=None, log_odds=9.0,
        course=Course(start_s + 86_400.0 * np.arange(6), -30.0 * np.arange(6)),
    )  # fmt: skip
    assert [one.key for one in walk_decoys([turned], [])] == [draws.key]
    assert walk_decoys([turned], [unbooked]) == []
    assert len(walk_decoys([turned], [replace(unbooked, unit_id="T2", tank_id="T2")])) == 1
