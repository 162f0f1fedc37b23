"""Figures of merit of a rule on a history, each with its interval, and the paired difference of two rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.backtest.intervals import (
    Interval,
    cluster_weights,
    median_wait,
    percentiles,
    poisson_interval,
    ratio_draws,
    share_interval,
    waiting_curve,
)

Floats = NDArray[np.float64]

MONTH_DAYS: Final = 30.4375
"""A tank-month. [d]"""
OUTSIDE: Final = ("false", "unlabelled")
"""Verdicts of alarms outside of every known fault."""
COMPARED: Final = ("share_found", "right_share", "false_per_100", "outside_per_100", "saved_share", "cost_per_100")
"""Figures that are ratios of sums over clusters, so that two rules can be paired."""


NAMED: Final = ["world", "label_id"]
"""What names a fault."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What a visit and a litre cost the user, in one currency; None where the user has not said."""

    visit: float | None = None
    litre: float | None = None

    @property
    def are_known(self) -> bool:
        """Whether a cost can be given."""
        return self.visit is not None and self.litre is not None


@dataclass(frozen=True, slots=True)
class Judged:
    """A rule on a history: its episodes judged, what there was to find, and every watched tank-day's standing.

    What there was to find may stand in copies of the history with faults put in (`is_put_in`); alarms and tank-days are
    those of the history itself, and so are the costs.
    """

    alarms: pl.DataFrame
    found: pl.DataFrame
    days: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Measure:
    """How to measure: prices, clusters that are drawn again (`tank_id` or `site_id`), how often, and the seed."""

    prices: Prices
    cluster: str = "tank_id"
    draws: int = 1000
    seed: int = 1

    def weights(self, clusters: int) -> Floats:
        """Bootstrap weights, the same for every rule on a history. Shape (draws, clusters)."""
        return cluster_weights(max(clusters, 1), draws=self.draws, rng=np.random.default_rng(self.seed))


def cluster_sums(judged: Judged, measure: Measure) -> pl.DataFrame:
    """One row a cluster of the watched tanks, sorted, with the sums that all figures are ratios of."""
    key = measure.cluster
    homes = judged.days.select("tank_id", "site_id").unique()
    clusters = homes.select(key).unique().sort(key)
    is_open = ~pl.col("is_faulty") & ~pl.col("is_sound")
    ground = judged.days.group_by(key).agg(
        pl.len().alias("watched_days"),
        pl.col("is_sound").sum().alias("sound_days"),
        is_open.sum().alias("open_days"),
    )
    owners = judged.found.drop("tank_id", "site_id").join(homes, left_on="owner", right_on="tank_id")
    owners = owners.rename({"owner": "tank_id"})
    truth = owners.group_by(key).agg(
        pl.len().alias("truths"),
        pl.col("is_found").sum().alias("found"),
        pl.col("is_right").sum().alias("right"),
        pl.col("lost_l").sum(),
        pl.col("before_l").sum(),
        pl.col("saved_l").sum(),
        pl.col("before_l").filter(~pl.col("is_put_in")).sum().alias("paid_l"),
    )
    places = judged.alarms
    if key == "tank_id":
        first = homes.group_by("site_id").agg(pl.col("tank_id").min().alias("_first"))
        places = places.join(first, on="site_id", how="left").with_columns(tank_id=pl.coalesce("tank_id", "_first"))
    visits = pl.col("verdict").is_in(["found", "other"])
    raised = places.group_by(key).agg(
        pl.len().alias("alarms"),
        (pl.col("verdict") == "false").sum().alias("false"),
        (pl.col("verdict") == "unlabelled").sum().alias("unlabelled"),
        ((~visits).sum() + pl.col("label_id").filter(visits).n_unique()).alias("visits"),
    )
    sums = clusters
    for part in (ground, truth, raised):
        sums = sums.join(part, on=key, how="left")
    numbers = [name for name in sums.columns if name != key]
    return sums.with_columns(pl.col(numbers).cast(pl.Float64).fill_null(0.0)).sort(key)


def _parts(sums: Mapping[str, Floats], prices: Prices) -> dict[str, tuple[Floats, Floats]]:
    """What stands above and below the line of each figure of `COMPARED`, by cluster."""
    months = {name: sums[f"{name}_days"] / MONTH_DAYS / 100.0 for name in ("sound", "open", "watched")}
    cost = (prices.visit or 0.0) * sums["visits"] + (prices.litre or 0.0) * sums["paid_l"]
    unknown = np.full_like(cost, np.nan)
    return {
        "share_found": (sums["found"], sums["truths"]),
        "right_share": (sums["right"], sums["found"]),
        "false_per_100": (sums["false"], months["sound"]),
        "outside_per_100": (sums["false"] + sums["unlabelled"], months["sound"] + months["open"]),
        "saved_share": (sums["saved_l"], sums["lost_l"]),
        "cost_per_100": (cost if prices.are_known else unknown, months["watched"]),
    }


def _columns(sums: pl.DataFrame) -> dict[str, Floats]:
    return {name: sums[name].to_numpy() for name, dtype in sums.schema.items() if dtype == pl.Float64}


