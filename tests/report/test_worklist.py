"""Kind of evidence: known truth by construction: a few cases whose order, words and sums are plain to see."""

import math
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.report import links
from pipeline.report.tables import Tables
from pipeline.report.worklist import bar, headline, lettered, ranked

AS_OF = date(2026, 3, 31)
START = datetime(2026, 3, 20, 1, 30, tzinfo=UTC)


def case(case_id, cause="tank_leak", **changes):
    row = {
        "case_id": case_id, "cause": cause, "site_id": "S", "tank_id": "T1", "meter_id": None, "delivery_id": None,
        "ts_start": START, "ts_end": None, "raised_on": date(2026, 3, 21), "litres": -100.0, "litres_low": -120.0,
        "litres_high": -80.0, "probability": 0.9, "urgency": "today", "action": "look", "summary": "seen",
        "rate_l_per_h": None, "meter_error_pct": None,
    }  # fmt: skip
    return row | changes


def rank(*cases, prices=None, **more):
    frames = {
        "sites": pl.DataFrame(
            [("S", "Harbour", "Europe/Berlin", "EUR"), ("R", "Mill", "nowhere", "EUR")],
            schema=["site_id", "name", "timezone", "currency"], orient="row",
        ),
        "tanks": pl.DataFrame(
            [("T1", "S", "diesel_b7"), ("T2", "S", "gasoline_e10"), ("T9", "R", "kerosene")],
            schema=["tank_id", "site_id", "product"], orient="row",
        ),
        "meter_feeds": pl.DataFrame(
            [("M", "T2", START), ("M", "T1", START + timedelta(1))],
            schema=["meter_id", "tank_id", "valid_from"], orient="row",
        ),
        "cases": pl.DataFrame(list(cases), infer_schema_length=None),
    } | ({"prices": prices} if prices is not None else {}) | more  # fmt: skip
    return ranked(Tables.of(frames), links.page_names(["T1", "T2", "T9"]), AS_OF)


def order(cases):
    return [c.row["case_id"] for c in cases]


def test_urgency_comes_first_then_what_is_at_stake_times_how_likely():
    found = rank(
        case("watch", urgency="watch", litres=-9000.0),
        case("unlikely", litres=-300.0, probability=0.2),
        case("likely", litres=-100.0, probability=0.9),
        case("now", urgency="act_now", litres=-1.0),
        case("week", urgency="this_week", litres=-9000.0),
    )
    assert order(found) == ["now", "likely", "unlikely", "week", "watch"]


def test_what_is_long_over_comes_last_and_is_not_counted():
    end = datetime(2026, 3, 16, 12, tzinfo=UTC)
    over = {"ts_start": end - timedelta(days=1), "ts_end": end, "urgency": "act_now", "litres": -900.0}
    over |= {"litres_low": -910.0, "litres_high": -890.0}
    found = rank(
        case("long over", cause="bulk_theft", **over, raised_on=date(2026, 3, 16)),
        case("came to light", cause="bulk_theft", **over, raised_on=date(2026, 3, 17)),
        case("goes on", cause="clock_skew", urgency="watch", litres=None),
    )
    assert [(c.row["case_id"], c.state) for c in found] == [
        ("came to light", "current"), ("goes on", "current"), ("long over", "past"),
    ]  # fmt: skip
    assert headline(found)[0] == "One thing needs someone today."
    assert headline(found)[1][0].startswith("900\u202fl (890 to 910)")


LONG_OVER = {
    "ts_start": datetime(2026, 1, 10, tzinfo=UTC), "ts_end": datetime(2026, 1, 17, tzinfo=UTC),
    "raised_on": date(2026, 1, 12), "urgency": "act_now",
}  # fmt: skip
DANGERS = ["tank_leak", "line_leak", "water_ingress", "phase_separation", "wrong_product"]


@pytest.mark.parametrize("cause", DANGERS)
def test_no_danger_leaves_the_list_because_days_went_by(cause):
    (found,) = rank(case("old", cause, **LONG_OVER))
    assert (found.state, found.state_words) == ("current", "nothing more seen, not closed")
    assert headline([found])[0] == "One thing needs someone today."


