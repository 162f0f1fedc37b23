"""Sales that nobody booked: litres that a totaliser counted and the books do not hold."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.bayes import log_uniform_log_density
from pipeline.estimate.known import DAY_S, clock_moved, known_day
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.totals import SMALLEST_L, Unbooked
from pipeline.ledger.gauge import seconds

Floats = NDArray[np.float64]

UNBOOKED_L = 15.0
"""Unbooked litres of one meter from which a case is made: the smallest everyday sale. No source."""
LATE_SHARE, SALE_L = 0.05, 30.0
"""How often a sale stands at another time than it was drawn, by chance between two readings of the totaliser, beside
spans that show litres at all; and a usual sale. Common practice, no source."""
LARGEST_UNBOOKED_L = 3000.0
"""What one span of the totaliser may hide at most, as an order of magnitude. No source."""
UNTOLD_SD_L, UNTOLD_SHARE_SD = 15.0, 0.03
"""What a tank lost on each day that a meter was silent is off by, and all of it together: the gauge, the chart and what
else was at work. No source."""
GENERAL_METERS = 4
"""What so many meters lose between the same two readings is the till's doing. No source."""
JOINED_DAYS = 21
"""Unbooked litres of one meter that follow within this many days are one matter. No source."""


@dataclass(frozen=True)
class Episode:
    """Litres of one meter that nobody booked and that are one matter: its spans in order.

    `raised` is the place of the span with which they are a case, and `log_odds` what they come to there.
    """

    spans: list[Unbooked]
    raised: int
    log_odds: float

    @property
    def meter_id(self) -> str:
        """The meter whose litres they are."""
        return self.spans[0].meter_id

    @property
    def day(self) -> int:
        """UTC day number whose run first sees the case."""
        return known_day(self.spans[self.raised].known_s)


def unbooked_findings(site: SiteObserved, tables: dict[str, pl.DataFrame]) -> list[Finding]:
    """Meters whose totaliser outran their sales, one finding for each episode."""
    data_end_s = float(site.days[-1] + 1) * DAY_S
    return [
        _missing(unit, tables, episode, data_end_s)
        for unit in site.units
        for episode in episodes_of(unit.unbooked, site)
    ]


def unbooked_decoys(site: SiteObserved) -> list[Episode]:
    """What would be found where the books outran a totaliser, as if it were the other way round.

    A sale is booked to another meter, or at another hour, as easily there as here.
    """
    return episodes_of(site.overbooked, replace(site, unbooked=site.overbooked))


def episodes_of(spans: list[Unbooked], site: SiteObserved) -> list[Episode]:
    """The episodes among some of a site's spans that are a case, meter by meter."""
    found = []
    for meter in sorted({one.meter_id for one in spans}):
        for episode in _close_ones(_of_the_meter(site, [one for one in spans if one.meter_id == meter])):
            litres = np.cumsum([one.litres for one in episode])
            odds = LOG_PRIOR["missing_sales"] + _so_far_log_bayes(episode)
            enough = np.flatnonzero((litres >= UNBOOKED_L) & (odds > RAISE_AT))
            if len(enough):
                found.append(Episode(episode, int(enough[0]), float(odds[enough[0]])))
    return found


def _of_the_meter(site: SiteObserved, spans: list[Unbooked]) -> list[Unbooked]:
    """A meter's spans less what is the till's doing, and less what is given back of that."""
    kept: list[Unbooked] = []
    of_till_l = 0.0
    for one in spans:
        if one.litres > 0.0:
            is_of_till = _is_general(site, one)
            of_till_l += one.litres if is_of_till else 0.0
            kept += [] if is_of_till else [one]
        else:
            left_l = min(one.litres + of_till_l, 0.0)
            of_till_l = max(of_till_l + one.litres, 0.0)
            kept += [replace(one, litres=left_l)] if left_l < 0.0 else []
    return kept


def _is_general(site: SiteObserved, span: Unbooked) -> bool:
    """Whether it is the till's doing and not a meter's.

    The clocks moved on that day, no sale of it is there, or as many as four meters lost litres between the same two
    readings.
    """
    at_once = {
        one.meter_id
        for one in site.unbooked
        if one.litres > 0.0
        and abs(one.start_s - span.start_s) < 1800
        and abs(one.end_s - span.end_s) < 1800
        and known_day(one.known_s) <= known_day(span.known_s)
    }
    # The day after a till was silent too: the totaliser was read before.
    days = range(known_day(span.start_s) - 1, known_day(span.end_s) + 1)
    is_silent = any(day in site.lags and site.lags[day].is_silent for day in days)
    return len(at_once) >= GENERAL_METERS or is_silent or clock_moved(site.lags, days[-1])


