"""What monthly statements say of leaks of known size, and of sound tanks. Prints; asserts nothing.

Run: python -m tests.benchmarks.statements. Leaks are put into every tank of sound fleets that nothing was tuned on,
from the first day of the second month, and that month is judged: 0.757 l/h (0.2 US gal/h, 40 CFR 280.43), and less.
"""

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime

import numpy as np
import polars as pl

from pipeline.analysis import analyse
from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import share_interval
from pipeline.workers import in_order, worker_count
from tests.support.fleets import Tables, clean
from tests.support.injected import pools, sound_fleet

MONTH = date(2026, 4, 1)
DAYS = 61
RATES_L_PER_H = (0.0, 0.757, 0.38, 0.19)
MADE_DETECTABLE = 3.29
"""Normal quantiles of 95 % detection and 5 % false alarms, added up."""


def judged(frames: Tables, rate_l_per_h: float, seed: int) -> pl.DataFrame:
    """The month's statements of a fleet in which every tank leaks so much, with the day on which a leak was named."""
    start = datetime(MONTH.year, MONTH.month, MONTH.day, tzinfo=UTC).timestamp()
    faults = [Injection("tank_leak", tank, start, rate_l_per_h) for tank in pools(frames)] if rate_l_per_h else []
    made = analyse(clean(inject(frames, faults, seed=seed).frames), in_order=in_order(worker_count(len(faults) or 2)))
    month = made["statements"].filter(pl.col("month") == MONTH, pl.col("tank_id").is_in(list(pools(frames))))
    leaks = made["cases"].filter((pl.col("cause") == "tank_leak") & (pl.col("probability") > 0.5))
    named = leaks.group_by("tank_id").agg((pl.col("raised_on").min() - MONTH).dt.total_days().alias("delay"))
    return month.join(named, on="tank_id", how="left").with_columns(rate=pl.lit(rate_l_per_h))


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every fleet and rate, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="*", default=[301, 302])
    parser.add_argument("--tanks", type=int, default=20)
    options = parser.parse_args(arguments)
    found = []
    for seed in options.seeds:
        frames = sound_fleet(options.tanks, DAYS, seed=seed)
        for rate in RATES_L_PER_H:
            print(f"fleet {seed}, {rate} l/h", file=sys.stderr)
            found.append(judged(frames, rate, seed))
    every = pl.concat(found)
    for rate in RATES_L_PER_H:
        rows = every.filter(pl.col("rate") == rate)
        verdicts = {name: rows.filter(pl.col("verdict") == name).height for name in ("pass", "fail", "inconclusive")}
        low, high = share_interval(verdicts["fail"], rows.height)
        named, delay = rows["delay"].drop_nulls(), rows["delay"].drop_nulls().median()
        off = (rows["leak_rate_l_per_h"] - rate).drop_nulls().drop_nans().to_numpy()
        print(f"{rate:5.3f} l/h, {rows.height} tank-months: {verdicts}, fail {low:.2f} to {high:.2f} (exact 95 %); "
              f"named {named.len()}, median delay {delay} d; rate off by {np.median(off):+.3f}, "
              f"SD {1.4826 * np.median(np.abs(off - np.median(off))):.3f} l/h")  # fmt: skip
        if not rate:
            spread = 1.4826 * float(np.median(np.abs(off - np.median(off))))
            own = rows["detectable_l_per_h"].median()
            print(f"      smallest leak with 95 % detection at 5 % false alarms, by that scatter: "
                  f"{MADE_DETECTABLE * spread:.3f} l/h; by the statements' own: {own:.3f}")  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