@pytest.mark.parametrize("cause", [*DANGERS, "bulk_theft"])
@pytest.mark.parametrize(("verdict", "words"), [("confirmed", "so it was"), ("ruled_out", "so it was not")])
def test_a_verdict_closes_a_case_and_the_last_one_counts(cause, verdict, words):
    verdicts = pl.DataFrame(
        [(0, "old", "ruled_out", date(2026, 3, 1), None), (1, "old", verdict, date(2026, 3, 2), "Ines")],
        schema={"seq": pl.Int32, "case_id": pl.String, "verdict": pl.String, "learned_on": pl.Date, "who": pl.String},
        orient="row",
    ).with_columns(kind=pl.lit("closed"))
    open_one, found = rank(case("old", cause), case("other"), sayings=verdicts)
    assert open_one.row["case_id"] == "other"
    assert (found.state, found.state_words) == ("closed", f"closed on 2 Mar 2026 by Ines: {words}")


@pytest.mark.parametrize(("now_mm", "state"), [(152.0, "current"), (7.5, "past")])
def test_water_is_gone_when_the_float_is_back_where_it_was(now_mm, state):
    at = datetime(2026, 3, 31, 10, 5, tzinfo=UTC)
    before = LONG_OVER["ts_start"]
    ledger = pl.DataFrame({"tank_id": ["T1"], "ts_start": [before - timedelta(hours=1)], "ts_end": [before],
                           "water_end_mm": [6.0]})  # fmt: skip
    last = pl.DataFrame({"tank_id": ["T1"], "ts": [at], "water_mm": [now_mm]})
    (found,) = rank(case("split", "phase_separation", **LONG_OVER), ledger=ledger, last_readings=last)
    assert found.state == state
    if state == "past":
        words = found.state_words.replace("\u202f", " ")
        assert words == "gone: water at 8 mm on 31 Mar 2026, 12:05, 6 mm before it began"


def test_a_leak_is_gone_when_a_tightness_test_was_passed_after_it():
    test = {"event_id": ["e"], "ts": [datetime(2026, 1, 20, 9, tzinfo=UTC)], "site_id": ["S"], "tank_id": ["T1"],
            "kind": ["tightness_test_passed"]}  # fmt: skip
    (found,) = rank(case("leak", **LONG_OVER), events=pl.DataFrame(test))
    assert (found.state, found.state_words) == ("past", "gone: a tightness test was passed on 20 Jan 2026, 10:00")
    (before,) = rank(
        case("leak", **LONG_OVER | {"ts_end": datetime(2026, 1, 21, tzinfo=UTC)}), events=pl.DataFrame(test)
    )
    assert before.state == "current"


def test_a_case_stands_on_every_tank_that_it_touches():
    joined = pl.DataFrame(
        [("T1", "S", "P"), ("T2", "S", "P"), ("T9", "S", None)], schema=["tank_id", "site_id", "manifold_id"],
        orient="row",
    )  # fmt: skip
    told = pl.DataFrame({"case_id": ["fed"], "seq": [0], "name": ["the level that falls with its sales is that of T9"]},
                        schema_overrides={"seq": pl.Int32})  # fmt: skip
    found = {c.row["case_id"]: c for c in rank(case("leak"), case("fed", "wrong_feed"), tanks=joined, evidence=told)}
    assert found["leak"].tanks == ("T1", "T2")
    assert found["leak"].pool == "one pool with T2"
    assert found["fed"].tanks == ("T1", "T2", "T9")


def test_hours_of_the_day_are_those_of_the_site():
    (found,) = rank(case("draws", "slow_theft"))
    row = {"name": "usual hour, UTC", "value": 1.5, "unit": "h"}
    (told,) = found.evidence([row])
    assert (told["name"], told["clock"]) == ("usual hour", "02:30")


def test_a_sale_at_risk_goes_before_litres_of_the_same_urgency():
    found = rank(case("leak", litres=-5000.0), case("split", cause="phase_separation", litres=None))
    assert order(found) == ["split", "leak"]


def test_misbooked_litres_are_nothing_at_stake():
    found = rank(case("booked", cause="wrong_feed", litres=9000.0), case("lost", litres=-10.0))
    assert order(found) == ["lost", "booked"]
    assert found[1].litres_words == "misbooked"
    assert found[1].money is None


