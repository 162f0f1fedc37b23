"""Findings about a gauge's offset where its probe was exchanged: the level stepped and nothing moved.

The new offset is set by a dip with a stick, which is read to some millimetres; of a larger step one of the two probes
reads off. Of joined tanks nothing is said: the others level out what one of them seems to gain.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.bayes import normal_p, p_value_log_bayes
from pipeline.estimate.known import seen_day
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.estimate.unit_walk import exchanges_s

Floats = NDArray[np.float64]

STICK_MM = 2.5
"""How nearly a stick tells a level, SD. Common practice, no source."""
AROUND_S, NEAR_S = 3600.0, 6 * 3600.0
"""The work lies within so long of its event; levels from so long before and after it are compared. No source."""
SOLD_SHARE = 0.01
"""What the sales between may be off by: chart and meters. Common practice, no source."""
FEWEST_STEPS = 3
"""So many steps of some minutes on either side tell the stock. No source."""


def exchange_findings(site: SiteObserved, jumps: list[Finding]) -> list[Finding]:
    """Probes after whose exchange the tank seems to hold another stock, but for those that put one of `jumps` right."""
    found = []
    for unit in site.units:
        ended = [one.end_s for one in jumps if one.unit_id == unit.unit.unit_id and one.end_s is not None]
        for at_s in exchanges_s(unit.unit):
            is_mended = any(abs(end_s - at_s) <= NEAR_S for end_s in (*ended, *(span.end_s for span in unit.stuck)))
            one = None if is_mended or len(unit.unit.members) > 1 else _exchange(unit, at_s)
            found += [one] if one is not None and one.log_odds > RAISE_AT else []
    return found


def without_twins(sudden: list[Finding], exchanged: list[Finding]) -> list[Finding]:
    """What moved suddenly less the jumps of a gauge that are the step of an exchange that is told of already."""
    at_s = [(one.unit_id, one.start_s) for one in exchanged]
    return [
        one
        for one in sudden
        if one.cause != "probe_fault"
        or not any(unit_id == one.unit_id and abs(start_s - one.start_s) <= AROUND_S for unit_id, start_s in at_s)
    ]


def _exchange(unit: UnitObserved, at_s: float) -> Finding | None:
    """What one exchange did to the stock, sales added back; None where too little was read near it, or a drop came."""
    moves, series = unit.moves, unit.unit.series
    first, before, after, last = np.searchsorted(
        moves.ts_s, [at_s - NEAR_S, at_s - AROUND_S, at_s + AROUND_S, at_s + NEAR_S]
    )
    before, after = slice(max(first, before - FEWEST_STEPS), before), slice(after, min(last, after + FEWEST_STEPS))
    is_read = min(before.stop - before.start, after.stop - after.start) == FEWEST_STEPS
    if not is_read or moves.in_drop[before.start : after.stop].any():
        return None
    moved_l = moves.moved_l()
    step_l = float(np.median(moved_l[after]) - np.median(moved_l[before]))
    sold_l = float(step_l - (np.median(moves.stock_l[after]) - np.median(moves.stock_l[before])))
    surface = float(series.surface_l_per_mm[np.searchsorted(series.ts_s, at_s) - 1])
    sd_l = float(np.hypot(STICK_MM * surface, SOLD_SHARE * sold_l))
    log_bayes = p_value_log_bayes(normal_p(step_l / sd_l))
    return Finding(
        cause="chart_error",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=unit.unit.members[0],
        day=seen_day(float(moves.known_s[after.stop - 1]), unit.lags),
        start_s=at_s,
        end_s=None,
        log_odds=LOG_PRIOR["chart_error"] + log_bayes,
        log_prior=LOG_PRIOR["chart_error"],
        rival=("probe_fault", LOG_PRIOR["probe_fault"]),
        course=Course(np.array([at_s, at_s + 1.0]), np.array([0.0, step_l])),
        evidence=(
            Evidence("instant", "the level stepped as the probe was exchanged", step_l / surface, "mm", at_s),
            Evidence("statistic", "in litres", step_l, "l", note=f"± {2.0 * sd_l:.0f} l by a stick"),
        ),
    )
