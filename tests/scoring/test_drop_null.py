"""How far drops lie from their tickets. Evidence: values worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import lomax, norm

from pipeline.analysis import analyse_site
from pipeline.cases.finding import Finding
from pipeline.scoring.drop_null import (
    FURTHEST,
    PRIOR_DROPS,
    DropSeen,
    bulk_of,
    by_own_drops,
    fleet_spread,
    log_tail,
    spread_of,
    terminal_away,
)
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

DAY = 20_500


def short(litres: float = -100.0, sd_l: float = 20.0) -> Finding:
    """A drop that came 100 l short, by 20 l of what is stated of tickets, with log odds of 4."""
    return Finding(
        "short_delivery", "S1", "T1", "T1", day=DAY, start_s=DAY * 86_400.0, end_s=None, log_odds=4.0,
        of_balance=True, told_l=(litres, sd_l),
    )  # fmt: skip


def drops(*away: float, unit: str = "T2", day: int = DAY) -> list[DropSeen]:
    return [DropSeen(unit, 1_000.0 * number, day, one) for number, one in enumerate(away)]


def odds(*seen: DropSeen, finding: Finding | None = None) -> float:
    """What such drops leave of a finding's odds; it has so many more that none of these tests makes it no finding."""
    finding = finding or short()
    (told,) = by_own_drops([replace(finding, log_odds=finding.log_odds + 50.0)], seen)
    return round(told.log_odds - 50.0, 9)


def by_hand(var_l2: float, litres: float = -100.0) -> float:
    """Log Bayes factor of a mismatch of so many litres: N(0, var + 150²) against N(0, var)."""
    both = var_l2 + 150.0**2
    return 0.5 * np.log(var_l2 / both) + 0.5 * litres**2 * (1.0 / var_l2 - 1.0 / both)


def test_the_bulk_of_a_fleet_says_how_wide_its_tickets_lie():
    """Ninety drops of which the middle one lies 2 · 0.6745 SDs off, beside the prior's ten: (10 + 90 · 4) / 100."""
    assert PRIOR_DROPS == 10.0
    away = np.concatenate([np.full(45, 1.0), np.full(45, 1.698)])  # median 1.349 = 2 · 0.6745
    assert fleet_spread(away) == pytest.approx(np.sqrt(3.7), rel=1e-3)
    assert fleet_spread(np.append(away[:-4], [40.0] * 4)) == pytest.approx(np.sqrt(3.7), rel=1e-3)  # a few thefts


def test_drops_that_fit_make_none_narrower_and_neither_does_a_fleet_without_any():
    assert fleet_spread(np.empty(0)) == 1.0
    assert fleet_spread(np.full(50, 0.1)) == 1.0
    assert spread_of(np.full(50, 0.1), 1.0) == 1.0


def test_a_tank_s_own_drops_count_beside_its_fleet_s_and_none_as_more_than_three_sds():
    assert FURTHEST == 3.0
    assert spread_of(np.array([-40.0]), 1.0) == pytest.approx(np.sqrt((10.0 + 9.0) / 11.0))
    assert spread_of(np.array([2.0, -2.0] * 5), 1.0) == pytest.approx(np.sqrt((10.0 + 40.0) / 20.0))
    assert spread_of(np.array([-40.0]), 2.0) == pytest.approx(np.sqrt((40.0 + 36.0) / 11.0))


def test_a_mismatch_is_weighed_by_the_width_that_others_show():
    """Ten drops of the same tank two SDs off: (10 + 40) / 20, once the fleet's own width is that of the prior."""
    of_tank = drops(*[2.0, -2.0] * 5, unit="T1")
    fleet = drops(*[0.1] * 400)  # the bulk is narrow
    var = 20.0**2 * 2.5
    assert odds(*of_tank, *fleet) == pytest.approx(4.0 + by_hand(var) - by_hand(400.0))
    assert odds(*fleet) == 4.0


def test_later_drops_and_the_drop_itself_say_nothing():
    assert odds(*drops(*[9.0] * 40, day=DAY + 1)) == odds()
    assert odds(DropSeen("T1", DAY * 86_400.0, DAY, -5.0)) == odds()
    assert odds(*drops(*[9.0] * 40)) < -4.0


def test_other_causes_keep_their_odds():
    wide = drops(*[9.0] * 40)
    assert odds(*wide, finding=replace(short(), cause="tank_leak")) == 4.0
    assert odds(*wide, finding=replace(short(), of_balance=False)) == 4.0


