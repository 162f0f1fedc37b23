"""Findings from a unit's walk: leaks, drifting meters, wrong charts, odd gains, deliveries unlike their tickets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.blends import blended_with, others_log_bayes
from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.estimate.chart_columns import CHART_COLUMNS, TOLERANCE_PCT, chart_changes_s
from pipeline.estimate.design import Balance
from pipeline.estimate.evidence import LOG_PRIOR
from pipeline.estimate.hypotheses import RATES
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import Named
from pipeline.ledger.drops import Drop

Floats = NDArray[np.float64]

UNEVEN_SHARE_SD = 0.2
"""Draws of some days and of some sizes are weighed as even daily ones: what their litres may be off by. No source."""
AROUND_S = 3 * 3600.0
AROUND_SHARE = 0.3
"""How near a drop sudden moves are of a piece with its mismatch, and from which share of it. No source."""
UNTICKETED_LOAD_L = 2000.0
"""More than so much beyond its tickets is a load without one. No source: compartments hold 1,000 l or more, and what is
metered or booked wrongly is less."""
OVER_RARER = 1.5
"""Log odds by which a drop that brought too much is rarer than one that brought too little: somebody gains by this one,
and by that nobody. No source: one in four or five."""
CHART_WORDS = {
    "scale": "sales and drops both find every litre of the chart too large or too small by the same share",
    "offset": "the error changes with level as a tilt or a shifted probe would have it",
    "bands": "the same levels are wrong in every cycle of filling and selling",
}
MOST_TIMES = 1000.0
"""Beyond so many times to one a figure says no more to a reader."""


def rate_findings(walks: list[UnitWalk]) -> list[Finding]:
    """Everything the walks named, worded as findings; a blending meter named on two units is reported once."""
    found: list[Finding] = []
    for one in walks:
        for named in one.walk.named:
            cause = named.hypothesis.cause
            if cause == "meter_drift":
                found += _drift(one, named, walks)
            elif cause in RATES:
                found.append(_lasting(one, named))
            elif cause == "chart_error":
                found += _chart(one, named)
            elif not _goes_on_around(one, named):
                found.append(_delivery(one, named))
    first: dict[str, Finding] = {}
    for finding in sorted(found, key=lambda item: (item.day, -item.log_odds)):
        key = f"{finding.cause}:{finding.meter_id}" if finding.meter_id else f"{id(finding)}"
        first.setdefault(key, finding)
    return list(first.values())


def _drift(one: UnitWalk, named: Named, walks: list[UnitWalk]) -> list[Finding]:
    """A drifting meter, where the other tanks that it draws on leave it likelier than not."""
    drift = _lasting(one, named)
    odds = drift.log_odds + others_log_bayes(one, named, walks)
    return [replace(drift, log_odds=odds, also_unit_id=blended_with(one, named, walks))] if odds > 0.0 else []


def _course(one: UnitWalk, named: Named) -> tuple[Course, float]:
    """Litres the named pieces have added to the variance, at each dip from onset to end, and the last's SD.

    The likeliest course, brought to the total that is averaged over all.
    """
    walk = one.walk
    belief, base = walk.views[-1].belief, walk.balance.columns.shape[1]
    numbers = walk.views[-1].pieces
    places = np.array([place for place, _ in named.pieces])
    courses = np.column_stack([walk.candidates.column(numbers[place - base]) for place in places])
    litres_15 = courses @ belief.mean[places]
    start = max(named.onset - 1, 0)
    stop = max(named.pieces[-1][1] - 1, start) if named.ended else len(litres_15) - 1
    litres = np.cumsum(np.diff(litres_15, prepend=litres_15[:1]) / walk.balance.vcf)
    assert named.total is not None
    likeliest = named.total.likeliest_15
    share = named.total.litres_15 / likeliest if likeliest else 1.0
    span = slice(start, stop + 1)
    course = Course(walk.balance.hours[span] * 3600.0, share * (litres - litres[start])[span])
    return course, named.total.sd_l


def onset_s(balance: Balance, dip: int) -> float:
    """When what sets in at a dip began: at the dip before. [s]"""
    return float(balance.hours[max(dip - 1, 0)] * 3600.0)


def _lasting(one: UnitWalk, named: Named) -> Finding:
    balance = one.walk.balance
    course, sd = _course(one, named)
    start_s = onset_s(balance, named.onset)
    end_s = float(course.at_s[-1]) if named.ended else None
    error_pct = None
    if named.hypothesis.cause == "meter_drift":
        adjusted_s = _adjusted_s(one, named, start_s)
        if adjusted_s is not None and (end_s is None or adjusted_s < end_s):
            course, sd, end_s = _cut(course, sd, adjusted_s)
        course, sd, error_pct = _meter(one, named, course, sd, end_s)
    litres = float(course.litres[-1]) if len(course.litres) else 0.0
    if named.hypothesis.cause == "slow_theft":
        sd = float(np.hypot(sd, UNEVEN_SHARE_SD * litres))
    return Finding(
        cause=named.hypothesis.cause,
        site_id=one.seen.unit.site_id,
        unit_id=one.seen.unit.unit_id,
        tank_id=_tank_of(one, named),
        meter_id=named.hypothesis.meter_id,
        day=named.day,
        start_s=start_s,
        end_s=end_s,
        litres=litres,
        sd_l=sd,
        rate_l_per_h=_rate(one, named, course),
        meter_error_pct=error_pct,
        log_odds=named.log_odds,
        of_balance=True,
        log_prior=LOG_PRIOR[named.hypothesis.cause],
        share=named.share,
        rival=named.rival,
        course=course,
        evidence=_evidence(one, named, course),
    )


def _adjusted_s(one: UnitWalk, named: Named, start_s: float) -> float | None:
    """When a calibration on record put a drifting meter right: at most half of the drift is left since then. [s]"""
    balance, belief = one.walk.balance, one.walk.views[-1].belief
    meter = str(named.hypothesis.meter_id)
    visits = list(one.seen.unit.calibrated_s.get(meter, ()))
    columns = [place for place, name in enumerate(balance.names) if name == f"calibrated:{meter}"]
    pieces = [place for place, _ in named.pieces]
    drift = float(belief.mean[pieces].sum())
    for count, visit_s in enumerate(visits, start=1):
        left = drift + float(belief.mean[columns[:count]].sum())
        if visit_s > start_s and abs(left) <= 0.5 * abs(drift):
            return float(visit_s)
    return None


def _cut(course: Course, sd_l: float, end_s: float) -> tuple[Course, float, float]:
    """A course up to an instant, the SD of its litres then, and the instant."""
    at = np.append(course.at_s[course.at_s < end_s], end_s)
    litres = course.until(at)
    share = abs(litres[-1] / course.litres[-1]) if course.litres[-1] else 1.0
    return Course(at, litres), sd_l * float(min(share, 1.0)), end_s


def _tank_of(one: UnitWalk, named: Named) -> str:
    return one.seen.unit.members[0]


def _rate(one: UnitWalk, named: Named, course: Course) -> float | None:
    """Mean litres an hour that leave: of a line leak, an hour with a hose open. [l/h]"""
    if named.hypothesis.cause not in ("tank_leak", "line_leak", "unexplained") or len(course.at_s) < 2:
        return None
    hours = (course.at_s[-1] - course.at_s[0]) / 3600.0
    if named.hypothesis.cause == "line_leak":
        open_h = np.interp(course.at_s[[0, -1]] / 3600.0, one.walk.balance.hours, one.walk.balance.open_h)
        hours = float(open_h[1] - open_h[0])
    return float(-course.litres[-1] / hours) if hours > 0 else None


def _meter(one: UnitWalk, named: Named, course: Course, sd: float, end_s: float | None) -> tuple[Course, float, float]:
    """A drifting meter's whole error: what it has given beyond its record since the onset, its usual error included."""
    balance, belief = one.walk.balance, one.walk.views[-1].belief
    meter = str(named.hypothesis.meter_id)
    number, errors = balance.meters.index(meter), balance.error_places(meter, named.onset)
    sold = np.interp(course.at_s / 3600.0, balance.hours, balance.sold_15_l[:, number])
    usual = float(belief.mean[errors].sum())
    whole = Course(course.at_s, course.litres - usual * (sold - sold[:1]))
    last = named.pieces[-1][1] if end_s is not None else len(balance.hours)
    active = [place for place, onset in named.pieces if onset < last]
    given = usual + float(belief.mean[active].sum())
    doubt = float(np.sqrt(belief.cov[np.ix_(errors, errors)].sum())) * float(sold[-1] - sold[0])
    return whole, float(np.hypot(sd, doubt)), 100.0 * (1.0 / (1.0 + given) - 1.0)


