"""How true injection is. Prints; asserts nothing. Run: python -m tests.benchmarks.injection [truth|likeness].

`truth`: over 500 faults, what was put in against what the ledger shows gone, in the tank's own noise.
`likeness`: whether a forest tells fleets with injected faults from fleets simulated with the same causes (AUC).
"""

import sys

import numpy as np
import polars as pl
from scipy import stats
from sklearn.ensemble import RandomForestClassifier
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import StratifiedGroupKFold, cross_val_predict

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.simulate.run import simulate_fleet
from tests.support.injected import DAY_S, SIZES, scores, sound_fleet


def truth(fleets: int = 2, starts: int = 5) -> None:
    """Z-scores over fleets, causes and starts."""
    z, usual, off, causes = [], [], [], []
    for number in range(fleets):
        frames = sound_fleet(8, 36, seed=500 + number)
        for start in np.linspace(8.3, 24.7, starts):
            for cause in SIZES:
                for put_in, shown, before, middle, noise, surface in scores(frames, cause, start * DAY_S, seed=number):
                    z.append((shown - middle - put_in) / noise)
                    usual.append((before - middle) / noise)
                    off.append((shown - before - put_in) / surface)
                    causes.append(cause)
    z, usual, off, causes = np.array(z), np.array(usual), np.array(off), np.array(causes)
    known = np.isfinite(z)
    z, usual, off, causes = z[known], usual[known], off[known], causes[known]
    print(f"faults: {len(z)}")
    print(f"z: mean {z.mean():+.3f} (± {1.96 / np.sqrt(len(z)):.3f} if they were independent), SD {z.std():.3f}")
    print(f"the same stretches without the fault: mean {usual.mean():+.3f}, SD {usual.std():.3f}, "
          f"two-sample Kolmogorov-Smirnov p {stats.ks_2samp(z, usual).pvalue:.3f}")  # fmt: skip
    print(
        "   "
        + ", ".join(
            f"|z| < {n}: {np.mean(np.abs(z) < n):.3f} (without {np.mean(np.abs(usual) < n):.3f})" for n in (1, 2, 3)
        )
    )
    print(f"against the same tank without the fault: median |off| {np.median(np.abs(off)):.4f} mm of level,"
          f" 95 % below {np.quantile(np.abs(off), 0.95):.3f} mm, largest {np.abs(off).max():.3f} mm")  # fmt: skip
    for cause in SIZES:
        here = causes == cause
        print(
            f"   {cause:16} n {here.sum():3}  z {z[here].mean():+.2f} ± {z[here].std():.2f}"
            f"  off {np.mean(off[here]):+.4f} mm"
        )


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


def likeness(fleets: int = 14, tanks: int = 10, days: int = 30) -> None:
    """AUC of a forest, fleets kept apart: each fleet once with faults simulated and, under another seed, injected."""
    causes = ("tank_leak", "line_leak", "bulk_theft", "slow_theft", "meter_drift", "short_delivery", "over_delivery")
    start, last = 10.0 * DAY_S, days * DAY_S
    rows, is_put_in, groups = [], [], []
    for number in range(fleets):
        made = simulate_fleet(tanks, days, seed=9000 + number, causes=causes)
        labels = made["labels"].filter(pl.col("verdict") == "confirmed")
        for tank in labels["tank_id"].unique().sort():
            rows.append(_features(made, (start, last), tank))
            is_put_in.append(0)
            groups.append(number)
        sound = {name: frame for name, frame in simulate_fleet(tanks, days, seed=7000 + number, causes=[]).items()}
        first = sound["readings"]["ts"].min().timestamp()
        rng = np.random.default_rng(number)
        injections = []
        for tank in rng.choice(sound["tanks"]["tank_id"].to_numpy(), size=max(labels.height, 1), replace=False):
            cause = str(rng.choice(causes))
            size = _size(cause, rng)
            injections.append(Injection(cause, str(tank), first + rng.uniform(4.5, 22.0) * DAY_S, size))
        put = inject(
            {name: frame for name, frame in sound.items() if not name.startswith("_")}, injections, seed=number
        )
        for tank in put.frames["labels"]["tank_id"]:
            rows.append(_features(put.frames, (start, last), tank))
            is_put_in.append(1)
            groups.append(number)
    x, y, fleet = np.nan_to_num(np.array(rows)), np.array(is_put_in), np.array(groups)
    for name, of in (("injected or simulated", y),):
        forest = RandomForestClassifier(300, min_samples_leaf=3, random_state=0)
        told = cross_val_predict(forest, x, of, groups=fleet, cv=StratifiedGroupKFold(5), method="predict_proba")[:, 1]
        auc = roc_auc_score(of, told)
        spread = np.sqrt(auc * (1 - auc) / min(of.sum(), (1 - of).sum()))
        print(f"{name}: {len(of)} tanks ({of.sum()} injected), AUC {auc:.3f} ± {1.96 * spread:.3f}")
    for number in range(x.shape[1]):
        p = stats.mannwhitneyu(x[y == 1, number], x[y == 0, number]).pvalue
        medians = [float(np.median(x[y == kind, number])) for kind in (1, 0)]
        print(f"   feature {number:2}: injected {medians[0]:.4g}, simulated {medians[1]:.4g}, p {p:.3f}")


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["truth", "likeness"]
    if "truth" in wanted:
        truth()
    if "likeness" in wanted:
        likeness()