def test_a_site_tells_of_each_drop_with_a_ticket_how_far_off_it_lies():
    """Two drops of 2,000 l, of which the second tank's ticket says 2,300: that one is far off, short, and waits."""
    tanks = [
        HandTank(name, sales=steady_sales(6, litres=8.0), drops=[Poured(24.0 * 3 + 2.0, 2_000.0, minutes=10.0)])
        for name in ("T1", "T2")
    ]
    site = HandSite(tanks, days=6, noise_mm=0.05)
    site.tickets = [("D1", "T1", 74.0, 2_000.0), ("D2", "T2", 74.0, 2_300.0)]
    result = analyse_site(site.tables(), 20_463, Limits())
    assert result is not None
    assert [(one.unit_id, one.day, one.away < -5.0) for one in result.drops] == [
        ("T1", 20_461, False),
        ("T2", 20_462, True),
    ]
    assert abs(result.drops[0].away) < 3.0
    # Of 2,300 l at 15 °C a habit is 0.5 %; 300 of them are missing, and both are in the same SDs.
    assert result.drops[1].habit / -result.drops[1].away == pytest.approx(11.5 / 300.0, rel=0.05)


OWN = DropSeen("T1", DAY * 86_400.0, DAY, -5.0, "Westquay")


def loads(*away: float, terminal: str | None = "Westquay", day: int = DAY - 3) -> list[DropSeen]:
    return [DropSeen(f"U{number}", 1_000.0 * number, day, one, terminal) for number, one in enumerate(away)]


def test_what_a_terminal_is_off_by_is_no_drop_s_own():
    """Six loads of it 3 SDs short, shrunk by two that would be as usual: 3 · 6 / 8 of the drop's 5 SDs are its doing.

    The other drops that are off count for the width too: the fleet's, and the tank's.
    """
    assert terminal_away(np.full(6, -3.0)) == pytest.approx(-2.25)
    many = loads(*[0.0] * 400, terminal="Millpond")  # the bulk of the fleet is as stated
    told = odds(OWN, *many, *loads(*[-3.0] * 6))
    assert told == pytest.approx(4.0 + by_hand(400.0, litres=-55.0) - by_hand(400.0))
    assert told < odds(OWN, *many) == 4.0


@pytest.mark.parametrize(
    "seen",
    [
        loads(*[-3.0] * 6, terminal="Millpond"),
        loads(*[-3.0] * 6, terminal=None),
        loads(*[-3.0] * 6, day=DAY - 28),
        loads(*[-3.0] * 6, day=DAY + 1),
        loads(*[-6.0] * 3, *[0.0] * 4),
    ],
)
def test_other_terminals_long_ago_and_some_short_loads_among_many_change_nothing(seen):
    """A haulier who takes of three loads in seven does not make it the terminal's doing."""
    many = loads(*[0.0] * 400, terminal="Harbour")
    assert odds(OWN, *many, *seen) == 4.0


def test_a_terminal_is_told_by_its_last_nine_loads():
    """It went over after forty loads as they should be: four of the last nine are not most of them, five are."""
    many = loads(*[0.0] * 400, terminal="Millpond")
    for new, is_told in ((4, False), (5, True)):
        assert (odds(OWN, *many, *loads(*[0.0] * 40, *[-3.0] * new)) < 4.0) is is_told


def test_a_terminal_that_is_off_makes_no_drop_of_the_other_sign():
    many = loads(*[0.0] * 400, terminal="Millpond")
    told = odds(OWN, *many, *loads(*[-20.0] * 8))
    assert told == pytest.approx(4.0 + by_hand(400.0, litres=0.0) - by_hand(400.0))


def of_carrier(*away: float, carrier: str | None = "Harl") -> list[DropSeen]:
    """Drops of one carrier, each into a tank of its own."""
    return [DropSeen(f"C{number}", 1_000.0 * number, DAY - 3, one, None, carrier) for number, one in enumerate(away)]


BROUGHT = DropSeen("T1", DAY * 86_400.0, DAY, -5.0, None, "Harl")


def test_a_carrier_whose_loads_all_lie_far_off_has_each_weighed_by_that():
    """Thirty loads 3 SDs off, up and down, are 3 / 0.6745 wide, and ten as the fleet's count beside them."""
    fleet = drops(*[0.0] * 400)
    var = 20.0**2 * (10.0 + 30.0 * (3.0 / 0.6745) ** 2) / 40.0
    told = odds(BROUGHT, *fleet, *of_carrier(*[3.0, -3.0] * 15))
    assert told == pytest.approx(4.0 + by_hand(var) - by_hand(400.0))
    assert bulk_of(np.empty(0), 1.7) == 1.7