def _evidence(one: UnitWalk, named: Named, course: Course) -> tuple[Evidence, ...]:
    view = one.walk.views[-1]
    start = float(course.at_s[0]) if len(course.at_s) else None
    places = [place for place, _ in named.pieces]
    total = float(view.belief.mean[places].sum())
    doubt = float(np.sqrt(view.belief.cov[np.ix_(places, places)].sum()))
    unit, factor = {"meter_drift": ("%", 100.0), "slow_theft": ("l a day", 1.0)}.get(
        named.hypothesis.cause, ("l/h", 1.0)
    )
    words = {
        "tank_leak": "loss by day and night alike, going by the head of product",
        "line_leak": "loss while a hose is open, whatever it sells",
        "meter_drift": "change of what the hose gives against what it records",
        "unexplained": "steady gain that no delivery and no water explains",
        "slow_theft": "loss about the same hour of the day, and at no other",
    }[named.hypothesis.cause]
    return (
        Evidence("statistic", words, factor * total, unit, start_s=start, note=f"± {2 * factor * doubt:.2g} {unit}"),
        _likelier(named),
    )


def _likelier(named: Named) -> Evidence:
    """How sure it was on the day that it was named, in words that ask for no statistics."""
    is_beyond = named.log_odds > np.log(MOST_TIMES)
    times, note = (MOST_TIMES, "and more") if is_beyond else (float(np.exp(named.log_odds)), None)
    return Evidence("statistic", "likelier than that nothing is wrong, when it was named", times, "times", note=note)


