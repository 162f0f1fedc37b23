"""Chooses where, when and how large: faults spread over the tanks of a lake by a seed."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeVar

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import DAY_S, HOUR_S, Injection
from pipeline.ledger.fleet import unit_members

T = TypeVar("T")

AT_NIGHT: Final = ("bulk_theft", "slow_theft")
ONE_A_SITE: Final = ("clock_skew", "wrong_feed")
EARLIEST: Final = 0.4
"""Faults begin after this share of a tank's data, so that there is a past to know the tank by."""
LATEST: Final = 0.7
"""Share of the history after which no fault is put in: it needs time to be found. No source."""
LASTS_DAYS: Final = {"unexplained": 12.0, "water_ingress": 25.0}
"""Faults of these causes end by themselves."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to put in: causes in turn, sizes in turn.

    At some tanks (all that can hold it, where None), from a start on (drawn for each tank, where None) until an end
    (while it lasts, where None).
    """

    causes: tuple[str, ...]
    sizes: tuple[float, ...]
    tanks: tuple[str, ...] | None = None
    start: datetime | None = None
    end: datetime | None = None
    meter_id: str | None = None


def planned(
    frames: Mapping[str, pl.DataFrame], wanted: Wanted, *, avoid: Collection[str] = (), seed: int
) -> list[Injection]:
    """One injection a pool of tanks (one a site, for causes of a site), causes and sizes dealt out evenly by chance.

    Parameters
    ----------
    frames : the lake's tables, with sites, tanks and readings
    wanted : Wanted
    avoid : tanks that are left alone
    seed : int
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1_000_003,)))
    pools = [group for group in unit_members(frames["tanks"]) if not set(group) & set(avoid)]
    if wanted.tanks is not None:
        pools = [(tank,) for tank in wanted.tanks]
    if set(wanted.causes) <= set(ONE_A_SITE):
        pools = _one_a_site(frames, pools)
    spans = (
        frames["readings"].group_by("tank_id").agg(pl.col("ts").min().alias("first"), pl.col("ts").max().alias("last"))
    )
    known = {tank: (first, last) for tank, first, last in spans.iter_rows()}
    longitude = _longitudes(frames)
    pools = [group for group in pools if group[0] in known or wanted.tanks is not None]
    sizes = _dealt(wanted.sizes, len(pools), rng)
    causes = _dealt(wanted.causes, len(pools), rng)
    made = []
    for group, size, cause in zip(pools, sizes, causes, strict=True):
        luck = rng.uniform(EARLIEST, LATEST), rng.uniform(-2.0, 4.0)
        start_s = wanted.start.timestamp() if wanted.start else 0.0
        if wanted.start is None and group[0] in known:
            start_s = _drawn_start_s(cause, known[group[0]], longitude.get(group[0], 0.0), luck)
        start_s = float(np.round(start_s))
        end_s = wanted.end.timestamp() if wanted.end else None
        if end_s is None and cause in LASTS_DAYS:
            end_s = start_s + LASTS_DAYS[cause] * DAY_S
        made.append(Injection(str(cause), group[0], start_s, float(size), end_s, wanted.meter_id))
    return made


def _drawn_start_s(cause: str, span: tuple[datetime, datetime], longitude: float, luck: tuple[float, float]) -> float:
    """When a fault begins in a tank's data: at a share of it, or so many hours from the midnight before. [s]"""
    first, last = span
    start_s = first.timestamp() + luck[0] * (last - first).total_seconds()
    if cause not in AT_NIGHT:
        return float(start_s)
    midnight = np.floor(start_s / DAY_S) * DAY_S - longitude / 15.0 * HOUR_S
    return float(midnight + luck[1] * HOUR_S)


def _one_a_site(frames: Mapping[str, pl.DataFrame], pools: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    homes = dict(frames["tanks"].select("tank_id", "site_id").iter_rows())
    first: dict[str, tuple[str, ...]] = {}
    for group in pools:
        first.setdefault(homes.get(group[0], ""), group)
    return list(first.values())


def _longitudes(frames: Mapping[str, pl.DataFrame]) -> dict[str, float]:
    homes = frames["tanks"].join(frames["sites"].select("site_id", "longitude"), on="site_id")
    return dict(homes.select("tank_id", pl.col("longitude").fill_null(0.0)).iter_rows())


def _dealt(values: Sequence[T], count: int, rng: np.random.Generator) -> list[T]:
    """`count` values, each as often as any other to within one, in random order."""
    turns = [values[number] for _ in range(-(-count // len(values))) for number in rng.permutation(len(values))]
    return turns[:count]
