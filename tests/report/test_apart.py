"""Kind of evidence: known truth by construction. A site whose rows break the report is left out of it, and named."""

from datetime import date

import polars as pl
import pytest

from pipeline.report.apart import write_apart
from tests.support.lake_catalogue import fleet


def _tables(*broken: str) -> dict[str, pl.DataFrame]:
    """A day of each site; one that has no date breaks the figures."""
    days = [
        {"tank_id": tank, "trading_day": None if tank in broken else date(2024, 3, 30), "variance_l": -1.0}
        for tank in ("T1", "XT1")
    ]
    return {**fleet(), "tank_days": pl.DataFrame(days)}


def test_the_others_are_reported(tmp_path):
    assert write_apart(_tables("XT1"), tmp_path, as_of=date(2024, 3, 31)) == ["XS1"]
    names = " ".join(path.name for path in (tmp_path / "report" / "tanks").iterdir())
    assert "T1" in names and "XT1" not in names


def test_a_report_that_no_site_can_have_is_raised(tmp_path):
    with pytest.raises(pl.exceptions.ComputeError):
        write_apart(_tables("T1", "XT1"), tmp_path, as_of=date(2024, 3, 31))


def test_a_whole_report_leaves_nobody_out(tmp_path):
    assert write_apart(_tables(), tmp_path, as_of=date(2024, 3, 31)) == []
