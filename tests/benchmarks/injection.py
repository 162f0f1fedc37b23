"""How true injection is. Prints; asserts nothing. Run: python -m tests.benchmarks.injection [truth|likeness].

`truth`: over 500 faults, what was put in against what the ledger shows gone, in the tank's own noise.
`likeness`: whether a forest tells fleets with injected faults from fleets simulated with the same causes (AUC).
"""

import sys
from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy import stats
from sklearn.ensemble import RandomForestClassifier
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import StratifiedGroupKFold, cross_val_predict

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.simulate.run import simulate_fleet
from pipeline.simulate.settings import FleetSettings
from tests.support.injected import DAY_S, SIZES, Judged, both_z, faults, sound_courses, sound_fleet


def truth(fleets: int = 2) -> None:
    """Z-scores by cause: what is missing beyond what was put in, in the noise that the tank has without it."""
    by_cause: dict[str, list[Judged]] = {cause: [] for cause in SIZES}
    for number in range(fleets):
        frames = sound_fleet(8, 45, seed=500 + number)
        sound = sound_courses(frames)
        for place, cause in enumerate(SIZES):
            by_cause[cause] += faults(frames, sound, cause, every_s=3.0 * DAY_S, seed=100 * number + place)
    every = [one for found in by_cause.values() for one in found]
    z, without = (np.array(values) for values in zip(*map(both_z, every), strict=True))
    print(f"faults: {len(z)}")
    print(f"z: mean {z.mean():+.3f} (± {1.96 * z.std() / np.sqrt(len(z)):.3f}), SD {z.std():.3f}")
    print(f"the same stretches without the fault: mean {without.mean():+.3f}, SD {without.std():.3f}, "
          f"two-sample Kolmogorov-Smirnov p {stats.ks_2samp(z, without).pvalue:.3f}")  # fmt: skip
    shares = [f"|z| < {n}: {np.mean(np.abs(z) < n):.3f} (normal {1 - 2 * stats.norm.sf(n):.3f})" for n in (1, 2, 3)]
    print("   " + ", ".join(shares))
    off = np.array([(one.shown - one.without - one.put_in) / one.surface for one in every])
    print(f"against the same tank without the fault: median |off| {np.median(np.abs(off)):.4f} mm of level,"
          f" 95 % below {np.quantile(np.abs(off), 0.95):.3f} mm, largest {np.abs(off).max():.3f} mm")  # fmt: skip
    for cause, found in by_cause.items():
        z, without = (np.array(values) for values in zip(*map(both_z, found), strict=True))
        noise = np.median([one.placebo.std() for one in found])
        print(f"   {cause:16} n {len(found):3}  z {z.mean():+.2f} ± {z.std():.2f}"
              f"  without it {without.mean():+.2f} ± {without.std():.2f}  usual noise {noise:.1f} l")  # fmt: skip


def _features(frames: dict[str, pl.DataFrame], window: tuple[float, float], tank: str) -> list[float]:
    """What raw rows tell of a tank after a fault's start: how levels are told, step and scatter, rows and tickets."""
    first = frames["readings"]["ts"].min().timestamp()
    low, high = (pl.lit(round((first + edge) * 1e6)).cast(pl.Datetime("us", "UTC")) for edge in window)
    rows = frames["readings"].filter((pl.col("tank_id") == tank) & (pl.col("ts") >= low) & (pl.col("ts") < high))
    good = rows.filter(pl.col("quality") == "good").unique("ts").sort("ts")
    level = good["level_mm"].to_numpy()
    step, gap = np.diff(level), np.diff(good["ts"].dt.timestamp("us").to_numpy() / 1e6)
    second = np.diff(step)
    tickets = frames["deliveries"].filter((pl.col("tank_id") == tank) & (pl.col("ts_ticket") >= low))["ticket_volume_l"]
    rest = np.abs(step[(np.abs(step) < 2.0)])
    return [
        rows.height / (window[1] - window[0]), good.height / rows.height, np.mean(gap <= 1.01 * np.quantile(gap, 0.05)),
        np.mean(step == 0.0), np.median(rest), np.quantile(rest, 0.9), np.median(np.abs(second)),
        float(np.corrcoef(step[:-1], step[1:])[0, 1]), np.mean(np.abs(step) > 5.0),
        float(level.min()), float(level.mean()),
        float((tickets % 500.0).mean() or 0.0) if len(tickets) else -1.0, len(tickets),
    ]  # fmt: skip


