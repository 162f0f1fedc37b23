"""Findings about the gauge itself: stuck, noisy or dropping out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.bayes import normal_p, p_value_log_bayes
from pipeline.estimate.known import DAY_S, clock_changed, first_seen_s, seen_day
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.probe import ProbeDay, StuckSpan
from pipeline.ledger.clocks import WIDEST_LAG_S
from pipeline.ledger.movements import whole_sales_l
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

NOISE_TIMES = 3.0
"""A day whose scatter is this many times the tank's usual is noisy."""
NOISE_MM = 0.2
BAD_SHARE = 0.12
"""From this share of a day's readings unusable the gauge drops out; sound ones lose some per cent (common practice)."""
PLAY_MM = 2.0
"""By how much a sound float may hang. Common practice, no source."""
LOST_SHARE, USUAL_SWING = 0.01, 0.2
"""Share of readings that sound gauges lose, and how their scatter and counts differ from day to day. Common practice,
no source."""
HISTORY = 20
FEWEST_DAYS = 2
"""A gauge is called noisy or silent when it has been so on as many days running."""
RESTLESS_TIMES = 1.5
"""No day is noisy below this many times the worst of the sound days before, in scatter, or in how often a gauge that
reports on exception does so. No source."""
SILENT_SHARE = 0.6
"""A regular gauge that delivers less than this share of its usual readings, while its site's others do, drops out."""


def gauge_findings(site: SiteObserved) -> list[Finding]:
    """Stuck, noisy and dropping-out gauges of a site, one finding for each stretch of days."""
    found: list[Finding] = []
    for unit in site.units:
        found += _stuck(site, unit)
        for tank_id, days in unit.probe.items():
            found += _stretches(unit, tank_id, _flags(site, tank_id, days), [day.day for day in days])
    return _merged(found)


def _flags(site: SiteObserved, tank_id: str, days: list[ProbeDay]) -> dict[int, tuple[str, float]]:
    """The days on which something is wrong with a tank's readings, judged by the sound days before each."""
    flags: dict[int, tuple[str, float]] = {}
    sound: list[ProbeDay] = []
    for day in days:
        reason = _trouble(site, tank_id, day, sound, was_wrong=day.day - 1 in flags)
        if reason is None:
            sound.append(day)
        else:
            flags[day.day] = reason
    return flags


def _is_misfed(site: SiteObserved, unit: UnitObserved, span: StuckSpan) -> bool:
    """Whether sales that are known by then to leave another tank make a level seem to stand still."""
    return any(
        change.unit_id == unit.unit.unit_id != change.to_unit
        and change.from_s <= span.start_s
        and change.day <= seen_day(span.known_s, unit.lags)
        for change in site.feeds
    )


def _plain_s(unit: UnitObserved, span: StuckSpan) -> float:
    """When it is plain that a level is stuck: on a day whose clocks moved, once no wrong clock lasts as long. [s]"""
    if clock_changed(unit.lags, seen_day(span.known_s, unit.lags)):
        return max(span.known_s, span.start_s + WIDEST_LAG_S)
    return span.known_s


def _stuck(site: SiteObserved, unit: UnitObserved) -> list[Finding]:
    groups: list[list[StuckSpan]] = []
    for span in unit.stuck:
        plain_s = _plain_s(unit, span)
        if _is_misfed(site, unit, span) or plain_s > span.end_s:
            continue
        if groups and span.start_s - groups[-1][-1].end_s < 2 * DAY_S:
            groups[-1].append(span)
        else:
            groups.append([replace(span, known_s=plain_s)])
    return [one for group in groups if (one := _stuck_finding(unit, group)) is not None]


def _stuck_odds(unit: UnitObserved, group: list[StuckSpan], surface_l_per_mm: float) -> tuple[int, float] | None:
    """The day by which a level that stands still is a stuck gauge's, and its log odds; None while it is not.

    Null: the float hangs by its play, `PLAY_MM` (SD), while the sales lower the product.
    """
    for span in group:
        for day in range(seen_day(span.known_s, unit.lags), seen_day(span.end_s, unit.lags) + 1):
            until_s = min(span.end_s, first_seen_s(day + 1, unit.lags))
            sold = float(whole_sales_l(unit.flows, span.start_s, np.array([until_s]))[0])
            fallen_mm = max(sold, span.known_l) / surface_l_per_mm
            odds = LOG_PRIOR["probe_fault"] + p_value_log_bayes(normal_p(fallen_mm / PLAY_MM))
            if odds > RAISE_AT:
                return day, odds
    return None


def _stuck_finding(unit: UnitObserved, group: list[StuckSpan]) -> Finding | None:
    sold = sum(span.sold_l for span in group)
    first = group[0]
    series = unit.unit.series
    place = max(int(np.searchsorted(series.ts_s, first.start_s)), 1)
    surface = float(np.median(series.surface_l_per_mm[:place])) if len(series) else 0.0
    raised = _stuck_odds(unit, group, max(surface, 1e-6))
    if raised is None:
        return None
    return Finding(
        cause="probe_fault",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=unit.unit.members[0],
        day=raised[0],
        start_s=first.start_s,
        end_s=group[-1].end_s,
        log_odds=raised[1],
        log_prior=LOG_PRIOR["probe_fault"],
        rival=("clock_skew", 0.0),
        evidence=(
            Evidence("interval", "the level stood still", None, None, first.start_s, group[-1].end_s),
            Evidence("statistic", "sold meanwhile", sold, "l"),
        ),
    )


