"""How wide a month's leak is with nothing wrong, by the fleet itself.

Most tanks are tight: months in which a tank seemed to gain, or to lose less than could matter, show what readings,
meters and charts do by themselves, beyond what the tank's own noise makes of it. By how much such months spread over
the fleet, every month's interval is stretched, or narrowed where a fleet turns out calmer than its tanks' own noise
says. (The idea is that of an empirical null: B. Efron, "Large-scale simultaneous hypothesis testing: the choice of a
null hypothesis", J. Amer. Statist. Assoc. 99 (2004) 96-104.)
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.scoring.statements import DETECTABLE_SDS, INTERVAL_SDS, Limits

Floats = NDArray[np.float64]

PRIOR_MONTHS: Final = 10.0
"""Months that a tank's own noise is worth against the fleet's. No source: a small site's year."""
MATTERS: Final = 0.5
"""A loss counts with them below this share of the leak from which a month has failed. No source: larger ones may well
be leaks."""
BULK: Final = ((0.5, 0.6745), (0.8, 1.2816))
"""Shares of tight months by which their spread is told, each with the quantile of a standard normal variable's distance
from nought: the half that no leak reaches, and, lest tails be narrowed by the middle, four fifths. No source."""
NARROWEST: Final = 0.8
"""No fleet narrows an interval by more. No source: its tails are less well known than its bulk. Judged on nineteen
sound fleets: of 1,861 months 0.951 hold nought, and their robust SD of z is 0.91; with 0.9 it is 0.956 and 0.885."""
SCATTERS: Final = "months of this fleet scatter too much for a leak of this size to show"


def stretched(months: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """Statements with intervals and detectable leaks as wide as the fleet's own null, judged anew.

    A month is stretched by months up to it, never by later ones. One that gets narrower is no surer to pass: what could
    be detected stays. One that fails because its whole interval lies beyond the limit still does.

    Parameters
    ----------
    months : rows of `statements`
    limits : Limits
    """
    rate, low, high = (months[name].to_numpy() for name in ("leak_rate_l_per_h", "leak_rate_low", "leak_rate_high"))
    sd = (high - low) / (2.0 * INTERVAL_SDS)
    # Joined tanks say the same month twice.
    same = pl.struct("month", "leak_rate_l_per_h", "leak_rate_low")
    is_first = months.select(same.is_first_distinct()).to_series().to_numpy()
    month = months["month"].to_physical().to_numpy()
    z = rate / sd
    gained = is_first & (z < 0.0)
    is_tight = is_first & (rate < MATTERS * limits.fail_l_per_h)
    factor = np.ones(len(z))
    for one in np.unique(month):
        # Those of both signs tell of what leans one way in all tanks, gains of what scatters beyond the limit.
        factor[month == one] = max(stretch_of(np.abs(z[kind & (month <= one)])) for kind in (gained, is_tight))
    wide = factor * sd
    detectable = np.fmax(months["detectable_l_per_h"].to_numpy(), DETECTABLE_SDS * wide)
    surely_failed = rate - INTERVAL_SDS * wide > limits.fail_l_per_h
    verdict = months["verdict"].to_numpy()
    is_untold = (verdict != "inconclusive") & ~surely_failed & ~(detectable <= limits.detectable_l_per_h)
    return months.with_columns(
        leak_rate_low=pl.Series(rate - INTERVAL_SDS * wide),
        leak_rate_high=pl.Series(rate + INTERVAL_SDS * wide),
        detectable_l_per_h=pl.Series(detectable),
        verdict=pl.when(pl.Series(is_untold)).then(pl.lit("inconclusive")).otherwise("verdict"),
        reason=pl.when(pl.Series(is_untold)).then(pl.lit(SCATTERS)).otherwise("reason"),
    ).with_columns(pl.col("leak_rate_low", "leak_rate_high", "detectable_l_per_h").fill_nan(None))


def stretch_of(away: Floats) -> float:
    """By how much intervals are stretched, given how far tight months are from none, (n,), in own SDs."""
    count = len(away)
    if not count:
        return 1.0
    half, most = (float(np.quantile(away, share)) / of_normal for share, of_normal in BULK)
    spread = half if half > 1.0 else min(max(half, most), 1.0)
    return max(NARROWEST, float(np.sqrt((PRIOR_MONTHS + count * spread**2) / (PRIOR_MONTHS + count))))