RANGES = {"tank_leak": (0.15, 4.0), "line_leak": (2.0, 40.0), "bulk_theft": (80.0, 1500.0), "slow_theft": (5.0, 60.0),
          "meter_drift": (0.5, 3.0)}  # fmt: skip
"""Sizes between which the simulator, too, draws on a log scale."""


def _size(cause: str, rng: np.random.Generator) -> float:
    low, high = RANGES.get(cause, (100.0, 900.0))
    size = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return size * float(rng.choice([-1.0, 1.0])) if cause == "meter_drift" else size


Frames = Mapping[str, pl.DataFrame]
CAUSES = ("tank_leak", "line_leak", "bulk_theft", "slow_theft", "meter_drift", "short_delivery", "over_delivery")


def _put_in(sound: Frames, labels: pl.DataFrame, rng: np.random.Generator, *, seed: int) -> Frames:
    """A sound fleet with faults of the causes, and at the starts, of a simulated fleet's labels; tanks are drawn."""
    tanks = labels["tank_id"].unique().sort().to_list()
    drawn = rng.choice(sound["tanks"]["tank_id"].to_numpy(), size=len(tanks), replace=False)
    home = dict(zip(tanks, drawn.tolist(), strict=True))
    wanted = [
        Injection(row["cause"], home[row["tank_id"]], row["ts_start"].timestamp(), _size(row["cause"], rng))
        for row in labels.iter_rows(named=True)
    ]
    return inject({name: frame for name, frame in sound.items() if not name.startswith("_")}, wanted, seed=seed).frames


def likeness(fleets: int = 36, tanks: int = 10, days: int = 30) -> None:
    """AUC of a forest, fleets kept apart: fleets with faults simulated, and others with as many like them put in."""
    start, last = 6.0 * DAY_S, days * DAY_S
    rows, is_put_in, groups = [], [], []
    for number in range(fleets):
        rng = np.random.default_rng(number)
        made = simulate_fleet(tanks, days, seed=9000 + number, causes=CAUSES, settings=FleetSettings(fault_rate=0.8))
        labels = made["labels"].filter(pl.col("verdict") == "confirmed").sort("ts_start", "label_id")
        sound = simulate_fleet(tanks, days, seed=7000 + number, causes=[])
        put_in = _put_in(sound, labels, rng, seed=number) if labels.height else None
        for kind, frames in enumerate((made, put_in) if put_in else ()):
            known = frames["labels"].filter(pl.col("verdict") == "confirmed")
            for tank in known["tank_id"].unique().sort():
                rows.append(_features(frames, (start, last), tank))
                is_put_in.append(kind)
                groups.append(number)
    x, y, fleet = np.nan_to_num(np.array(rows)), np.array(is_put_in), np.array(groups)
    forest = RandomForestClassifier(300, min_samples_leaf=3, random_state=0)
    told = cross_val_predict(forest, x, y, groups=fleet, cv=StratifiedGroupKFold(6), method="predict_proba")[:, 1]
    low, high = _auc_interval(y, told, fleet)
    auc = roc_auc_score(y, told)
    print(f"{len(y)} tanks, {y.sum()} injected: AUC {auc:.3f} ({low:.3f} to {high:.3f}; 95 %, fleets drawn anew)")
    for number in range(x.shape[1]):
        p = stats.mannwhitneyu(x[y == 1, number], x[y == 0, number]).pvalue
        medians = [float(np.median(x[y == kind, number])) for kind in (1, 0)]
        print(f"   feature {number:2}: injected {medians[0]:.4g}, simulated {medians[1]:.4g}, p {p:.3f}")


def _auc_interval(y: np.ndarray, told: np.ndarray, fleet: np.ndarray) -> tuple[float, float]:
    """Bootstrap by fleet, whose tanks share sites and settings."""
    rng = np.random.default_rng(0)
    places = [np.flatnonzero(fleet == number) for number in np.unique(fleet)]
    drawn = (np.concatenate([places[k] for k in rng.integers(0, len(places), len(places))]) for _ in range(1000))
    low, high = np.quantile([roc_auc_score(y[here], told[here]) for here in drawn], [0.025, 0.975])
    return float(low), float(high)


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["truth", "likeness"]
    if "truth" in wanted:
        truth()
    if "likeness" in wanted:
        likeness()
