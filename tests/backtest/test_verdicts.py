"""Kind of evidence: contract. What somebody said is kept, told as labels, and counted by the next backtest."""

from datetime import date

import polars as pl
import pytest

from flows.cli import main
from pipeline.backtest.study import BASE, Study, lake_digest, trials_of
from pipeline.backtest.verdicts import labels_of_store, record
from pipeline.backtest.worlds import world_folder, world_labels
from pipeline.contract.dictionary import ALL_TABLES, polars_schema
from pipeline.contract.lake import Labels
from pipeline.errors import ArgumentError, StoreError
from pipeline.said.record import read
from pipeline.said.sayings import Saying
from pipeline.stages import Run, analyse_lake, load
from pipeline.store import SCHEMAS, open_store
from tests.support.backtests import at, day, table
from tests.support.lakes import digest, tiny_lake, write

CASE = {
    "case_id": "bulk_theft.T1.2024-03-30", "cause": "bulk_theft", "site_id": "S1", "tank_id": "T1", "raised_on": day(0),
    "ts_start": at(0), "ts_end": at(0, 1.0), "litres": -90.0, "litres_low": -99.0, "litres_high": -81.0,
    "probability": 0.9, "urgency": "today", "action": "", "summary": "",
}  # fmt: skip


@pytest.fixture
def out(tmp_path):
    """A store with two tanks and a case."""
    with open_store(tmp_path) as store:
        for name in SCHEMAS:
            store.replace(name, polars_schema(SCHEMAS[name]).to_frame())
        store.replace("tanks", tiny_lake()["tanks"])
        store.replace("cases", table("cases", [CASE]))
    return tmp_path


def said(**values):
    return Saying(
        **{"kind": "closed", "verdict": "confirmed", "learned_on": date(2026, 4, 1), "case_id": CASE["case_id"]}
        | values
    )


def test_a_verdict_on_a_case_is_a_label_of_the_contract(out):
    place = record(out, said(who="M. Orr", note="seen on camera"))
    labels = pl.read_parquet(place)
    assert labels.equals(labels_of_store(out))
    Labels.validate(labels)
    assert labels.row(0, named=True) == {
        "label_id": "V-bulk_theft.T1.2024-03-30", "cause": "bulk_theft", "verdict": "confirmed", "site_id": "S1",
        "tank_id": "T1", "meter_id": None, "delivery_id": None, "ts_start": at(0), "ts_end": at(0, 1.0),
        "litres": -90.0, "learned_on": date(2026, 4, 1),
    }  # fmt: skip
    kept = read(out).row(0, named=True)
    assert (kept["who"], kept["note"], kept["case_id"]) == ("M. Orr", "seen on camera", CASE["case_id"])


def test_the_last_word_counts_and_the_earlier_ones_are_kept(out):
    record(out, said())
    record(out, said(verdict="ruled_out", note="a pump test"))
    record(out, said(cause="slow_theft", litres=-80.0))
    labels = labels_of_store(out)
    assert labels.select("cause", "verdict", "litres").rows() == [("slow_theft", "confirmed", -80.0)]
    assert read(out)["seq"].to_list() == [0, 1, 2]


def test_a_time_of_a_tank_has_a_verdict_without_a_case(out):
    time = {"tank_id": "T2", "cause": "tank_leak", "start": at(3), "end": at(9)}
    record(out, said(verdict="ruled_out", case_id=None, **time))
    assert labels_of_store(out).select("label_id", "site_id", "tank_id", "ts_end").rows() == [
        ("V-T2.2026-03-05T00:00:00", "S1", "T2", at(9))
    ]


def test_a_cause_without_litres_has_none(out):
    record(out, said(cause="probe_fault", litres=-5.0))
    assert labels_of_store(out)["litres"].to_list() == [None]


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"case_id": "nosuch"}, "no case nosuch"),
        ({"verdict": "perhaps"}, "'perhaps' is no verdict"),
        ({"cause": "gremlins"}, "'gremlins' is no cause"),
        ({"end": at(-3)}, "before the start"),
        ({"case_id": None}, "say which case"),
        ({"case_id": None, "tank_id": "T9", "cause": "tank_leak", "start": at(0)}, "no tank T9"),
    ],
)
def test_a_verdict_that_cannot_be_is_refused(out, values, says):
    with pytest.raises(ArgumentError, match=says):
        record(out, said(**values))
    assert labels_of_store(out).height == 0 and not (out / "labels.parquet").exists()


def test_there_must_be_a_store(tmp_path):
    with pytest.raises(StoreError, match="no store here"):
        record(tmp_path, said())
    assert labels_of_store(tmp_path).schema == polars_schema(ALL_TABLES["labels"])


def test_a_verdict_outlives_runs_is_counted_and_never_reaches_the_lake(tmp_path, capsys):
    lake, out = write(tmp_path / "lake", tiny_lake(days=4)), tmp_path / "out"
    out.mkdir()
    before = digest(lake)
    run = Run(lake, out)
    load(run)
    analyse_lake(run)
    arguments = ["--tank", "T1", "--start", "2024-03-30", "--end", "2024-03-31", "--cause", "tank_leak"]
    assert main(["label", str(out), *arguments, "--verdict", "confirmed", "--litres", "-20", "--on", "2024-04-02"]) == 0
    assert capsys.readouterr().out == f"labels: {out / 'labels.parquet'}\n"
    # New data comes in, and the run is made again.
    write(lake, tiny_lake(days=5))
    load(run)
    analyse_lake(run)
    assert labels_of_store(out)["tank_id"].to_list() == ["T1"]
    study = Study(lake, out, trials_of(["cases"], {}))
    known = world_labels(study, world_folder(study, BASE, lake_digest(lake)), BASE)
    assert known.select("label_id", "cause", "litres").rows() == [("V-T1.2024-03-30T00:00:00", "tank_leak", -20.0)]
    other = Study(lake, tmp_path / "other", study.trials, labels=(out / "labels.parquet",))
    assert world_labels(other, world_folder(other, BASE, lake_digest(lake)), BASE).equals(known)
    assert not (lake / "labels.parquet").exists() and digest(lake) != before


def test_a_mistake_is_one_line(tmp_path, capsys):
    assert main(["label", str(tmp_path / "nosuch"), "C1", "--verdict", "confirmed"]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    assert main(["label", str(tmp_path), "C1", "--verdict", "perhaps"]) == 2
    assert "invalid choice: 'perhaps'" in capsys.readouterr().err
    assert main(["label", str(tmp_path), "C1", "--verdict", "confirmed", "--start", "soon"]) == 2
    assert "'soon' is no day nor instant" in capsys.readouterr().err
