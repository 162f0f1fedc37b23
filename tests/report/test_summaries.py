"""Kind of evidence: known truth by construction, and naive twins of the sums."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.report import summaries
from pipeline.report.tables import Tables


def meter(value, low, high):
    frame = pl.DataFrame(
        {"tank_id": ["T"], "meter_id": ["M"], "day": [date(2026, 3, 1)], "sold_l": [10.0], "error_pct": [value],
         "error_low_pct": [low], "error_high_pct": [high]}
    )  # fmt: skip
    (row,) = summaries.meters(Tables.of({"meter_estimates": frame}), {})
    return row


@pytest.mark.parametrize(
    ("value", "low", "high", "verdict"),
    [
        (0.1, -0.1, 0.3, "within"),
        (0.9, 0.6, 1.2, "short"),
        (-0.9, -1.2, -0.6, "gives"),
        (0.6, 0.3, 0.9, "short_maybe"),
        (-0.6, -0.9, -0.3, "gives_maybe"),
        (0.3, -0.1, 0.7, "likely"),
        (0.3, -0.3, 0.9, "wide"),
        (0.1, None, None, "within"),
    ],
)
def test_a_meters_verdict_follows_its_whole_interval(value, low, high, verdict):
    assert meter(value, low, high)["verdict"] == verdict


def test_meters_are_listed_once_with_their_latest_estimate_the_worst_first(frames):
    rows = summaries.meters(Tables.of(frames), {})
    assert len(rows) == frames["meters"].height
    assert rows[0]["meter_id"] == "S03-T1-M2"
    own = frames["meter_estimates"].filter(pl.col("meter_id") == "S03-T1-M2").sort("day")
    assert rows[0]["error_pct"] == own["error_pct"][-1]
    assert rows[0]["sold_l"] == own["sold_l"][-1]


def left(*rows):
    """Hauliers of drops (haulier, tank, litres left, chart's SD), each of 10 000 l and of 20 l of its own SD."""
    drops = [
        {"tank_id": tank, "drop_id": f"{tank}@{i}", "delivery_id": f"D{i}", "ticket_volume_l": 10_000.0,
         "left_l": litres, "left_sd_l": 20.0, "chart_sd_l": chart_sd}
        for i, (_, tank, litres, chart_sd) in enumerate(rows)
    ]  # fmt: skip
    tickets = [{"delivery_id": f"D{i}", "carrier": row[0], "tank_id": row[1]} for i, row in enumerate(rows)]
    found = summaries.hauliers(Tables.of({"drop_left": pl.DataFrame(drops), "deliveries": pl.DataFrame(tickets)}))
    return {row["name"]: row for row in found}


def test_a_hauliers_mean_is_that_of_what_is_left_of_its_drops():
    """Worked by hand: four drops of 20 l each on one tank, its chart 5 l a drop."""
    row = left(*[("Brook", "T1", litres, 5.0) for litres in (-30.0, -10.0, -30.0, -10.0)])["Brook"]
    assert (row["n"], row["tanks"], row["sum_l"]) == (4, 1, pytest.approx(-80.0))
    assert row["mean_l"] == pytest.approx(-20.0)
    assert row["pct"] == pytest.approx(-0.2)
    assert row["high_l"] - row["mean_l"] == pytest.approx(1.96 * np.sqrt(4 * 20.0**2 + 20.0**2) / 4)


def test_a_hauliers_share_is_of_what_it_ticketed_and_has_the_sign_of_what_came():
    """60 l too many on three tickets of 10,000 l are 0.2 %; another's 150 l too few on three are −0.5 %."""
    found = left(*[("Brook", "T1", 20.0, 0.0)] * 3, *[("Ash", "T2", -50.0, 0.0)] * 3)
    assert {name: (row["sum_l"], row["ticketed_l"], row["pct"]) for name, row in found.items()} == {
        "Brook": (60.0, 30_000.0, pytest.approx(0.2)), "Ash": (-150.0, 30_000.0, pytest.approx(-0.5)),
    }  # fmt: skip
    assert list(found) == ["Ash", "Brook"]


def test_what_a_tanks_chart_leaves_in_doubt_does_not_average_away_over_its_drops():
    """A hundred drops into one tank whose chart is doubtful by 50 l a drop leave the mean doubtful by 50 l."""
    one = left(*[("Brook", "T1", 0.0, 50.0)] * 100)["Brook"]
    many = left(*[("Brook", f"T{i}", 0.0, 50.0) for i in range(100)])["Brook"]
    assert one["high_l"] >= 1.96 * 50.0
    assert many["high_l"] < 0.2 * one["high_l"]


def test_no_named_haulier_is_no_table(frames):
    nameless = frames["deliveries"].with_columns(carrier=pl.lit(None, pl.String))
    assert summaries.hauliers(Tables.of(frames | {"deliveries": nameless})) == []


def gauge(**changes):
    days = [date(2026, 3, 1) + timedelta(days=i) for i in range(9)]
    good = {
        "readings": 1440,
        "bad_share": 0.0,
        "gap_hours": 0.0,
        "deadband_mm": 0.1,
        "is_stuck": False,
        "clock_skew_s": 0.0,
    }
    frame = pl.DataFrame({"day": days}).with_columns(
        tank_id=pl.lit("T"), **{k: pl.lit(v) for k, v in (good | changes).items()}
    )
    (row,) = summaries.gauges(Tables.of({"health": frame}), {})
    return row


@pytest.mark.parametrize(
    ("changes", "states"),
    [
        ({}, ["good"]),
        ({"is_stuck": True}, ["stuck"]),
        ({"gap_hours": 3.0}, ["gappy"]),
        ({"deadband_mm": 1.0}, ["blind"]),
        ({"clock_skew_s": -90.0}, ["late"]),
        ({"bad_share": 0.2}, ["bad"]),
        ({"readings": 0}, ["silent"]),
        ({"is_stuck": True, "gap_hours": 9.0}, ["stuck", "gappy"]),
        ({"deadband_mm": None, "clock_skew_s": None}, ["good"]),
    ],
)
def test_what_is_wrong_with_a_gauge_is_named(changes, states):
    assert gauge(**changes)["states"] == states


def test_only_the_last_seven_days_count_for_a_gauge():
    days = [date(2026, 3, 1) + timedelta(days=i) for i in range(9)]
    frame = pl.DataFrame(
        {
            "tank_id": ["T"] * 9,
            "day": days,
            "is_stuck": [True] * 2 + [False] * 7,
            "gap_hours": [24.0] * 2 + [0.0] * 7,
            "readings": [0] * 2 + [70] * 7,
        }
    )
    (row,) = summaries.gauges(Tables.of({"health": frame}), {})
    assert (row["states"], row["readings"]) == (["good"], 70)


def test_refused_rows_are_counted_by_table_and_reason(frames):
    rows = summaries.refused(Tables.of(frames))
    assert [(r["table"], r["n"], len(r["examples"])) for r in rows] == [
        ("readings", 7, 3),
        ("sales", 2, 2),
        ("deliveries", 1, 1),
    ]
    assert sum(r["n"] for r in rows) == frames["quarantine"].height


def test_a_long_example_is_cut_short():
    frame = pl.DataFrame({"table": ["sales"], "row": ["x" * 9999], "reason": ["too long"]})
    (row,) = summaries.refused(Tables.of({"quarantine": frame}))
    assert len(row["examples"][0]) < 300
