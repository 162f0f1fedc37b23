"""Kind of evidence: known truth by construction. Where a case stands by what was said of it, and what is refused."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.contract.lake import Labels
from pipeline.errors import ArgumentError
from pipeline.report.said_text import BACK, LABEL_VERDICTS, NEWS, SAID
from pipeline.said import since
from pipeline.said.sayings import MOST_NOTE_BYTES, SCHEMA, Saying, labels, row_of, standings
from pipeline.said.since import Shown, news_of, shown_of

NIGHT = datetime(2026, 3, 20, 6, tzinfo=UTC)
CASE = {
    "case_id": "tank_leak.T1.2026-03-10", "cause": "tank_leak", "site_id": "S", "tank_id": "T1", "meter_id": None,
    "delivery_id": None, "ts_start": NIGHT - timedelta(days=12), "ts_end": None, "litres": -100.0,
    "litres_low": -120.0, "litres_high": -80.0, "urgency": "today",
}  # fmt: skip
ID = CASE["case_id"]


def record(*said, case=CASE):
    """The record after these were said, an hour apart."""
    rows = [row_of(one, case, {"T1": "S"}) | {"seq": i, "at": NIGHT + timedelta(hours=i)} for i, one in enumerate(said)]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def closed(verdict="confirmed", **more):
    return Saying(kind="closed", case_id=ID, verdict=verdict, learned_on=date(2026, 3, 20), **more)


def stands(*said, **changes):
    case = CASE | changes
    return standings([case], record(*said))[case["case_id"]]


def test_a_case_that_nobody_spoke_of_is_open():
    assert (stands().closed, stands().owner, stands().history) == (None, None, ())


def test_it_is_in_the_hands_of_who_took_it_last_until_it_is_closed():
    ines = Saying(kind="taken", case_id=ID, owner="Ines", due_on=date(2026, 4, 3))
    orr = Saying(kind="taken", case_id=ID, owner="M. Orr")
    assert (stands(ines).owner, stands(ines).due_on) == ("Ines", date(2026, 4, 3))
    assert (stands(ines, orr).owner, stands(ines, orr).due_on) == ("M. Orr", None)
    after = stands(ines, closed())
    assert (after.owner, after.closed["verdict"], len(after.history)) == (None, "confirmed", 2)
    again = stands(closed(), Saying(kind="reopened", case_id=ID), ines)
    assert (again.closed, again.owner) == (None, "Ines")


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"litres": -119.0}, None),  # within the interval at closing
        ({"litres": -121.0, "litres_low": -141.0}, "grew"),
        ({"litres": -10.0}, None),  # less than it was is nothing to come back for
        ({"urgency": "this_week"}, None),
        ({"urgency": "act_now"}, "urgent"),
        ({"litres": None}, None),
    ],
)
def test_a_closed_case_comes_back_only_when_more_has_happened(changes, why):
    found = stands(closed(), **changes)
    assert (found.again, found.closed is None) == (why, why is not None)
    if why:
        assert found.before["verdict"] == "confirmed"
        # Closed once more, it goes by what it was then.
        twice = record(closed()).vstack(record(closed(), case=CASE | changes).with_columns(seq=pl.lit(9, pl.Int32)))
        assert standings([CASE | changes], twice)[ID].closed is not None


def test_gained_litres_grow_upward():
    gain = CASE | {"litres": 50.0, "litres_low": 40.0, "litres_high": 60.0}
    said = record(closed(), case=gain)
    assert standings([gain | {"litres": 61.0}], said)[ID].again == "grew"
    assert standings([gain | {"litres": 20.0}], said)[ID].again is None


def test_a_case_raised_anew_is_open_and_names_the_one_that_was_closed():
    anew = stands(closed("ruled_out"), case_id="tank_leak.T1.2026-03-19")
    assert anew.closed is None
    assert anew.earlier["case_id"] == ID
    for other in ("tank_leak.T1.2026-03-01", "tank_leak.T2.2026-03-19", "line_leak.T1.2026-03-19", "by hand"):
        assert stands(closed("ruled_out"), case_id=other).earlier is None


def test_labels_are_the_closings_that_hold():
    what_it_was = closed(cause="line_leak", litres=-90.0)
    found = labels(record(closed("ruled_out"), what_it_was, Saying(kind="note", case_id=ID, note="dug up")))
    Labels.validate(found)
    assert found.select("label_id", "cause", "verdict", "litres").rows() == [
        (f"V-{ID}", "line_leak", "confirmed", -90.0)
    ]
    assert labels(record(what_it_was, Saying(kind="reopened", case_id=ID))).is_empty()


@pytest.mark.parametrize(
    ("saying", "says"),
    [
        (Saying(kind="shout", case_id=ID), "'shout' cannot be said"),
        (Saying(kind="note", case_id=ID, note=" \n"), "the note is empty"),
        (Saying(kind="note", case_id=ID, note="é" * 10_001), "the note has 20,002 bytes; it may have 20,000"),
        (Saying(kind="taken", case_id=ID, owner=" "), "in whose hands"),
        (Saying(kind="taken", case_id=ID, owner="x" * 201), "a name has 201 characters"),
        (Saying(kind="note", note="to whom"), "say which case"),
        (closed(None), "closed with a verdict: confirmed, ruled_out"),
        (closed("perhaps"), "'perhaps' is no verdict"),
        (closed(cause="gremlins"), "'gremlins' is no cause"),
        (closed(litres=float("nan")), "nan cannot be litres"),
        (closed(litres=-1e9), "cannot be litres"),
        (closed(recovered=-1.0), "-1.0 cannot be money"),
        (closed(recovered=float("inf")), "inf cannot be money"),
    ],
)
def test_what_cannot_be_said_is_refused(saying, says):
    with pytest.raises(ArgumentError, match=says):
        row_of(saying, CASE, {})


def test_what_is_said_of_a_case_that_is_not_there_is_refused():
    with pytest.raises(ArgumentError, match="there is no case gone"):
        row_of(Saying(kind="note", case_id="gone", note="x"), None, {})


def test_a_note_of_the_longest_and_of_what_is_no_character_is_kept_as_it_can_be():
    note = "<b>" + "x" * (MOST_NOTE_BYTES - 3)
    assert row_of(Saying(kind="note", case_id=ID, note=note), CASE, {})["note"] == note
    assert row_of(Saying(kind="note", case_id=ID, note="a\udcffb\0\r\nc"), CASE, {})["note"] == "a?b?\nc"


# -- Since the run before ----------------------------------------------------------------------------


def last(state="current", **changes):
    return Shown(date(2026, 3, 19), {ID: shown_of(CASE | changes, state)})


@pytest.mark.parametrize(
    ("case", "state", "before", "news"),
    [
        ({}, "current", None, ""),  # the first run of all has nothing to compare with
        ({}, "current", Shown(date(2026, 3, 19)), "new"),
        ({}, "past", Shown(date(2026, 3, 19)), ""),
        ({}, "current", last(), ""),
        ({"litres": -121.0, "litres_low": -150.0}, "current", last(), "worse"),
        ({"litres": -119.0}, "current", last(), ""),
        ({"litres": -79.0}, "current", last(), "better"),
        ({"urgency": "act_now"}, "current", last(), "worse"),
        ({"urgency": "watch", "litres": -500.0}, "current", last(), "better"),
        ({"ts_end": NIGHT}, "current", last(), "ended"),
        ({"ts_end": NIGHT}, "current", last(ts_end=NIGHT), ""),
        ({"ts_end": NIGHT}, "past", last(ts_end=NIGHT), "ended"),
        ({"ts_end": NIGHT}, "past", last("past", ts_end=NIGHT), ""),
        ({}, "closed", last(), "closed"),
        ({}, "closed", last("closed"), ""),
        ({"litres": -130.0}, "current", last("closed"), "back"),
        ({"ts_end": None}, "current", last("past", ts_end=NIGHT), ""),
    ],
)
def test_what_is_new_of_a_case(case, state, before, news):
    assert news_of(CASE | case, state, before) == news


def test_all_that_can_be_said_has_words():
    assert tuple(NEWS) == since.NEWS
    assert set(SAID) == {"taken", "taken_by", "note", "file", "closed", "reopened"}
    assert set(BACK) == {"grew", "urgent"}
    assert set(LABEL_VERDICTS) == {"confirmed", "ruled_out"}
