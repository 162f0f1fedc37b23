"""Findings in the books rather than in the tank: clocks, feeds and tickets."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR
from pipeline.cases.sudden import is_lone_rise
from pipeline.estimate.bayes import normal_p, p_value_log_bayes
from pipeline.estimate.feed_changes import FeedChange
from pipeline.estimate.known import DAY_S, clock_changed, first_seen_s
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.booked import booked_l
from pipeline.ledger.clocks import WIDEST_LAG_S, DayLag
from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import seconds
from pipeline.ledger.movements import cumulative_l

Floats = NDArray[np.float64]

SKEW_S = 75.0
"""Clocks that differ by so much more than they usually do at a site are a case. No source."""
APART_SDS = 4.0
"""And by so many SDs of what they scatter by from day to day. No source."""
CONSTANT_S = 300.0
"""By so much a site's clocks may differ all the time, or before it is known by how much they do. Common practice, no
source: a till that is minutes off, or that writes a sale when it is paid."""
CLOCK_SD_S = 15.0
"""How far a sound till's clock is off. Common practice, no source."""
STANDS_OUT_SDS = 6.0
FEWEST_USUAL_DAYS = 5
"""A single day's lag is a case from so many SDs on, its own and that of the site's days before, once there are so many
of them; else the next day must bear it out. No source."""
FEED_DOUBT = 0.1
"""By what share of its sales a tank may seem to lose more or less on one day: chart, and moves that are not sales. No
source."""
FEED_SHARE_SD = 0.003
ONSET_SHARE_SD = 0.35
"""What a wrong feed's litres may be off: by the meter, and by how much of a day's sales came before it. No source."""
SMALLEST_UNTICKETED_L = 400.0
"""A smaller rise needs no ticket. No source: a compartment holds 1,000 litres or more."""


def clock_findings(site: SiteObserved) -> list[Finding]:
    """One finding for each stretch of days on which the site's clocks disagree."""
    found: list[Finding] = []
    run: list[tuple[int, DayLag]] = []
    usual_s: list[float] = []
    for day in [*site.days.tolist(), None]:
        lag = site.lags.get(day) if day is not None else None
        if day is not None and lag is None:
            continue
        if lag is not None and day is not None and is_sure(lag) and is_apart(lag, np.array(usual_s), is_on=bool(run)):
            run.append((day, lag))
            continue
        if lag is not None and (lag.fit < 0.3 or (abs(lag.lag_s) > SKEW_S and not is_sure(lag))):
            continue
        if run:
            told = _skew(site, run, day * DAY_S if day is not None else None, np.array(usual_s))
            found += told
            usual_s += [] if told else [one.lag_s for _, one in run]
            run = []
        usual_s += [lag.lag_s] if lag is not None else []
    return found


def stands_out(lag: DayLag, usual_s: Floats) -> bool:
    """Whether a lag is far from the site's on the days before, shape (n,), by their spread and its own. [s]

    Of too few days, far beyond what any site's is.
    """
    if len(usual_s) < FEWEST_USUAL_DAYS:
        return abs(lag.lag_s) >= 2.0 * CONSTANT_S
    middle_s = float(np.median(usual_s))
    spread_s = float(np.sqrt(np.mean((usual_s - middle_s) ** 2)))
    return abs(lag.lag_s - middle_s) > STANDS_OUT_SDS * float(np.hypot(spread_s, lag.sd_s))


def is_sure(lag: DayLag) -> bool:
    """Whether a day's lag is beyond doubt none of chance."""
    return abs(lag.lag_s) > 6.0 * lag.sd_s and lag.gain > 0.05 and lag.fit > 0.3


def is_apart(lag: DayLag, usual_s: Floats, *, is_on: bool = False) -> bool:
    """Whether a lag is beyond the site's own on the days before, shape (n,); of too few, beyond what any site's is.

    Where sales are written by hand the days' lags scatter by minutes, and one of them tells as little. Clocks that are
    taken to disagree (`is_on`) still do when they are somewhat less apart.
    """
    if len(usual_s) < FEWEST_USUAL_DAYS:
        return abs(lag.lag_s) >= (SKEW_S if is_on else CONSTANT_S)
    away_s = np.abs(usual_s - np.median(usual_s))
    least_s = max(SKEW_S, APART_SDS * 1.4826 * float(np.median(away_s)))
    return abs(lag.lag_s) >= SKEW_S and abs(lag.lag_s - float(np.median(usual_s))) >= least_s