def test_a_carrier_s_habit_hides_no_more_than_a_habit_can_be():
    """Thirty loads all 25 SDs short count as far as a meter and a temperature may put them: 4 SDs."""
    fleet = drops(*[0.0] * 400)
    var = 20.0**2 * (10.0 + 30.0 * (4.0 / 0.6745) ** 2) / 40.0
    short_loads = [replace(one, habit=4.0) for one in of_carrier(*[-25.0] * 30)]
    finding = short(-200.0)
    told = odds(BROUGHT, *fleet, *short_loads, finding=finding)
    assert told == pytest.approx(4.0 + by_hand(var, litres=-200.0) - by_hand(400.0, litres=-200.0))
    assert told > odds(BROUGHT, *fleet, *of_carrier(*[-25.0] * 30), finding=finding)


def test_a_terminal_s_habit_hides_no_more_than_a_habit_can_be():
    many = loads(*[0.0] * 400, terminal="Millpond")
    told = odds(OWN, *many, *[replace(one, habit=1.0) for one in loads(*[-3.0] * 6)])
    assert told == pytest.approx(4.0 + by_hand(400.0, litres=-85.0) - by_hand(400.0))


@pytest.mark.parametrize("seen", [of_carrier(*[3.0, -3.0] * 15, carrier="Westby"), of_carrier(*[-6.0] * 3, *[0.0] * 4)])
def test_other_carriers_and_a_few_short_loads_of_its_own_change_nothing(seen):
    assert odds(BROUGHT, *drops(*[0.0] * 400), *seen) == 4.0


def test_a_thick_tail_is_weighed_by_what_lies_beyond_two_widths():
    """Of 1,000 drops 100 lie 3.5 widths up where a normal law has 23 beyond two; five of them may have gone wrong.

    Mean of an exponential law whose scale has an inverse gamma belief: Lomax, of 3 + 95 and 3 + 95 × 1.5 + 5 × 1.5.
    """
    away = np.concatenate([np.full(100, 3.5), np.zeros(900)])
    share = (0.3 + 100.0 - 1_000.0 * norm.sf(2.0)) / 1_010.0
    assert log_tail(away, 6.0) == pytest.approx(np.log(share) + lomax.logpdf(4.0, 98.0, scale=153.0) - norm.logpdf(6.0))
    assert log_tail(away, 2.0) == log_tail(-away, 6.0) == -np.inf


def test_a_normal_fleet_and_one_with_a_few_deliveries_gone_wrong_have_no_tail():
    usual = norm.ppf((np.arange(1_000) + 0.5) / 1_000)
    assert log_tail(0.99 * usual, 6.0) == -np.inf
    few = np.append(0.99 * usual, [15.0, 20.0, 9.0])
    assert log_tail(few, 6.0) + norm.logpdf(6.0) < np.log(1e-5)  # a drop 6 widths off stays rare


def test_before_a_fleet_has_drops_its_tail_is_the_usual_one():
    """Three drops in a hundred in a tail that exceeds two widths by one on the mean, worth three drops."""
    tail = np.log(0.03) + lomax.logpdf(3.0, 3.0, scale=3.0) - norm.logpdf(5.0)
    assert log_tail(np.empty(0), 5.0) == pytest.approx(tail)
    assert odds() == pytest.approx(4.0 - tail)
    assert odds(*drops(*[0.0] * 20)) == 4.0


def test_a_few_that_went_far_wrong_do_not_make_a_tail_for_the_rest():
    """Four among 800 are censored: the tail is that of the forty others."""
    sound = np.concatenate([np.zeros(756), np.full(40, 2.5)])
    wrong = [log_tail(np.append(sound, np.full(4, far)), 8.0) for far in (5.0, 50.0)]
    assert wrong[0] == wrong[1]


def test_a_thick_tail_takes_odds_from_drops_of_its_own_side_alone():
    """Each of the fleet's drops is another tank's, so that no tank makes the tail."""
    away = [-4.0] * 60 + [0.0] * 540
    fleet = [DropSeen(f"U{number}", 1_000.0 * number, DAY - 1, one) for number, one in enumerate(away)]
    assert odds(*fleet) < 0.0
    assert odds(*fleet, finding=replace(short(litres=100.0), cause="over_delivery")) == 4.0
    assert by_own_drops([short()], fleet) == []


def test_a_drop_that_others_make_likelier_sound_than_not_is_no_finding():
    """Log odds of 4 that the fleet takes down to 1 more than nought, and to 1 less."""
    fleet = drops(*([1.349, -1.349] * 45))
    taken = 4.0 - odds(*fleet)
    assert taken > 0.5
    left, gone = (replace(short(), log_odds=taken + odd) for odd in (1.0, -1.0))
    assert [one.log_odds for one in by_own_drops([left, gone], fleet)] == pytest.approx([1.0])