def _trouble(
    site: SiteObserved, tank_id: str, today: ProbeDay, sound: list[ProbeDay], *, was_wrong: bool
) -> tuple[str, float] | None:
    """What is wrong with a tank's readings on a day against sound days before, with a number; None where nothing is.

    What is usual is told by the last `HISTORY` of the sound days, the worst by all of them.
    """
    past = sound[-HISTORY:]
    usual_bad = median(np.array([day.bad_share for day in past])) if past else 0.0
    if today.bad_share > BAD_SHARE and today.bad_share > 4.0 * usual_bad and today.readings >= 20:
        return "readings lost, share", today.bad_share
    scatters = np.array([day.scatter_mm for day in past if np.isfinite(day.scatter_mm)])
    if len(scatters) >= 4 and np.isfinite(today.scatter_mm):
        usual = max(median(scatters), 0.04)
        step = median(np.array([day.resolution_mm for day in past]))
        worst = max(day.scatter_mm for day in sound if np.isfinite(day.scatter_mm))
        limit = max(NOISE_TIMES * usual, usual + NOISE_MM + 1.3 * step, RESTLESS_TIMES * worst)
        if today.scatter_mm > (0.6 * limit if was_wrong else limit):
            return "scatter against the usual, times", today.scatter_mm / max(usual, step / 3.0)
    if len(past) >= 5 and not _is_regular(past):
        most = max(one.readings for one in sound)
        if today.readings > (0.8 if was_wrong else 1.0) * RESTLESS_TIMES * most:
            return "readings on exception against the most before, times", today.readings / most
    if len(past) >= 5 and _is_silent(today, past) and not _site_silent(site, tank_id, today.day):
        usual = max(float(np.median([one.readings for one in past])), 1.0)
        return "readings against the usual, share", today.readings / usual
    return None


def _trouble_log_bayes(name: str, value: float) -> float:
    """Log Bayes factor of a gauge in trouble by what is wrong with its readings.

    Null: shares lost fall off exponentially, about `LOST_SHARE`; scatter and counts go up and down by `USUAL_SWING` (SD
    of their logarithm), on two days running.
    """
    if "lost" in name:
        return p_value_log_bayes(float(np.exp(-value / LOST_SHARE)))
    return p_value_log_bayes(normal_p(float(np.log(max(value, 1e-6))) / USUAL_SWING) ** FEWEST_DAYS)


def _is_silent(today: ProbeDay, past: list[ProbeDay]) -> bool:
    usual = median(np.array([day.readings for day in past]))
    return _is_regular(past) and today.readings < SILENT_SHARE * usual


def _is_regular(days: list[ProbeDay]) -> bool:
    """Whether a gauge reads at regular times and not on exception."""
    return median(np.array([day.regular_share for day in days])) > 0.9


def _site_silent(site: SiteObserved, tank_id: str, day: int) -> bool:
    """Whether the site's other tanks were silent too that day (an outage of the site, not of a gauge)."""
    shares = []
    for unit in site.units:
        for name, days in unit.probe.items():
            counts = {one.day: one.readings for one in days}
            if name != tank_id and day in counts:
                usual = np.median([count for number, count in counts.items() if number <= day])
                shares.append(counts[day] / max(float(usual), 1.0))
    return bool(shares) and float(np.median(shares)) < 0.8


def _stretches(unit: UnitObserved, tank_id: str, flags: dict[int, tuple[str, float]], days: list[int]) -> list[Finding]:
    found: list[Finding] = []
    run: list[int] = []
    for day in [*days, None]:
        if day is not None and day in flags:
            run.append(day)
            continue
        if day is not None and run and day - run[-1] < 2:
            continue
        if run:
            name, value = flags[run[0]]
            lost = "lost" in name
            if not lost and len(run) < FEWEST_DAYS:
                run = []
                continue
            found.append(
                Finding(
                    cause="probe_fault",
                    site_id=unit.unit.site_id,
                    unit_id=unit.unit.unit_id,
                    tank_id=tank_id,
                    day=run[0] if lost else run[FEWEST_DAYS - 1],
                    start_s=run[0] * DAY_S,
                    end_s=(run[-1] + 1) * DAY_S if day is not None else None,
                    log_odds=LOG_PRIOR["probe_fault"] + _trouble_log_bayes(name, value),
                    log_prior=LOG_PRIOR["probe_fault"],
                    evidence=(Evidence("statistic", name, value, None, run[0] * DAY_S, (run[-1] + 1) * DAY_S),),
                )
            )
            run = []
    return found


def _merged(findings: list[Finding]) -> list[Finding]:
    """One finding where several of one tank overlap or follow within two days: the first to be seen stands."""
    kept: list[Finding] = []
    for finding in sorted(findings, key=lambda one: (one.day, one.start_s)):
        same = [
            one
            for one in kept
            if one.unit_id == finding.unit_id and (one.end_s is None or finding.start_s - one.end_s < 2 * DAY_S)
        ]
        if not same:
            kept.append(finding)
    return kept
