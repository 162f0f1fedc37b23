"""What a walk named, as findings: signs, litres, rates and ends by hand. Evidence: known truth by construction."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.analysis import analyse_site
from pipeline.cases.finding import Finding
from pipeline.cases.rates import onset_s, rate_findings
from pipeline.estimate.averaged import Total
from pipeline.estimate.hypotheses import Hypothesis, candidates_of
from pipeline.estimate.naming import CHART
from pipeline.estimate.walked import Named
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    balance_by,
    believing,
    dips_of,
    drop_of,
    gauge_of,
    seen_of,
    step_of,
    unit_of,
    view_of,
    walk_of,
    walked_of,
)

HOURS = np.arange(0.0, 96.0, 8.0)
"""A dozen dips over four days; the fourth of them is the first of the second day."""
SOLD_L = 100.0 * np.arange(12.0)
ONSET = 3
LAST = 11


def walked(
    named: Named, sizes: Sequence[float], *, onsets: Sequence[int] = (ONSET,), seen=None, level=1_000.0, **means: float
):
    """A walk whose last view believes in pieces of those sizes; hours leak evenly, and a hose is open in half of them.

    The pieces set in at `onsets`; `means` are the base's.
    """
    dips = dips_of(HOURS, level, SOLD_L, open_h=0.5 * HOURS)
    own = unit_of(gauge_of(HOURS, 1_000.0), calibrated_s={"M1": (float(at_s(60.0)),)})
    unit = own if seen is None else seen.unit
    balance = balance_by(unit, dips)
    balance = replace(balance, leak_h=np.tile(HOURS, (16, 1)).T)
    candidates = candidates_of(balance)
    kinds = [one.cause for one in candidates.hypotheses]
    kind = kinds.index(named.hypothesis.cause) if named.hypothesis.cause in kinds else 0
    number = {int(at): n for n, at in enumerate(candidates.onset) if candidates.which[n] == kind}
    number |= {} if ONSET in number else {ONSET: number[0]}
    base = len(balance.names)
    named.pieces[:] = [(base + place, onset) for place, onset in enumerate(onsets)]
    belief = believing(balance, pieces=[(size, 0.01) for size in sizes], **means)
    view = view_of(FIRST_DAY + 3, belief, pieces=tuple(number[onset] for onset in onsets))
    return walked_of(seen or seen_of(unit), dips, walk_of(balance, [view], named=[named]), judged=(0,))


def rate(cause: str, litres: float, *, meter: str | None = None, onset: int = ONSET, sd: float = 4.0) -> Named:
    hypothesis = Hypothesis(cause, meter, 1.0, True)
    return Named(hypothesis, FIRST_DAY + 3, 9.0, onset, ("unexplained:", 2.0), total=Total(litres, sd, litres))


def only(walk) -> Finding:
    (found,) = rate_findings([walk])
    return found


def test_a_leak_s_litres_are_its_rate_s_and_leave():
    """0.5 l/h from hour 16, the dip before its onset, to the last at 88: 36 l in 72 h."""
    found = only(walked(rate("tank_leak", -36.0), [0.5]))
    assert (found.litres, found.sd_l, found.rate_l_per_h) == pytest.approx((-36.0, 4.0, 0.5))
    assert (found.start_s, found.end_s) == (at_s(16.0), None)
    assert (found.tank_id, found.day, found.log_odds, found.log_prior) == ("T1", FIRST_DAY + 3, 9.0, -3.5)
    assert found.of_balance
    assert found.course.until(at_s([16.0, 40.0, 88.0])) == pytest.approx([0.0, -12.0, -36.0])


def test_litres_are_brought_to_what_all_onsets_together_say():
    """The likeliest course comes to −36 l; averaged over what is not known it is −27: so is every part of it."""
    named = rate("tank_leak", -36.0)
    named.total = Total(-27.0, 6.0, -36.0)
    found = only(walked(named, [0.5]))
    assert (found.litres, found.sd_l, found.rate_l_per_h) == pytest.approx((-27.0, 6.0, 0.375))
    assert found.course.until(at_s([40.0])) == pytest.approx([-9.0])


def test_a_rate_that_ended_stops_at_the_dip_before_its_last_piece():
    """0.5 l/h from hour 16 on, taken back with the piece of dip 9 at hour 72: 24 l, until hour 64."""
    named = rate("tank_leak", -24.0)
    named.ended = True
    found = only(walked(named, [0.5, -0.5], onsets=(ONSET, 9)))
    assert (found.litres, found.rate_l_per_h) == pytest.approx((-24.0, 0.5))
    assert found.end_s == at_s(64.0)


def test_a_line_s_rate_is_for_an_hour_with_a_hose_open():
    """88 hours from the first dip to the last, a hose open in half of them: 440 l are 10 l an open hour."""
    found = only(walked(rate("line_leak", -440.0, onset=0), [10.0], onsets=(0,)))
    assert (found.litres, found.rate_l_per_h) == pytest.approx((-440.0, 10.0))
    assert found.log_prior == -4.0


def test_a_gain_comes_in():
    found = only(walked(rate("unexplained", 72.0), [1.0]))
    assert (found.litres, found.rate_l_per_h) == pytest.approx((72.0, -1.0))


def test_draws_at_an_hour_are_less_sure_by_a_fifth():
    named = rate("slow_theft", -40.0, onset=0)
    named = replace(named, hypothesis=next(
        one for one in candidates_of(walked(rate("tank_leak", -1.0), [0.1]).walk.balance).hypotheses
        if one.cause == "slow_theft"
    ))  # fmt: skip
    found = only(walked(named, [10.0], onsets=(0,)))
    assert found.sd_l == pytest.approx(np.hypot(4.0, 0.2 * 40.0))
    assert found.rate_l_per_h is None


@pytest.mark.parametrize(("gives", "error_pct"), [(0.01, -0.990099), (-0.01, 1.010101)])
def test_a_meter_that_gives_more_records_too_little(gives, error_pct):
    """Recorded ÷ true − 1: 1 ÷ 1.01 − 1 = −0.99 %. It sold 1,100 l from hour 0 on, all with the error: 11 l."""
    found = only(walked(rate("meter_drift", -11.0 * gives / 0.01, meter="M1", onset=0), [gives], onsets=(0,)))
    assert found.meter_error_pct == pytest.approx(error_pct, abs=1e-5)
    assert found.litres == pytest.approx(-1_100.0 * gives)
    assert found.meter_id == "M1"


def test_a_meter_s_whole_error_holds_its_usual_one():
    """It drifts by 1 % and gave 0.2 % more before: 1.2 % more, and 0.2 % of 1,100 l beside the drift's 11 l."""
    found = only(walked(rate("meter_drift", -11.0, meter="M1", onset=0), [0.01], onsets=(0,), meter__M1=0.002))
    assert found.litres == pytest.approx(-11.0 - 2.2)
    assert found.meter_error_pct == pytest.approx(100.0 * (1.0 / 1.012 - 1.0))