def skew_log_bayes(lag: DayLag) -> float:
    """Log Bayes factor of clocks that disagree. Null: tills are off by `CLOCK_SD_S`, and the day's lag by its SD."""
    return p_value_log_bayes(normal_p(lag.lag_s / float(np.hypot(CLOCK_SD_S, lag.sd_s))))


def _feed_log_bayes(change: FeedChange) -> float:
    """Log Bayes factor of a hose on another tank. Null: the booked tank loses all it sells, but for `FEED_DOUBT`."""
    return p_value_log_bayes(normal_p((1.0 - change.share) / float(np.hypot(FEED_DOUBT, change.sd))))


def _skew(site: SiteObserved, run: list[tuple[int, DayLag]], ended: float | None, usual_s: Floats) -> list[Finding]:
    """The finding of a run of days, none where it is a single day that the site's days before do not bear out."""
    is_told = (place >= 1 or (lag.gain > 0.2 and stands_out(lag, usual_s)) for place, (_, lag) in enumerate(run))
    sure = next((place for place, told in enumerate(is_told) if told), None)
    if sure is None:
        return []
    day, lag = run[sure]
    ahead = "till ahead of the gauge" if run[-1][1].lag_s > 0 else "gauge ahead of the till"
    return [
        Finding(
            cause="clock_skew",
            site_id=site.site_id,
            unit_id=None,
            tank_id=None,
            day=day,
            start_s=max(run[0][0] * DAY_S, float(site.days[0]) * DAY_S),
            end_s=ended,
            log_odds=LOG_PRIOR["clock_skew"] + skew_log_bayes(lag),
            log_prior=LOG_PRIOR["clock_skew"],
            evidence=(
                Evidence("statistic", ahead, abs(run[-1][1].lag_s), "s", note=f"± {2 * lag.sd_s:.0f} s"),
                Evidence(
                    "statistic", "share of the unexplained movement that setting the clock right removes", lag.gain
                ),
            ),
        )
    ]


def feed_findings(site: SiteObserved, tables: dict[str, pl.DataFrame]) -> list[Finding]:
    """Meters whose sales are booked to a tank that does not supply them, one finding a meter and stretch."""
    found = []
    for change in site.feeds:
        if change.to_unit == change.unit_id:
            continue
        later = [one.from_s for one in site.feeds if one.meter_id == change.meter_id and one.from_s > change.from_s]
        later += _corrected_s(site, tables, change)
        found.append(_feed(site, tables, change, min(later) if later else None))
    return found


def _corrected_s(site: SiteObserved, tables: dict[str, pl.DataFrame], change: FeedChange) -> list[float]:
    """When the books came to name the tank that supplies the meter, after the change that they had missed. [s]"""
    members = next((unit.unit.members for unit in site.units if unit.unit.unit_id == change.to_unit), ())
    rows = tables["meter_feeds"].filter(
        (pl.col("meter_id") == change.meter_id) & pl.col("tank_id").is_in(list(members))
    )
    return [float(at) for at in seconds(rows["valid_from"]) if at > change.from_s]


def _feed(site: SiteObserved, tables: dict[str, pl.DataFrame], change: FeedChange, end_s: float | None) -> Finding:
    course = _misbooked(site, change, end_s)
    litres = float(course.litres[-1])
    that_day = float(np.interp(change.since_s + DAY_S, course.at_s, course.litres))
    return Finding(
        cause="wrong_feed",
        site_id=site.site_id,
        unit_id=change.unit_id,
        tank_id=_booked_tank(tables, change),
        meter_id=change.meter_id,
        day=change.day,
        start_s=change.since_s,
        end_s=end_s,
        litres=litres,
        sd_l=float(np.hypot(max(FEED_SHARE_SD * litres, 15.0), ONSET_SHARE_SD * that_day)),
        log_odds=LOG_PRIOR["wrong_feed"] + _feed_log_bayes(change),
        log_prior=LOG_PRIOR["wrong_feed"],
        also_unit_id=change.to_unit,
        course=course,
        evidence=(
            Evidence(
                "statistic",
                "share of the hose's sales that the tank it is booked to lost",
                change.share,
                note=f"± {2 * change.sd:.2f}",
            ),
            Evidence("statistic", f"the level that falls with its sales is that of {change.to_unit}"),
        ),
    )