def _close_ones(spans: list[Unbooked]) -> list[list[Unbooked]]:
    """Spans that follow each other closely; what is given back belongs to the one before."""
    groups: list[list[Unbooked]] = []
    for span in spans:
        if groups and (span.litres < 0.0 or span.start_s - groups[-1][-1].end_s <= JOINED_DAYS * DAY_S):
            groups[-1].append(span)
        elif span.litres > 0.0:
            groups.append([span])
    return groups


def _missing(unit: UnitObserved, tables: dict[str, pl.DataFrame], said: Episode, data_end_s: float) -> Finding:
    episode, first = said.spans, said.spans[said.raised]
    litres = np.cumsum([one.litres for one in episode])
    at = np.concatenate([[episode[0].start_s], [one.end_s for one in episode]])
    lasts = data_end_s - episode[-1].end_s < JOINED_DAYS * DAY_S
    # Nobody has counted yet what went since the totaliser was last read: as much as before, in as uneven lots.
    read_s = seconds(tables["meter_totals"].filter(pl.col("meter_id") == first.meter_id)["ts"]).max(initial=at[-1])
    share = max(data_end_s - read_s, 0.0) / (at[-1] - at[0])
    untold = np.array([one.litres for one in episode if not one.is_counted])
    uncounted = float(np.hypot(share * litres[-1], np.sqrt(share * sum(one.litres**2 for one in episode))))
    rows = tables["meter_feeds"].filter(
        (pl.col("meter_id") == first.meter_id) & pl.col("tank_id").is_in(unit.unit.members)
    )
    return Finding(
        cause="missing_sales",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=str(rows.sort("valid_from")["tank_id"][-1]) if rows.height else unit.unit.members[0],
        meter_id=first.meter_id,
        day=said.day,
        start_s=episode[0].start_s,
        end_s=None if lasts else episode[-1].end_s,
        litres=-float(litres[-1]),
        sd_l=float(
            np.sqrt(
                (1.0 + 0.005 * float(litres[-1])) ** 2
                + (uncounted if lasts else 0.0) ** 2
                + len(untold) * UNTOLD_SD_L**2
                + (UNTOLD_SHARE_SD * untold.sum()) ** 2
            )
        ),
        log_odds=said.log_odds,
        log_prior=LOG_PRIOR["missing_sales"],
        course=Course(at, -np.concatenate([[0.0], litres])),
        evidence=_evidence(episode),
    )


def _evidence(episode: list[Unbooked]) -> tuple[Evidence, ...]:
    """What speaks for an episode: what totalisers counted, and what tanks lost while one was silent."""
    counted = [one for one in episode if one.is_counted]
    untold = [one for one in episode if not one.is_counted]
    found = []
    if counted:
        litres = sum(one.litres for one in counted)
        found += [
            Evidence("statistic", "litres that the totaliser counted and no sale shows", litres, "l"),
            Evidence("statistic", "spans between totaliser readings in which that happened", float(len(counted))),
        ]
    if untold:
        litres = sum(one.litres for one in untold)
        found += [
            Evidence(
                "statistic",
                "litres that left the tank while meter and totaliser were silent",
                litres,
                "l",
                note="where the hose was shut meanwhile, treat them as a leak",
            ),
            Evidence("statistic", "days on which a meter that sells daily sold nothing", float(len(untold))),
        ]
    return tuple(found)


def _so_far_log_bayes(episode: list[Unbooked]) -> Floats:
    """Log Bayes factor of all that is not given back with each of an episode's spans. Shape (len(episode),)."""
    open_l: list[float] = []
    found = []
    for one in episode:
        if one.litres > 0.0:
            open_l.append(one.litres)
        back_l = max(-one.litres, 0.0)
        while back_l > 0.0 and open_l:
            last_l = open_l.pop()
            if last_l > back_l + SMALLEST_L:
                open_l.append(last_l - back_l)
            back_l -= last_l
        found.append(sum(_unbooked_log_bayes(litres) for litres in open_l))
    return np.array(found)


def _unbooked_log_bayes(litres: float) -> float:
    """Log Bayes factor of litres that one span of the totaliser shows and no sale.

    Null: now and then a sale is booked at another time than it was drawn, so that the totaliser between shows it:
    litres of one sale. Alternative: sales that are not booked, few or many.
    """
    late = np.log(LATE_SHARE) - np.log(SALE_L) - litres / SALE_L
    return float(log_uniform_log_density(litres, SMALLEST_L, LARGEST_UNBOOKED_L) - late)
