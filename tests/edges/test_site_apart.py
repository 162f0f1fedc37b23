"""Kind of evidence: known truth by construction. A site whose analysis breaks stops no other, and is named again."""

import re

import polars as pl
import pytest

from pipeline.analysis import SiteFailed, analyse, analyse_sites, last_day_of
from pipeline.errors import OperationError
from pipeline.sites import site_tables
from pipeline.store import open_store
from tests.support.lakes import tiny_lake, write
from tests.support.runs import tankdrift_here


@pytest.fixture
def tables():
    """Two sites with a tank each."""
    found = tiny_lake()
    found["sites"] = pl.concat([found["sites"], found["sites"].with_columns(site_id=pl.lit("S2"))])
    for name, key in (("tanks", "T2"), ("meters", "M-T2")):
        is_moved = pl.col(f"{name[:-1]}_id") == key
        found[name] = found[name].with_columns(site_id=pl.when(is_moved).then(pl.lit("S2")).otherwise("site_id"))
    return found


def _broken(tables, names):
    """Each site's tables; some sites' sales have no litres, which no analysis can do without."""
    for one in site_tables(tables):
        if one["sites"]["site_id"][0] in names:
            one["sales"] = one["sales"].drop("volume_l")
        yield one


def test_the_others_go_on_as_if_it_were_not_there(tables):
    failed: list[SiteFailed] = []
    made = analyse_sites(_broken(tables, ["S2"]), last_day_of(tables, None), on_failure=failed.append)
    assert [site.site_id for site in failed] == ["S2"]
    assert re.match(r"ColumnNotFoundError: .*\(\w+\.py, line \d+\)$", failed[0].error)
    tables["sites"] = tables["sites"].head(1)
    alone = analyse(tables)
    assert alone["tank_days"].height > 0
    assert {name: frame.to_dicts() for name, frame in made.items()} == {n: f.to_dicts() for n, f in alone.items()}


def test_who_does_not_ask_is_told_at_once(tables):
    with pytest.raises(pl.exceptions.ColumnNotFoundError):
        analyse_sites(_broken(tables, ["S2"]), last_day_of(tables, None))
    with pytest.raises(OperationError, match="no site could be analysed; S1: ColumnNotFoundError"):
        analyse_sites(_broken(tables, ["S1", "S2"]), last_day_of(tables, None), on_failure=[].append)


def test_it_is_named_each_time_until_it_can_be_analysed(tables, tmp_path):
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    with open_store(out) as store:
        store.remember({"failed": '["site S2 could not be analysed: as a run would leave it"]'})
    again = tankdrift_here("run", lake, "--out", out, "--direct")
    assert again.returncode == 1
    assert again.stderr.splitlines()[-1] == (
        "tankdrift: the rest is done, but: site S2 could not be analysed: as a run would leave it"
    )
    (lake / "events.parquet").touch()
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
