"""Kind of evidence: contract. What was said is kept whole and in order, by however many at once, and never changed."""

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest
from filelock import FileLock

from pipeline.errors import StoreError
from pipeline.report_inputs import take_over_verdicts
from pipeline.said.record import newest, read, say
from pipeline.said.sayings import Saying, row_of, standings
from pipeline.said.shown import keep_shown, last_shown
from pipeline.said.since import Shown
from pipeline.store import FILE, open_store
from tests.said.test_sayings import CASE, ID, NIGHT, closed

SPEAKER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of, standings
from tests.said.test_sayings import CASE, ID
for number in range(15):
    row = row_of(Saying(kind="closed", case_id=ID, verdict=sys.argv[2], note=f"{sys.argv[2]} {number}"), CASE, {})
    say(Path(sys.argv[1]), row, now=datetime.now(UTC))
"""


def note(text, who="Ines"):
    return row_of(Saying(kind="note", case_id=ID, note=text, who=who), CASE, {})


def test_what_was_said_comes_back_as_it_was_said(tmp_path):
    assert (newest(tmp_path), read(tmp_path).height) == (-1, 0)
    assert say(tmp_path, note("two\nlines, <b>é</b>"), now=NIGHT) == 0
    assert say(tmp_path, row_of(closed(litres=-90.5, recovered=12.0, who="M. Orr"), CASE, {}), now=NIGHT) == 1
    first, second = read(tmp_path).iter_rows(named=True)
    assert (first["note"], first["who"], first["at"]) == ("two\nlines, <b>é</b>", "Ines", NIGHT)
    wanted = {"verdict": "confirmed", "litres": -90.5, "recovered": 12.0, "learned_on": date(2026, 3, 20),
              "seen_litres_low": -120.0, "seen_urgency": "today", "ts_start": CASE["ts_start"]}  # fmt: skip
    assert {name: second[name] for name in wanted} == wanted
    assert pl.read_parquet(tmp_path / "labels.parquet")["litres"].to_list() == [-90.5]


def test_a_clock_that_goes_back_moves_no_order(tmp_path):
    say(tmp_path, note("first"), now=NIGHT)
    say(tmp_path, note("second"), now=NIGHT - timedelta(days=400))
    assert read(tmp_path)["note"].to_list() == ["first", "second"]


def test_what_was_read_before_is_not_opened_again(tmp_path):
    for text in ("first", "second"):
        say(tmp_path, note(text), now=NIGHT)
    known = read(tmp_path)
    say(tmp_path, note("third", who=None), now=NIGHT)
    whole = read(tmp_path)
    (tmp_path / "said" / "00000000.json").write_text("spoilt")
    assert read(tmp_path, known).equals(whole)
    assert read(tmp_path, whole).equals(whole)
    with pytest.raises(StoreError, match=r"00000000\.json"):
        read(tmp_path)


def test_two_who_speak_at_once_lose_nothing_while_a_run_has_the_store(tmp_path):
    with open_store(tmp_path), FileLock(tmp_path / ".tankdrift.lock"):
        verdicts = ("confirmed", "ruled_out")
        both = [subprocess.Popen([sys.executable, "-c", SPEAKER, str(tmp_path), verdict]) for verdict in verdicts]
        assert [one.wait() for one in both] == [0, 0]
    found = read(tmp_path)
    assert found["seq"].to_list() == list(range(30))
    for verdict in verdicts:
        assert found.filter(verdict=verdict)["note"].to_list() == [f"{verdict} {number}" for number in range(15)]
    assert pl.read_parquet(tmp_path / "labels.parquet")["verdict"].to_list() == [found["verdict"][-1]]


def test_what_was_half_written_is_not_there_and_what_was_spoilt_is_named(tmp_path):
    say(tmp_path, note("whole"), now=NIGHT)
    (tmp_path / "said" / ".00000001.json.new").write_text('{"seq"')
    assert read(tmp_path).height == 1
    (tmp_path / "said" / "00000001.json").write_text('{"seq"')
    with pytest.raises(StoreError, match=r"00000001\.json: this is not a saying"):
        read(tmp_path)


def test_a_run_published_again_still_knows_the_one_before(tmp_path):
    assert last_shown(tmp_path, "a") is None
    first, second = Shown(date(2026, 3, 1), {"x": {"state": "current"}}), Shown(date(2026, 3, 2))
    keep_shown(tmp_path, "a", first)
    assert (last_shown(tmp_path), last_shown(tmp_path, "a"), last_shown(tmp_path, "b")) == (None, None, first)
    keep_shown(tmp_path, "b", second)
    keep_shown(tmp_path, "b", second)
    assert (last_shown(tmp_path), last_shown(tmp_path, "b"), last_shown(tmp_path, "c")) == (first, first, second)
    (tmp_path / "since.json").write_text("{}")
    with pytest.raises(StoreError, match=r"since.json: this is not as it was written"):
        last_shown(tmp_path)


def test_the_time_is_kept_in_utc(tmp_path):
    say(tmp_path, note("now"), now=datetime(2026, 3, 20, 7, tzinfo=UTC))
    assert read(tmp_path)["at"].to_list() == [datetime(2026, 3, 20, 7, tzinfo=UTC)]


def test_verdicts_that_an_earlier_version_kept_in_the_store_are_taken_over_once(tmp_path):
    columns = {"seq": 0, "case_id": ID, "cause": "tank_leak", "verdict": "ruled_out", "site_id": "S", "tank_id": "T1",
               "meter_id": None, "delivery_id": None, "ts_start": CASE["ts_start"], "ts_end": None, "litres": -9.0,
               "learned_on": date(2026, 3, 15), "who": "Ines", "note": "by the pump test"}  # fmt: skip
    with duckdb.connect(tmp_path / FILE) as old:
        old.register("kept", pl.DataFrame([columns]).to_arrow())
        old.execute("create table verdicts as from kept")
    for _ in range(2):
        with open_store(tmp_path) as store:
            take_over_verdicts(store, tmp_path)
    (found,) = read(tmp_path).iter_rows(named=True)
    wanted = {name: columns[name] for name in ("case_id", "verdict", "litres", "learned_on", "who", "note", "ts_start")}
    assert {name: found[name] for name in wanted} == wanted
    assert standings([CASE | {"litres": -999.0}], read(tmp_path))[ID].closed["who"] == "Ines"
