"""Kind of evidence: known truth by construction. A lake that is wrong in one thing costs that thing and no more."""

import polars as pl
import pytest

from flows.cli import main
from pipeline.store import open_store
from tests.support.bad_lakes import KINDS, fleet
from tests.support.lakes import digest, write

SOUND = pl.col("tank_id").is_in(["XT1", "XT2"])


def _run(lake, out):
    return main(["run", str(lake), "--out", str(out), "--direct"])


def _sound(out) -> dict[str, list[dict]]:
    """What a run says of the site that nothing was done to."""
    names = ("tank_days", "variance_parts", "statements", "cases")
    return {name: pl.read_parquet(out / f"{name}.parquet").filter(SOUND).to_dicts() for name in names}


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound")
    assert _run(write(folder / "lake", fleet()), folder / "out") == 0
    found = _sound(folder / "out")
    assert len(found["tank_days"]) >= 6
    return found


@pytest.mark.parametrize("name", KINDS)
def test_a_bad_lake_costs_what_is_bad_of_it(tmp_path, capsys, sound, refused_of, name):
    kind = KINDS[name]
    lake, out = write(tmp_path / "lake", kind.spoil(fleet())), tmp_path / "out"
    before = digest(lake)
    assert _run(lake, out) == kind.code
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("tankdrift: ")]
    assert len(said) == (kind.code != 0)
    assert main(["check", str(out)]) == 0
    assert digest(lake) == before
    assert refused_of(out) == kind.refused
    assert _sound(out) == sound


def test_what_breaks_nevertheless_is_one_line(tmp_path, capsys):
    """A store of ours that somebody took a table out of; `report` once ended in a traceback."""
    with open_store(tmp_path):
        pass
    code = main(["report", str(tmp_path)])
    said = capsys.readouterr().err
    assert code == 2
    assert said.count("\n") == 1 and said.startswith("tankdrift: this is a mistake of tankdrift's own"), said
