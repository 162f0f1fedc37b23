"""Kind of evidence: known truth by construction. Who looked when, and what is new since then."""

import threading
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.said.believed import SCHEMA, believed_with
from pipeline.said.looked import AWAY, FILE, Look, add_look, looks, visit_of
from pipeline.said.record import read, say
from pipeline.said.sayings import SCHEMA as SAYINGS
from pipeline.said.sayings import Saying
from pipeline.said.shown import BELIEVED, read_believed
from pipeline.said.since import news_of, shown_then
from tests.said.test_sayings import CASE, closed, row_of

NIGHT = datetime(2026, 3, 20, 8, tzinfo=UTC)
DAY = date(2026, 3, 19)


def look(who="Ines", minutes=0, day=DAY, seq=-1):
    return Look(who, NIGHT + timedelta(minutes=minutes), day, seq)


def test_looks_come_back_in_their_order_whatever_the_clock_did_and_without_what_was_broken_off(tmp_path):
    assert looks(tmp_path, "Ines") == []
    own = [look(minutes=90), look(minutes=-500, seq=3), look(minutes=91, day=DAY + timedelta(days=1))]
    add_look(tmp_path, own[0])
    add_look(tmp_path, look("M. Orr"))
    with (tmp_path / FILE).open("ab") as file:
        file.write(b'{"who": "Ines", "at": "2026-0')
    for one in own[1:]:
        add_look(tmp_path, one)
    assert looks(tmp_path, "Ines") == own
    assert looks(tmp_path, "M. Orr") == [look("M. Orr")]
    assert (tmp_path / FILE).stat().st_mode & 0o077 == 0
    assert read(tmp_path).is_empty()


def test_who_look_at_once_lose_nothing(tmp_path):
    def often(who):
        for number in range(10):
            add_look(tmp_path, look(who, seq=number))

    names = [f"person {number}" for number in range(4)]
    many = [threading.Thread(target=often, args=(who,)) for who in names]
    for one in many:
        one.start()
    for one in many:
        one.join()
    assert {who: [one.seq for one in looks(tmp_path, who)] for who in names} == {who: list(range(10)) for who in names}


@pytest.mark.parametrize(
    ("at", "now", "before", "last"),
    [
        ([], 0, None, None),
        ([0], 31, 0, None),
        ([0], 30, None, 0),
        ([0, 100, 120, 140], 150, 0, 140),
        ([0, 100, 120, 140], 200, 140, None),
        ([0, 100], 90, 100, None),
        ([0, 200, 100], 101, 200, 100),
    ],
)
def test_a_visit_is_what_no_half_hour_parts_and_a_clock_that_goes_back_begins_another(at, now, before, last):
    assert AWAY.total_seconds() == 1_800
    own = [look(minutes=minutes) for minutes in at]
    assert visit_of(own, NIGHT + timedelta(minutes=now)) == tuple(
        None if one is None else look(minutes=one) for one in (before, last)
    )


def night(kept, day, *cases):
    """What is believed after a night, with the state of each case, and whether it was over."""
    rows = [
        {"probability": 0.8} | case | {"state": state, "is_over": case["ts_end"] is not None} for case, state in cases
    ]
    return believed_with(kept, rows, date(2026, 3, day))


def news(cases, believed, sayings, seen):
    last = shown_then([case for case, _ in cases], believed, sayings, seen)
    return [news_of(case, state, last) for case, state in cases]


def test_what_is_new_since_a_look_is_told_across_several_runs():
    bigger = CASE | {"litres": 3 * CASE["litres"], "litres_low": 3 * CASE["litres_low"]}
    over, other = CASE | {"ts_end": CASE["ts_start"] + timedelta(hours=3)}, CASE | {"case_id": "other"}
    believed = night(SCHEMA.to_frame(), 18, (CASE, "current"))
    believed = night(believed, 19, (CASE, "current"))
    believed = night(believed, 20, (bigger, "current"), (other, "current"))
    believed = night(believed, 21, (bigger, "current"), (other, "current"))
    nothing = SAYINGS.to_frame()
    now = [(bigger, "current"), (other, "current")]
    assert news(now, believed, nothing, look(day=date(2026, 3, 19))) == ["worse", "new"]
    assert news(now, believed, nothing, look(day=date(2026, 3, 18))) == ["worse", "new"]
    assert news(now, believed, nothing, look(day=date(2026, 3, 20))) == ["", ""]
    assert news([(over, "current"), (over, "past")], believed, nothing, look(day=date(2026, 3, 19))) == ["ended"] * 2
    assert shown_then([CASE], believed, nothing, look(day=date(2026, 3, 17))) is None
    gone = night(night(SCHEMA.to_frame(), 18, (CASE, "current")), 19)
    assert news([(CASE, "current")], gone, nothing, look(day=date(2026, 3, 19))) == ["new"]


def test_what_was_said_before_a_look_is_no_news_and_what_was_said_after_it_is(tmp_path):
    believed = night(SCHEMA.to_frame(), 19, (CASE, "current"))
    say(tmp_path, row_of(closed(), CASE, {}), now=NIGHT)
    say(tmp_path, row_of(Saying(kind="reopened", case_id=CASE["case_id"]), CASE, {}), now=NIGHT)
    said = read(tmp_path)
    at_open, at_closed, at_reopened = (look(seq=seq) for seq in (-1, 0, 1))
    assert news([(CASE, "closed")], believed, said.head(1), at_open) == ["closed"]
    assert news([(CASE, "closed")], believed, said.head(1), at_closed) == [""]
    assert news([(CASE, "current")], believed, said, at_closed) == ["back"]
    assert news([(CASE, "current")], believed, said, at_reopened) == [""]
    seen_closed = night(SCHEMA.to_frame(), 19, (CASE, "closed"))
    assert news([(CASE, "current")], seen_closed, said, at_reopened) == [""]


def test_a_history_of_an_earlier_version_goes_on_and_what_it_does_not_tell_is_no_news(tmp_path):
    earlier = night(SCHEMA.to_frame(), 18, (CASE, "current")).drop("is_over")
    earlier.write_parquet(tmp_path / BELIEVED)
    kept = read_believed(tmp_path)
    assert kept["is_over"].to_list() == [None]
    assert night(kept, 19, (CASE, "current")).height == 1
    over = CASE | {"ts_end": CASE["ts_start"] + timedelta(hours=3)}
    assert news([(over, "current")], kept, SAYINGS.to_frame(), look(day=date(2026, 3, 18))) == [""]
    ended = night(night(SCHEMA.to_frame(), 18, (CASE, "current")), 19, (over, "current"))
    assert ended.select("day", "is_over").rows() == [(date(2026, 3, 18), False), (date(2026, 3, 19), True)]
    assert ended.schema == pl.Schema(SCHEMA)
