"""What the other tanks of a blending hose say of its meter.

A meter that gives more than it records takes it from all tanks of the blend. The blend's own ratio wanders by a per
cent or two, and what one tank then gives beyond its share the other keeps: alone, each looks like a meter that is off.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import norm

from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView, Named


def others_log_bayes(one: UnitWalk, named: Named, walks: Sequence[UnitWalk]) -> float:
    """Log Bayes factor of a meter's drift, named on one unit, by the site's other units that it draws on; at most 0.

    Each other unit's view of the day that named it tells the meter's mean error so far, N(h, v). With a drift d of SD s
    since a share f of the sales so far, that is N(f d, v + u² + f² s²), without one N(0, v + u²), u the usual error.
    """
    meter = str(named.hypothesis.meter_id)
    view = _view(one, named.day)
    if view is None:
        return 0.0
    place = named.pieces[0][0]
    drift, doubt = float(view.belief.mean[place]), float(np.sqrt(view.belief.cov[place, place]))
    since_h = float(one.walk.balance.hours[named.onset])
    told = 0.0
    for other in walks:
        seen = None if other is one else _mean_error(other, meter, named, since_h)
        if seen is not None:
            error, sd, share = seen
            with_drift = norm.logpdf(error, share * drift, np.hypot(sd, share * doubt))
            told += min(float(with_drift - norm.logpdf(error, 0.0, sd)), 0.0)
    return told


def blended_with(one: UnitWalk, named: Named, walks: Sequence[UnitWalk]) -> str | None:
    """The first of the other units that a named meter draws on with this one; None where it draws on this one alone."""
    meter = str(named.hypothesis.meter_id)
    others = (other.seen for other in walks if other is not one)
    return next((seen.unit.unit_id for seen in others if meter in seen.blended), None)


def _mean_error(other: UnitWalk, meter: str, named: Named, since_h: float) -> tuple[float, float, float] | None:
    """A meter's mean error by another unit's dips alone, its SD, and the share of its sales since an hour.

    None where the meter does not draw on the unit, where that has told nothing by the day, or has named the drift, too.
    """
    balance = other.walk.balance
    view = _view(other, named.day)
    agrees = any(one.hypothesis.key == named.hypothesis.key and one.day <= named.day for one in other.walk.named)
    if view is None or agrees or meter not in balance.meters:
        return None
    place = balance.names.index(f"meter:{meter}")
    usual = float(balance.prior.sd[place])
    variance = view.stretch**2 * float(view.belief.cov[place, place])
    known = int(np.searchsorted(balance.known_day, view.day, "right"))
    sold = balance.sold_15_l[:known, balance.meters.index(meter)]
    if not 0.0 < variance < usual**2 or sold[-1] <= sold[0]:
        return None
    precision = 1.0 / variance - 1.0 / usual**2
    error = (float(view.belief.mean[place]) / variance - float(balance.prior.mean[place]) / usual**2) / precision
    since = float(sold[-1] - np.interp(since_h, balance.hours[:known], sold)) / float(sold[-1] - sold[0])
    return error, float(np.hypot(1.0 / np.sqrt(precision), usual)), since


def _view(one: UnitWalk, day: int) -> DayView | None:
    """What a unit's last run up to a day believed."""
    return next((view for view in reversed(one.walk.views) if view.day <= day), None)