def _chart(one: UnitWalk, named: Named) -> list[Finding]:
    """A wrong chart, where what the day that named it believes of it is off by enough to be worth a new one."""
    number, way = str(named.way).split(":")
    off_l = _chart_off_l(one, named.day, int(number))
    if off_l < TOLERANCE_PCT / 100.0 * one.seen.unit.capacity_l:
        return []
    changes = chart_changes_s(one.seen.unit)
    start_s = float(changes[int(number) - 1]) if int(number) else float(one.seen.unit.series.ts_s[0])
    finding = Finding(
        cause="chart_error",
        site_id=one.seen.unit.site_id,
        unit_id=one.seen.unit.unit_id,
        tank_id=one.seen.unit.members[0],
        day=named.day,
        start_s=start_s,
        end_s=None,
        log_odds=named.log_odds,
        of_balance=True,
        log_prior=LOG_PRIOR[named.hypothesis.cause],
        share=named.share,
        rival=named.rival,
        evidence=(
            Evidence("statistic", CHART_WORDS[way]),
            Evidence("statistic", "between two of the levels seen the chart is off by", off_l, "l"),
            _likelier(named),
        ),
    )
    return [finding]


def _chart_off_l(one: UnitWalk, day: int, number: int) -> float:
    """Litres by which a chart is believed to be off between the two levels where that is most, as a day saw it."""
    balance = one.walk.balance
    belief = next(view.belief for view in one.walk.views if view.day >= day)
    place = balance.names.index(f"chart{number}:scale")
    here = slice(place, place + CHART_COLUMNS)
    columns = balance.columns[balance.known_day <= day, here]
    in_force = columns[columns.any(axis=1)]
    return float(np.ptp(in_force @ belief.mean[here])) if len(in_force) else 0.0


