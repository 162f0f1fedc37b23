"""Whether a run over a cut lake agrees with the full run as rules are shown it. Prints; asserts nothing.

Run: python -m tests.benchmarks.asof LAKE YYYY-MM-DD. Every row that the full run shows as known by that day should
be, to the digit, what a run over the lake cut after that day shows; what differs was touched by hindsight.
"""

import sys
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.analysis import analyse
from pipeline.backtest.asof import DATED, as_of_tables, cut
from pipeline.lake import read_lake

KEYS = {
    "tank_days": ["tank_id", "trading_day"], "variance_parts": ["tank_id", "trading_day", "part"],
    "features": ["tank_id", "trading_day", "name"], "ledger": ["tank_id", "ts_start"], "drops": ["drop_id"],
    "draws": ["tank_id", "ts_start"], "meter_estimates": ["tank_id", "meter_id", "day"], "health": ["tank_id", "day"],
    "cases": ["case_id"],
}  # fmt: skip


def shown(lake: Path, until: date | None) -> dict[str, pl.DataFrame]:
    """Tables as rules see them, of a run up to a day."""
    tables = read_lake(lake, until=until).tables
    return as_of_tables({**tables, **analyse(tables)})


def main(lake: Path, day: date) -> None:
    """Print, table by table, the rows compared and how many differ in each column."""
    full, early = cut(shown(lake, None), day), cut(shown(lake, day), day)
    for name in DATED:
        keys = KEYS[name]
        both = full[name].join(early[name], on=keys, how="full", suffix="_cut", coalesce=True)
        print(f"{name}: {full[name].height} rows of the full run, {early[name].height} of the cut one")
        for column in (column for column in full[name].columns if column not in keys):
            one, two = pl.col(column), pl.col(f"{column}_cut")
            same = one.eq_missing(two)
            if full[name][column].dtype.is_float():
                same = same | ((one - two).abs() <= 1e-6 * (1.0 + one.abs())).fill_null(False)
            off = both.filter(~same)
            if off.height:
                print(f"   {column}: {off.height} differ, such as {off.select(*keys, column, f'{column}_cut').row(0)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), date.fromisoformat(sys.argv[2]))
