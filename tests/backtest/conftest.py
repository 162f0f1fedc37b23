"""One small lake, its backtest and one browser for the tests that need them."""

import pytest

from pipeline.lake_write import write_lake
from pipeline.simulate.run import simulate_fleet
from tests.support.runs import tankdrift

ARGUMENTS = (
    "--rule", "daily_variance", "--rule", "cases", "--sweep", "daily_variance.threshold=1,2,4", "--inject",
    "bulk_theft", "--size", "60,250,1500", "--worlds", "1", "--visit-cost", "150", "--litre-price", "1.4",
)  # fmt: skip


@pytest.fixture(scope="session")
def lake(tmp_path_factory):
    """Four invented tanks over eighteen days, one of them with something wrong."""
    frames = simulate_fleet(4, 18, seed=9, causes=["bulk_theft"])
    place = tmp_path_factory.mktemp("backtest") / "lake"
    write_lake(frames, place)
    return place


@pytest.fixture(scope="session")
def tried(lake):
    """Folder of a backtest over it, with one worker and without Prefect."""
    out = lake.parent / "one"
    done = tankdrift("backtest", lake, "--out", out, *ARGUMENTS, "--direct", "--workers", "1")
    assert done.returncode == 0, done.stderr
    (out / "said.txt").write_text(done.stdout, encoding="utf-8")
    return out