def _goes_on_around(one: UnitWalk, named: Named) -> bool:
    """Whether a drop's mismatch is of a piece with sudden moves of its sign hours before and after it.

    What a till did not book for hours leaves before, during and after a drop; a ticket is wrong at the drop alone.
    """
    drop = one.seen.drops[one.judged[int(str(named.hypothesis.meter_id))]].drop
    belief = next(view.belief for view in one.walk.views if view.day == named.day)
    off_l = float(belief.mean[named.pieces[0][0]])
    moved = [
        [
            step.litres
            for day, step in one.seen.steps
            if day <= named.day and step.litres * off_l > 0 and low_s < step.start_s < high_s
        ]
        for low_s, high_s in ((drop.start_s - AROUND_S, drop.start_s), (drop.end_s, drop.end_s + AROUND_S))
    ]
    return all(abs(sum(side)) > AROUND_SHARE * abs(off_l) for side in moved)


def _delivery(one: UnitWalk, named: Named) -> Finding:
    place = one.judged[int(str(named.hypothesis.meter_id))]
    known = one.seen.drops[place]
    belief = one.walk.views[-1].belief
    spot = named.pieces[0][0]
    factor = float(one.walk.balance.vcf[named.pieces[0][1]])
    litres, sd = float(belief.mean[spot]) / factor, float(np.sqrt(belief.cov[spot, spot])) / factor
    then = next(view.belief for view in one.walk.views if view.day == named.day)
    tickets = one.seen.unit.tickets[list(known.drop.tickets)]
    largest = tickets.sort("ticket_volume_l", descending=True)
    at = np.array([known.drop.start_s, known.drop.end_s + 1.0])
    told_l = float(then.mean[spot]) / factor
    cause = "short_delivery" if told_l < 0.0 else "over_delivery" if told_l < UNTICKETED_LOAD_L else "missing_ticket"
    rarer = OVER_RARER if cause == "over_delivery" else 0.0
    return Finding(
        cause=cause,
        site_id=one.seen.unit.site_id,
        unit_id=one.seen.unit.unit_id,
        tank_id=str(largest["tank_id"][0]),
        delivery_id=None if cause == "missing_ticket" else str(largest["delivery_id"][0]),
        day=named.day,
        start_s=known.drop.start_s,
        end_s=known.drop.end_s,
        litres=litres,
        sd_l=sd,
        told_l=(told_l, float(np.sqrt(then.cov[spot, spot])) / factor),
        log_odds=named.log_odds - rarer,
        of_balance=True,
        log_prior=LOG_PRIOR[named.hypothesis.cause] - rarer,
        share=named.share,
        rival=named.rival,
        course=Course(at, np.array([0.0, litres])),
        evidence=_delivery_evidence(known.drop, float(tickets["ticket_volume_l"].sum()), litres, sd),
    )


def _delivery_evidence(drop: Drop, ticketed_l: float, litres: float, sd_l: float) -> tuple[Evidence, ...]:
    """What speaks for a drop that brought so many litres beyond its tickets, with their SD."""
    doubt = f"± {2 * sd_l:.0f} l with the chart's and the ticket's doubt"
    return (
        Evidence("interval", "rise in the level", None, None, drop.start_s, drop.end_s),
        Evidence("statistic", "ticketed", ticketed_l, "l"),
        Evidence("statistic", "gain by the gauge, sales meanwhile added back", drop.gain_l, "l"),
        Evidence("statistic", "difference at 15 °C", litres, "l", note=doubt),
    )
