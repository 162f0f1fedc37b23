"""One more night ends as a run from nothing, to the byte. Evidence: twin, on an invented fleet with every cause."""

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import polars as pl
import pytest

from pipeline.analysis import EPOCH_DAY, analyse_sites
from pipeline.contract.causes import RECORDS
from pipeline.estimate.observe import observe_site
from pipeline.estimate.past import Shelves
from pipeline.estimate.unit_walk import walk_unit
from pipeline.pasts import PastFiles
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.sites import site_tables
from tests.support.fleets import Tables, clean, cut
from tests.support.runs import ROOT

START = date(2026, 3, 1)
DAYS = 17
NIGHTS = (13, 16, 17)
"""After so many days there is a run; the second makes up for two nights without."""
FROM_NOTHING = (16, 17)
"""After so many there is one from nothing too."""
CAME_ON = {"readings": 16, "deliveries": 17, "sales": 17}
"""The night from which on late rows are there: of days 11 to 13, of two sites."""
CORRECTED_ON = 17
MARK = "these libraries"


@pytest.fixture(scope="module")
def simulated() -> Tables:
    settings = FleetSettings(fault_rate=2.4, interval_weights=(0.0, 0.0, 0.5, 0.5))
    return simulate_fleet(16, DAYS, seed=10, start=START, settings=settings)


@pytest.fixture(scope="module")
def tables(simulated: Tables) -> Tables:
    return clean(simulated)


def day(number: int) -> datetime:
    return datetime.combine(START, datetime.min.time(), UTC) + timedelta(days=number)


def known_on(tables: Tables, night: int) -> Tables:
    """The tables after so many days: some rows are late, and one sale in fifty is put right later."""
    seen = cut(tables, START + timedelta(days=night - 1))
    sites = seen["sites"]["site_id"].sort()[::3]
    tanks = seen["tanks"].filter(pl.col("site_id").is_in(sites.implode()))["tank_id"]
    meters = seen["meters"].filter(pl.col("site_id").is_in(sites.implode()))["meter_id"]
    for name, (key, at, ids) in {
        "readings": ("tank_id", "ts", tanks[::2]),
        "deliveries": ("tank_id", "ts_ticket", tanks),
        "sales": ("meter_id", "ts_end", meters[::2]),
    }.items():
        if night < CAME_ON[name]:
            is_late = pl.col(key).is_in(ids.implode()) & pl.col(at).is_between(day(10), day(13))
            seen[name] = seen[name].filter(~is_late)
    if night < CORRECTED_ON:
        is_wrong = (pl.col("ts_end") >= day(9)) & (pl.col("sale_id").hash(seed=4) % 50 == 0)
        seen["sales"] = seen["sales"].with_columns(pl.when(is_wrong).then(1.02).otherwise(1.0).mul(pl.col("volume_l")))
    return seen


def run(tables: Tables, night: int, pasts: PastFiles | None) -> Tables:
    last_day = START.toordinal() - EPOCH_DAY + night - 1
    return analyse_sites(site_tables(tables), last_day, pasts=pasts)


