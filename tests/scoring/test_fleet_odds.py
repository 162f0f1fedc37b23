"""How sure a finding is beside its decoys. Evidence: values worked by hand from the two rates."""

import math
from dataclasses import replace

import pytest

from pipeline.cases.decoys import Decoy
from pipeline.cases.finding import Finding
from pipeline.scoring.fleet_odds import by_chance, chances, decoys_as_strong, expected_false, true_share, worth_a_case

DAY = 20_500


def finding(cause: str = "slow_theft", *, day: int = DAY, log_odds: float = 20.0, unit: str = "T1") -> Finding:
    start_s = (day - 3) * 86400.0
    return Finding(cause, "S1", unit, unit, day=day, start_s=start_s, end_s=None, log_odds=log_odds, of_balance=True)


def decoy(unit: str, *, day: int = DAY, log_odds: float = 20.0, cause: str = "slow_theft", seen: bool = False) -> Decoy:
    return Decoy(cause, unit, not seen, "0", day, log_odds)


def test_without_decoys_a_finding_keeps_all_but_a_hundredth_of_its_odds():
    """One found and a quarter expected, against a hundredth that may be false: 1.25 / 1.26."""
    assert true_share(finding(), [finding()], []) == pytest.approx(1.25 / 1.26)


def test_as_many_decoys_as_findings_leave_the_prior_alone():
    found = [finding(unit=f"T{k}") for k in range(5)]
    decoys = [decoy(f"U{k}") for k in range(5)]
    assert true_share(found[0], found, decoys) == pytest.approx(0.25 / (0.25 + 5.01))


def test_of_ten_findings_beside_two_decoys_eight_are_true():
    found = [finding(unit=f"T{k}") for k in range(10)]
    assert true_share(found[0], found, [decoy("U1"), decoy("U2")]) == pytest.approx(8.25 / (8.25 + 2.01))


def test_a_stronger_finding_is_doubted_less_and_a_weaker_one_more():
    decoys = [decoy("U1", log_odds=6.0)]
    assert decoys_as_strong(finding(log_odds=8.0), decoys) == pytest.approx(math.exp(-1.0))
    assert decoys_as_strong(finding(log_odds=5.0), decoys) == 1.0


def test_a_decoy_seen_again_counts_once_by_its_strongest_so_far():
    again = [decoy("U1", log_odds=4.0, day=DAY - 2), decoy("U1", log_odds=6.0), decoy("U1", log_odds=9.0, day=DAY + 1)]
    assert decoys_as_strong(finding(log_odds=6.0), again) == 1.0
    assert decoys_as_strong(finding(log_odds=9.0), again) == pytest.approx(math.exp(-1.5))


def test_no_later_day_and_no_other_cause_moves_a_finding():
    later = [decoy("U1", day=DAY + 1), decoy("U2", cause="tank_leak")]
    others = [finding(unit="T2", day=DAY + 1)]
    assert true_share(finding(), [finding(), *others], later) == true_share(finding(), [finding()], [])


def test_decoys_seen_in_the_moves_say_nothing_of_what_the_balance_named():
    decoys = [decoy("U1", seen=True), decoy("U2", seen=True)]
    assert true_share(finding(), [finding()], decoys) == true_share(finding(), [finding()], [])
    assert true_share(replace(finding(), of_balance=False), [finding()], decoys) < 0.15


@pytest.mark.parametrize(("gains", "false"), [(0, 0.0), (1, 0.038462), (2, 0.324742), (3, 1.717384)])
def test_a_steady_gain_may_have_its_cause_and_many_do_not(gains, false):
    """By hand: of f with shape 0.01 and rate 50 the moments are 0.01/50, 0.01 x 1.01/50^2 and so on; for one gain the
    mean is (0.005 x 0.0002 + 0.00000404) / 0.0052, in 50 tank-months 0.04846, less the 0.01 of none."""
    assert by_chance(gains) == pytest.approx(false, abs=1e-6)


def test_one_gain_leaves_a_leak_believed_and_three_do_not():
    leak = finding("tank_leak")
    gains = [decoy(f"U{k}", cause="tank_leak") for k in range(3)]
    assert true_share(leak, [leak], gains[:1]) > 0.95
    assert true_share(leak, [leak], gains) < 0.15


def test_the_lower_of_its_own_odds_and_the_fleets_counts():
    weak, strong = finding(log_odds=-1.0), finding(log_odds=20.0, unit="T2")
    alone = chances([weak, strong], [])
    beside = chances([weak, strong], [decoy(f"U{k}") for k in range(9)])
    assert alone[0] < 0.5 < alone[1]
    assert beside[1] < 0.1
    assert beside[0] <= alone[0]


@pytest.mark.parametrize("log_odds", [-1.0, 20.0])
def test_what_is_shared_with_a_rival_is_its_chance_in_part(log_odds):
    """Whether its own odds bound it or its decoys do: of what is real six tenths are of its cause."""
    one = finding(log_odds=log_odds)
    others = [finding(unit="T2"), finding("tank_leak", unit="T3")]
    decoys = [decoy("U1")]
    whole = chances([one, *others], decoys)
    shared = chances([replace(one, share=0.6), *others], decoys)
    assert shared == [pytest.approx(0.6 * whole[0]), *whole[1:]]
    assert whole[0] > 0.1


def test_expected_false_is_what_the_probabilities_leave():
    """Of a meter nothing is mirrored: that no decoy of it was seen says nothing."""
    found = [finding(), finding(unit="T2", log_odds=4.0), finding("tank_leak", unit="T3"), finding("meter_drift")]
    rows = expected_false(found, [0.9, 0.6, 0.95, 0.8], [decoy("U1", log_odds=5.0), decoy("U2", log_odds=3.0)])
    assert rows["cause"].to_list() == ["meter_drift", "slow_theft", "tank_leak"]
    assert rows["cases"].to_list() == [1, 2, 1]
    assert rows["expected_false"].to_list() == pytest.approx([0.2, 0.5, 0.05])
    assert rows["decoys"].to_list() == [None, 1, 0]


def test_what_is_less_likely_than_one_in_five_is_no_case():
    likely, least, unlikely = (finding(unit=name) for name in ("T1", "T2", "T3"))
    assert worth_a_case([likely, unlikely, least], [0.9, 0.19, 0.2]) == ([likely, least], [0.9, 0.2])