def test_prices_turn_litres_into_money_by_tank_and_else_by_product():
    prices = pl.DataFrame(
        {
            "tank_id": ["T1", None],
            "product": ["diesel_b7", "gasoline_e10"],
            "price": [2.0, 1.5],
            "currency": ["EUR", "EUR"],
        }
    )
    first, second = rank(case("a"), case("b", tank_id="T2"), prices=prices)
    assert (first.money_text, second.money_text) == ("EUR 200", "EUR 150")
    assert headline([first, second])[1][1] == "At the latest selling prices that is EUR 350."
    (alone,) = rank(case("c", tank_id="T9"), prices=prices)
    assert alone.money_text == ""


def test_the_headline_counts_what_is_due_and_adds_up_what_is_lost():
    found = rank(
        case("a", litres=-1000.0, litres_low=-1300.0, litres_high=-700.0),
        case("b", litres=-1310.0, litres_low=-1710.0, litres_high=-910.0, urgency="act_now"),
        case("gain", litres=500.0, litres_low=400.0, litres_high=600.0, cause="over_delivery", urgency="watch"),
        case("booked", litres=9000.0, litres_low=None, litres_high=None, cause="wrong_feed", urgency="watch"),
    )
    first, more = headline(found)
    half = math.hypot(300.0, 400.0)
    assert (2310.0 - half, 2310.0 + half) == (1810.0, 2810.0)
    assert first == "2 things need someone today."
    assert more[0].replace("\u202f", " ") == "2 310 l (1 810 to 2 810) missing at 1 site, the current losses added up."


@pytest.mark.parametrize(
    ("cases", "words"),
    [
        ([], "Nothing needs anyone today."),
        ([case("a", urgency="watch")], "Nothing needs anyone today."),
        ([case("a")], "One thing needs someone today."),
    ],
)
def test_the_headline_of_few(cases, words):
    assert headline(rank(*cases) if cases else [])[0] == words


def test_a_loss_is_said_without_a_sign_and_an_unsure_one_with_both():
    sure, unsure = rank(case("a"), case("b", litres=-10.0, litres_low=-50.0, litres_high=30.0))
    assert (sure.litres_size, sure.litres_words, sure.litres_span) == ("100\u202fl", "lost", "80 to 120")
    assert (unsure.litres_size, unsure.litres_span) == ("\u221210\u202fl", "\u221250 to +30")
    assert unsure.litres_words == "or nothing"


def test_a_case_stands_on_its_tank_else_its_meters_else_its_sites_tanks():
    by_id = {
        c.row["case_id"]: c
        for c in rank(
            case("tank"),
            case("meter", cause="meter_drift", tank_id=None, meter_id="M"),
            case("site", cause="clock_skew", tank_id=None, litres=None),
            case("lost", tank_id=None, site_id="unknown"),
        )
    }
    assert {i: c.tanks for i, c in by_id.items()} == {
        "tank": ("T1",), "meter": ("T2", "T1"), "site": ("T1", "T2"), "lost": (),
    }  # fmt: skip
    assert by_id["meter"].href == "tanks/T2.html#case-meter"
    assert by_id["lost"].href == "other.html#case-lost"
    assert by_id["site"].places == ["the whole site"]


def test_times_are_those_of_the_site_and_a_case_goes_on_to_the_last_data():
    open_case, short = rank(case("a"), case("b", ts_end=START + timedelta(minutes=35), litres=-1.0))
    assert open_case.since_long == "20 Mar 2026, 02:30; still going on"
    assert open_case.window == {"start": "2026-03-20 02:30", "end": "2026-04-01 01:59"}
    assert short.lasting.replace("\u202f", " ") == "lasted 35 min"


def test_letters_go_on_after_z():
    letters = [k for k, _ in lettered([None] * 54)]
    assert letters[0] == "A"
    assert letters[25:28] == ["Z", "AA", "AB"]
    assert letters[-1] == "BB"
    assert len(set(letters)) == 54


def test_an_interval_is_drawn_to_scale_and_cut_off_at_its_ends():
    assert bar(0.5, 0.0, 5.0, (-1.0, 1.0)) == {"at": 75.0, "low": 50.0, "high": 100.0, "zero": 50.0}
    assert bar(None, None, None, (-1.0, 1.0)) is None