@pytest.mark.parametrize(("left", "is_over"), [(-0.006, True), (-0.004, False), (-0.015, True), (-0.016, False)])
def test_a_visit_on_record_that_put_the_meter_right_ends_the_drift(left, is_over):
    """A drift of 1 % and a calibration at hour 60: over where half of it or less is left, either way."""
    named = rate("meter_drift", -11.0, meter="M1", onset=0)
    found = only(walked(named, [0.01], onsets=(0,), calibrated__M1=left))
    assert found.end_s == (at_s(60.0) if is_over else None)
    # 700 of 1,100 l were sold by the dip of hour 56, and half of the next 100 l by hour 60.
    assert found.litres == pytest.approx(-7.5 if is_over else -11.0, abs=0.01)


def test_of_a_blending_meter_s_two_tanks_the_first_to_name_it_tells():
    first, later = (walked(rate("meter_drift", -11.0, meter="M1", onset=0), [0.01], onsets=(0,)) for _ in range(2))
    later.walk.named[0].day += 1
    found = rate_findings([later, first])
    assert [one.day for one in found] == [FIRST_DAY + 3]
    leaks = [walked(rate("tank_leak", -36.0), [0.5]) for _ in range(2)]
    assert len(rate_findings(leaks)) == 2


@pytest.mark.parametrize(
    ("log_odds", "times", "note"), [(9.0, 1_000.0, "and more"), (6.91, 1_000.0, "and more"), (5.0, 148.4, None)]
)
def test_beyond_a_thousand_to_one_a_finding_says_no_more_than_that(log_odds, times, note):
    named = rate("tank_leak", -36.0)
    named.log_odds = log_odds
    told = only(walked(named, [0.5])).evidence[-1]
    assert (told.value, told.note) == (pytest.approx(times, abs=0.05), note)


