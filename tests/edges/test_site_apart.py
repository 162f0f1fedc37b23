"""Kind of evidence: known truth by construction. A site whose analysis breaks stops no other, and is named again."""

import json
import re
import shutil
import zipfile

import duckdb
import polars as pl
import pytest

from pipeline.analysis import SiteFailed, analyse, analyse_sites, last_day_of
from pipeline.broken_site import keep_broken
from pipeline.errors import OperationError
from pipeline.lake import read_lake
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


def _break(out, site_id):
    """Write to a run's store as somebody else might: the site's day begins at no hour. The next run analyses anew."""
    with duckdb.connect(out / "tankdrift.duckdb") as store:
        store.execute("update sites set trading_day_start = 'noon' where site_id = $id", {"id": site_id})
        store.execute("update _state set value = '' where name = 'analysed'")


def _unpacked(archive, place):
    with zipfile.ZipFile(archive) as held:
        held.extractall(place)
    return place / "lake", json.loads((place / "about.json").read_text())


def test_its_rows_are_kept_under_other_names_for_who_mends_what_broke(tables, tmp_path):
    """A store that somebody else wrote to: the second site's day begins at no hour."""
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    _break(out, "S2")
    done = tankdrift_here("run", lake, "--out", out, "--direct")
    (archive,) = (out / "broken").iterdir()
    assert done.returncode == 1
    last = re.sub(r"line \d+", "line N", done.stderr.splitlines()[-1])
    assert last == (
        "tankdrift: the rest is done, but: site S2 could not be analysed: ValueError: Invalid isoformat string: 'noon' "
        f"(trading_days.py, line N); {archive} has its rows under other names, to report it with"
    )
    _, about = _unpacked(archive, tmp_path / "sent")
    assert about["error"] == "ValueError"
    assert re.fullmatch(r"trading_days.py, line \d+", about["at"])
    assert about["versions"]["polars"] == pl.__version__
    (lake / "events.parquet").touch()
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    assert not (out / "broken").exists()


def test_so_are_those_of_a_lake_s_only_site_and_a_folder_that_takes_nothing_is_said(tables, tmp_path):
    tables["sites"] = tables["sites"].head(1)
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    _break(out, "S1")
    done = tankdrift_here("run", lake, "--out", out, "--direct")
    assert (done.returncode, len(list((out / "broken").iterdir()))) == (1, 1)
    assert "no site is left: site S1 could not be analysed: ValueError" in done.stderr.splitlines()[-1]
    shutil.rmtree(out / "broken")
    (out / "broken").write_text("a file where a folder should be")
    again = tankdrift_here("run", lake, "--out", out, "--direct")
    assert again.stderr.splitlines()[-1].endswith("; its rows could not be kept: File exists")


def test_a_run_over_what_is_kept_gives_the_site_s_own_figures_and_nobody_s_names(tables, tmp_path):
    tables["sites"] = tables["sites"].head(1).with_columns(latitude=pl.lit(54.3), longitude=pl.lit(10.1))
    (site,) = site_tables(tables)
    lake, _ = _unpacked(keep_broken(site, "-", tmp_path, settings="-"), tmp_path / "sent")
    figures = ["trading_day", "opening_stock_l", "sales_l", "variance_l", "physics_score"]
    days = [analyse(one)["tank_days"].select(figures) for one in (site, read_lake(lake).tables)]
    assert days[0].height > 0
    assert days[0].equals(days[1])
    kept = [pl.read_parquet(path) for path in sorted(lake.rglob("*.parquet"))]
    said = {text for frame in kept for column in frame.select(pl.col(pl.String)) for text in column.drop_nulls()}
    assert not said & {"S1", "T1", "M-T1", "1", "Ferrow Cross", "T1-0001", "E1"}
    (place,) = (frame for frame in kept if "latitude" in frame.columns)
    assert place.select("latitude", "longitude").row(0) == (None, None)