def _misbooked(site: SiteObserved, change: FeedChange, end_s: float | None) -> Course:
    """Litres sold from the one tank and booked to the other, sale by sale."""
    at_s, volume_l = [], []
    for unit in site.units:
        for flow in unit.flows if unit.unit.unit_id in (change.unit_id, change.to_unit) else ():
            is_before = flow.end_s < change.from_s
            mine = (flow.end_s >= change.since_s) & (flow.end_s < (end_s or np.inf))
            mine &= is_before if unit.unit.unit_id == change.unit_id else ~is_before
            if flow.meter_id == change.meter_id:
                at_s.append(flow.end_s[mine])
                volume_l.append(flow.volume_l[mine])
    at, volume = np.concatenate([*at_s, np.empty(0)]), np.concatenate([*volume_l, np.empty(0)])
    order = np.argsort(at, kind="stable")
    return Course(np.append(change.since_s, at[order]), np.append(0.0, np.cumsum(volume[order])))


def _booked_tank(tables: dict[str, pl.DataFrame], change: FeedChange) -> str:
    rows = tables["meter_feeds"].filter(pl.col("meter_id") == change.meter_id).sort("valid_from")
    starts = seconds(rows["valid_from"])
    before = np.flatnonzero(starts <= change.from_s + 86400.0)
    return str(rows["tank_id"][int(before[-1]) if len(before) else 0])


def ticket_findings(site: SiteObserved) -> list[Finding]:
    """Drops for which no ticket had come by the end of the next UTC day."""
    found = []
    for unit in site.units:
        for known in unit.drops:
            drop = known.drop
            day = known.day + 1
            if drop.tickets or drop.gain_l < SMALLEST_UNTICKETED_L:
                continue
            if day > int(site.days[-1]) or _is_of_feed(site, unit, drop, day):
                continue
            if _is_of_clock(unit, known, day) or is_lone_rise(unit, known):
                continue
            found.append(_unticketed(unit, known.drop, day))
    return found


def _is_of_feed(site: SiteObserved, unit: UnitObserved, drop: Drop, day: int) -> bool:
    """Whether a rise without a ticket is only the sales of a hose that draws on another tank, as is known by then."""
    changes = [one for one in site.feeds if unit.unit.unit_id in (one.unit_id, one.to_unit) and one.day <= day]
    if not changes:
        return False
    series, span_s = unit.unit.series, np.array([drop.start_s, drop.end_s])
    sold = sum(float(np.diff(cumulative_l(flow, span_s))[0]) for flow in unit.flows)
    return float(np.diff(np.interp(span_s, series.ts_s, series.gauge_l))[0]) + sold < SMALLEST_UNTICKETED_L


def _is_of_clock(unit: UnitObserved, known: KnownDrop, day: int) -> bool:
    """Whether a rise is no more than sales that stand at the wrong time, as the clocks had moved by a UTC day."""
    if not any(clock_changed(unit.lags, one) for one in range(known.day, day + 1)):
        return False
    drop, seen_s = known.drop, first_seen_s(day + 1, unit.lags)
    booked = booked_l(unit.flows, drop.start_s - WIDEST_LAG_S, min(drop.end_s + WIDEST_LAG_S, seen_s))
    return booked > drop.gain_l


def _unticketed(unit: UnitObserved, drop: Drop, day: int) -> Finding:
    """Null: no product came, and the rise is within what the gauge is unsure by. Alternative: a drop."""
    sd = 12.0 + 0.004 * drop.gain_l
    return Finding(
        cause="missing_ticket",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=unit.unit.members[0],
        day=day,
        start_s=drop.start_s,
        end_s=drop.end_s,
        litres=drop.gain_l,
        sd_l=sd,
        log_odds=LOG_PRIOR["missing_ticket"] + p_value_log_bayes(normal_p(drop.gain_l / sd)),
        log_prior=LOG_PRIOR["missing_ticket"],
        course=Course(np.array([drop.start_s, drop.end_s + 1.0]), np.array([0.0, drop.gain_l])),
        evidence=(
            Evidence("interval", "rise of the level", drop.gain_l, "l", drop.start_s, drop.end_s),
            Evidence("statistic", "steepest rise", drop.rate_l_per_min, "l/min"),
        ),
    )