def chart_named(way: str) -> Named:
    return Named(CHART, FIRST_DAY + 3, 7.0, 0, None, way=way)


LEVELS = 1_600.0 - SOLD_L / 5.0
"""Of a tank that holds 5 l a millimetre and 10,000 in all, so that its chart may be off by 15."""


def test_a_chart_is_wrong_from_when_it_came_into_force():
    """Two per cent of the 1,100 l between the highest and the lowest level; three of the 600 since hour 40."""
    found = only(walked(chart_named("0:scale"), [], level=LEVELS, chart0__scale=0.02))
    assert (found.start_s, found.litres, found.rate_l_per_h) == (at_s(0.0), None, None)
    assert found.evidence[1].value == pytest.approx(22.0)
    unit = unit_of(gauge_of(HOURS, 1_000.0), charts=((-1_000.0, 5.0), (40.0, 5.0)))
    later = only(walked(chart_named("1:offset"), [], seen=seen_of(unit), level=LEVELS, chart1__scale=0.03))
    assert later.start_s == at_s(40.0)
    assert later.evidence[1].value == pytest.approx(18.0)


@pytest.mark.parametrize(("scale", "cases"), [(0.0136, 0), (-0.0136, 0), (0.0137, 1), (-0.0137, 1)])
def test_a_chart_off_by_less_than_015_per_cent_of_the_tank_is_no_case(scale, cases):
    found = rate_findings([walked(chart_named("0:scale"), [], level=LEVELS, chart0__scale=scale)])
    assert len(found) == cases


def delivery(off_l: float, *, steps=(), then_l: float | None = None) -> list[Finding]:
    """Findings of a drop of 3,000 l at hour 30, ticketed D1 with 3,000 l, off by so much."""
    unit = unit_of(gauge_of(HOURS, 1_000.0), tickets=[("D1", 29.0, 3_000.0)])
    seen = seen_of(unit, drops=[drop_of(30.0, 3_000.0, tickets=(0,))], steps=steps)
    named = Named(Hypothesis("delivery", "0", 150.0, False), FIRST_DAY + 1, 6.0, 4, None)
    walk = walked(named, [off_l], onsets=(ONSET,), seen=seen)
    named.pieces[:] = [(named.pieces[0][0], 4)]
    views = [replace(walk.walk.views[0], day=FIRST_DAY + 1), walk.walk.views[0]]
    if then_l is not None:
        mean = views[0].belief.mean.copy()
        mean[-1] = then_l
        views[0] = replace(views[0], belief=replace(views[0].belief, mean=mean))
    return rate_findings([replace(walk, walk=replace(walk.walk, views=views))])


@pytest.mark.parametrize(("off_l", "cause"), [(-120.0, "short_delivery"), (120.0, "over_delivery")])
def test_a_drop_that_lacks_litres_is_short_and_one_that_has_more_is_over(off_l, cause):
    (found,) = delivery(off_l)
    assert (found.cause, found.delivery_id, found.litres) == (cause, "D1", pytest.approx(off_l))
    assert (found.start_s, found.end_s) == (at_s(30.0), pytest.approx(at_s(30.0) + 600.0))
    assert found.course.until(at_s([29.0, 31.0])) == pytest.approx([0.0, off_l])