def damage(pasts: PastFiles, sites: list[str]) -> None:
    """The first site's file is gone, the second's torn, the third's is the fourth's, the fifth's is of other code."""
    first, second, third, fourth, fifth = (pasts.path(site_id) for site_id in sites)
    whole = second.read_bytes()
    second.write_bytes(whole[: len(whole) // 2])
    third.write_bytes(fourth.read_bytes())
    other = PastFiles(pasts.folder, "older libraries")
    past = pasts.read(sites[4])
    assert past is not None
    other.write(sites[4], past)
    assert fifth.is_file()
    first.unlink()


@pytest.fixture(scope="module")
def nightly(tables: Tables, tmp_path_factory: pytest.TempPathFactory) -> dict[int, Tables]:
    """What each night's run published; before the last, what was kept comes to harm."""
    pasts = PastFiles(tmp_path_factory.mktemp("kept"), MARK)
    found = {}
    for night in NIGHTS:
        if night == NIGHTS[-1]:
            damage(pasts, tables["sites"]["site_id"].sort().to_list())
        found[night] = run(known_on(tables, night), night, pasts)
    return found


def as_bytes(frame: pl.DataFrame) -> bytes:
    buffer = BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


def test_the_fleet_has_every_cause(simulated: Tables, nightly: dict[int, Tables]):
    assert set(simulated["labels"]["cause"].drop_nulls()) == {record.name for record in RECORDS}
    assert nightly[NIGHTS[-1]]["cases"]["cause"].n_unique() >= 8


@pytest.mark.parametrize("night", FROM_NOTHING)
def test_a_night_ends_as_from_nothing(tables: Tables, nightly: dict[int, Tables], night: int):
    nothing = run(known_on(tables, night), night, None)
    assert list(nothing) == list(nightly[night])
    assert [name for name, frame in nothing.items() if as_bytes(frame) != as_bytes(nightly[night][name])] == []


def test_a_night_does_a_night_s_work(tables: Tables):
    """Two nights of a site whose rows come in time: the last two days are walked, and two days' clocks are told."""
    made = []
    past = None
    for night in (16, 17):
        *_, site = site_tables(cut(tables, START + timedelta(days=night - 1)))
        shelves = Shelves(past)
        units = observe_site(site, shelves).units
        walks = [walk for unit in units if (walk := walk_unit(unit, shelves)) is not None]
        past = shelves.past({walk.seen.unit.unit_id: walk.past for walk in walks})
        made.append((shelves.clocks.made, [len(walk.walk.walked) for walk in walks], shelves.habits.made))
    (clocks, first, habits), (clocks_more, more, habits_more) = made
    assert clocks >= 16 and min(first) >= 16 and habits >= len(first)
    assert clocks_more <= 2 and max(more) <= 2 and habits_more == 0


def written(folder: Path, tables: Tables) -> tuple[PastFiles, str, bytes]:
    pasts = PastFiles(folder, MARK)
    site = next(iter(site_tables(cut(tables, START + timedelta(days=4)))))
    site_id = str(site["sites"]["site_id"][0])
    shelves = Shelves()
    walks = [walk for unit in observe_site(site, shelves).units if (walk := walk_unit(unit, shelves)) is not None]
    pasts.write(site_id, shelves.past({walk.seen.unit.unit_id: walk.past for walk in walks}))
    return pasts, site_id, pasts.path(site_id).read_bytes()


def test_a_file_that_is_not_whole_is_as_none(tables: Tables, tmp_path: Path):
    pasts, site_id, whole = written(tmp_path / "kept", tables)
    path = pasts.path(site_id)
    assert pasts.read(site_id) is not None
    assert pasts.read("another") is None
    assert PastFiles(pasts.folder, "another mark").read(site_id) is None
    for length in (0, 1, 16, 17, 60, 200, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert pasts.read(site_id) is None
    for place in range(0, len(whole), len(whole) // 40):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 4]) + whole[place + 1 :])
        assert pasts.read(site_id) is None
    path.unlink()
    path.mkdir()
    assert pasts.read(site_id) is None


def test_what_is_of_no_site_is_swept_away_and_a_folder_that_is_none_does_no_harm(tables: Tables, tmp_path: Path):
    pasts, site_id, whole = written(tmp_path / "kept", tables)
    (pasts.folder / "0.12.new").write_bytes(whole)
    pasts.sweep([site_id])
    assert list(pasts.folder.iterdir()) == [pasts.path(site_id)]
    pasts.sweep([])
    assert list(pasts.folder.iterdir()) == []
    pasts.folder.rmdir()
    pasts.folder.write_text("no folder")
    past = Shelves().past({})
    pasts.write(site_id, past)
    assert pasts.read(site_id) is None


def test_what_is_kept_counts_whatever_else_the_process_has_imported():
    """The forest's library brings one for threads of its own: a run that comes second in a process has it already."""
    code = "from pipeline.pasts import made_by; first = made_by(); import sklearn.ensemble; print(first == made_by())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout == "True\n"