def figures(judged: Judged, measure: Measure) -> dict[str, float | int | None]:
    """The figures of merit by name, with `_low` and `_high` of each 95 % interval; None where there is none.

    Shares have the wider of the exact interval and the bootstrap's, which says nothing where all or none is found.
    Rates of alarms have Poisson's. Rates are per 100 tank-months, delays in days.
    """
    frame = cluster_sums(judged, measure)
    sums = _columns(frame)
    weights = measure.weights(frame.height)
    counts = {name: int(values.sum()) for name, values in sums.items() if not name.endswith("_l")}
    out: dict[str, float | int | None] = dict(counts)
    out |= {name: float(sums[name].sum()) for name in ("lost_l", "before_l", "saved_l")}
    for name, (above, below) in _parts(sums, measure.prices).items():
        drawn = percentiles(ratio_draws(weights, above, below))
        low, high = _interval(name, counts, drawn, (float(above.sum()), float(below.sum())))
        value = float(above.sum() / below.sum()) if below.sum() > 0.0 else float("nan")
        out |= {name: value, f"{name}_low": low, f"{name}_high": high}
    out |= _delays(judged, frame, weights, measure)
    return {name: None if isinstance(value, float) and not np.isfinite(value) else value for name, value in out.items()}


def _interval(name: str, counts: Mapping[str, int], drawn: Interval, sums: tuple[float, float]) -> Interval:
    above, below = sums
    if name.endswith("_per_100") and name != "cost_per_100":
        return poisson_interval(round(above), below)
    if name in ("share_found", "right_share"):
        exact = share_interval(round(above), round(below))
        return float(np.fmin(exact[0], drawn[0])), float(np.fmax(exact[1], drawn[1]))
    return drawn


def _delays(judged: Judged, sums: pl.DataFrame, weights: Floats, measure: Measure) -> dict[str, float]:
    """Median delay with its interval, what was not found counted as waiting on, and the share found within a week."""
    wait, over, _ = waits(judged.found)
    if not len(wait):
        return {name: float("nan") for name in ("delay_days", "delay_days_low", "delay_days_high")}
    homes = judged.days.select("tank_id", "site_id").unique()
    home = judged.found.select("owner").join(homes, left_on="owner", right_on="tank_id", how="left")
    key = home["owner"] if measure.cluster == "tank_id" else home["site_id"]
    order = {name: number for number, name in enumerate(sums[measure.cluster].to_list())}
    column = np.array([order.get(name, 0) for name in key.to_list()])
    drawn = np.array([median_wait(*waiting_curve(wait, over, weight[column])) for weight in weights[:400]])
    low, high = np.quantile(drawn, [0.025, 0.975], method="nearest")
    return {
        "delay_days": median_wait(*waiting_curve(wait, over)),
        "delay_days_low": float(low),
        "delay_days_high": float(high),
    }


def waits(found: pl.DataFrame) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """How long each fault waited [d], whether it was found, and its size; shapes (n,)."""
    wait = found.select(pl.coalesce("delay_days", "watched_days").clip(lower_bound=0.0)).to_series()
    size = found["size"].cast(pl.Float64).fill_null(float("nan"))
    return wait.to_numpy().astype(np.float64), found["is_found"].to_numpy().astype(bool), size.to_numpy()


def compared(first: Judged, second: Judged, measure: Measure) -> list[dict[str, float | str | None]]:
    """The second rule's figures less the first's, on the same history.

    `figure`, `first`, `second`, `difference` with `low` and `high` of its paired 95 % interval; None where it cannot be
    given. Both rules are drawn on the same clusters, so what the clusters have in common falls out; of faults only
    those count that both look for.
    """
    both = first.found.select(NAMED).join(second.found.select(NAMED), on=NAMED)
    sums = [
        cluster_sums(replace(one, found=one.found.join(both, on=NAMED, how="semi")), measure) for one in (first, second)
    ]
    weights = measure.weights(sums[0].height)
    parts = [_parts(_columns(frame), measure.prices) for frame in sums]
    rows: list[dict[str, float | str | None]] = []
    for name in COMPARED:
        whole = [float(a.sum() / b.sum()) if b.sum() > 0.0 else float("nan") for a, b in (part[name] for part in parts)]
        draws = [ratio_draws(weights, *part[name]) for part in parts]
        low, high = percentiles(draws[1] - draws[0])
        row = {"first": whole[0], "second": whole[1], "difference": whole[1] - whole[0], "low": low, "high": high}
        rows.append({"figure": name} | {key: value if np.isfinite(value) else None for key, value in row.items()})
    return rows


def chance_share(judged: Judged, *, grace_days: int) -> float:
    """Share that alarms strewn at random over the same tank-days, as many as the rule raises, would find.

    Each fault's chance is 1 − exp(−rate × days in which an alarm counts as finding it).
    """
    watched = judged.days.height
    if not watched or not judged.found.height:
        return float("nan")
    rate = judged.alarms.height / watched
    tanks = judged.found.select(days=(pl.col("last_day") - pl.col("first_day")).dt.total_days() + 1 + grace_days)
    missed: NDArray[np.float64] = np.exp(-rate * tanks["days"].cast(pl.Float64).to_numpy())
    return float(np.mean(1.0 - missed))