def test_one_that_has_more_is_rarer_and_the_data_say_the_same_of_both():
    """Nobody gains by a drop that brought too much: e^1.5, so that of five wrong ones four came short."""
    (short,), (over,) = delivery(-120.0), delivery(120.0)
    assert (short.log_odds, over.log_odds) == (6.0, 4.5)
    assert short.log_bayes == over.log_bayes


@pytest.mark.parametrize(
    ("off_l", "cause", "ticket"), [(1_990.0, "over_delivery", "D1"), (2_010.0, "missing_ticket", None)]
)
def test_a_load_beyond_the_tickets_has_none_itself(off_l, cause, ticket):
    (found,) = delivery(off_l)
    assert (found.cause, found.delivery_id, found.litres) == (cause, ticket, pytest.approx(off_l))


def test_a_drop_s_cause_is_that_of_the_day_that_named_it():
    """Named as 100 l short; by now it is 5 l over, which is no other case."""
    (found,) = delivery(5.0, then_l=-100.0)
    assert found.cause == "short_delivery"
    assert (found.litres, found.told_l[0]) == pytest.approx((5.0, -100.0))


@pytest.mark.parametrize(
    ("before_l", "after_l", "hour", "count"),
    [(-40.0, -40.0, 28.0, 0), (-40.0, 40.0, 28.0, 1), (-40.0, 0.0, 28.0, 1), (-35.0, -40.0, 28.0, 1),
     (-40.0, -40.0, 26.9, 1)],
)  # fmt: skip
def test_what_goes_on_before_and_after_a_drop_is_not_the_drop_s(before_l, after_l, hour, count):
    """120 l are missing; more than 36 l of its sign within three hours on either side are of a piece with them."""
    steps = [(FIRST_DAY + 1, step_of(hour, before_l)), (FIRST_DAY + 1, step_of(31.0, after_l))]
    assert len(delivery(-120.0, steps=[one for one in steps if one[1].litres])) == count


@pytest.mark.parametrize(("dip", "hour"), [(0, 0.0), (1, 0.0), (5, 32.0)])
def test_what_sets_in_at_a_dip_began_at_the_one_before(dip, hour):
    balance = balance_by(unit_of(gauge_of(HOURS, 1_000.0)), dips_of(HOURS, 1_000.0))
    assert onset_s(balance, dip) == pytest.approx(at_s(hour))


@pytest.mark.parametrize(("capacity_l", "cases"), [(10_000.0, 1), (110_000.0, 1), (120_000.0, 0)])
def test_a_chart_is_a_case_from_015_per_cent_of_the_tank_on(capacity_l, cases):
    """A chart that is 3 % too large; 5,760 l go between two drops, so it is off by 172.8. 180 are allowed of 120,000.

    The capacity says by how much a chart may be off, and nothing else here.
    """
    days = 24
    drops = [Poured(24.0 * day + 2.0, 5_760.0, minutes=20.0) for day in range(3, days, 3)]
    site = HandSite([HandTank("T1", sales=steady_sales(days, litres=60.0), drops=drops)], days=days, noise_mm=0.05)
    site.tickets = [(f"D{k}", "T1", one.hour, one.litres) for k, one in enumerate(drops)]
    tables = site.tables()
    tables["strapping"] = tables["strapping"].with_columns(pl.col("volume_l") * 1.03)
    tables["tanks"] = tables["tanks"].with_columns(capacity_l=pl.lit(capacity_l))
    result = analyse_site(tables, 10**6, Limits())
    assert result is not None
    found = [one for one in result.findings if one.cause == "chart_error"]
    assert len(found) == cases
    off = [part for one in found for part in one.evidence if part.name.startswith("between two of the levels")]
    assert [(part.value, part.unit) for part in off] == [(pytest.approx(172.8, rel=0.05), "l")] * cases
