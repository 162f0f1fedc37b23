"""One small lake, its backtest and one browser for the tests that need them."""

import pytest

from pipeline.lake_write import write_lake
from pipeline.simulate.run import simulate_fleet
from tests.support.runs import tankdrift_here
from tests.support.shared import made_once

ARGUMENTS = (
    "--rule", "daily_variance", "--rule", "cases", "--sweep", "daily_variance.threshold=1,2,4", "--inject",
    "bulk_theft", "--size", "60,250,1500", "--worlds", "1", "--visit-cost", "150", "--litre-price", "1.4",
)  # fmt: skip


def _study(place):
    """The lake, and a backtest over it with one worker and without Prefect."""
    write_lake(simulate_fleet(4, 18, seed=9, causes=["bulk_theft"]), place / "lake")
    out = place / "one"
    done = tankdrift_here("backtest", place / "lake", "--out", out, *ARGUMENTS, "--direct", "--workers", "1")
    assert done.returncode == 0, done.stderr
    (out / "said.txt").write_text(done.stdout, encoding="utf-8")


@pytest.fixture(scope="session")
def lake(tmp_path_factory):
    """Four invented tanks over eighteen days, one of them with something wrong. Shared: nobody writes into it."""
    return made_once(tmp_path_factory, "backtest", _study) / "lake"


@pytest.fixture(scope="session")
def tried(lake):
    """Folder of a backtest over it, with one worker and without Prefect. Shared: nobody writes into it."""
    return lake.parent / "one"
