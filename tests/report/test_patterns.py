"""Kind of evidence: known truth. What follows a haulier, an hour, a weekday or a hose is named, with cautious words."""

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from pipeline.report.fleet import Fleet
from pipeline.report.patterns import odds, patterns_page
from pipeline.report.tables import Tables
from tests.support.report_frames import TS, build_frames, last_day

DAYS = 60
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture(scope="module")
def sound():
    """A fleet in which nothing follows anything: drops by any haulier and vehicle, and what is missing is noise."""
    frames = build_frames(tank_count=8, days=DAYS)
    rng = np.random.default_rng(3)
    n = frames["deliveries"].height
    frames["deliveries"] = frames["deliveries"].with_columns(
        carrier=pl.Series(rng.choice(["Brook", "Tern", "Westline"], n)), vehicle=pl.Series(rng.choice(["V1", "V2"], n))
    )
    days = frames["tank_days"].select("tank_id", "trading_day")
    frames["variance_parts"] = days.with_columns(part=pl.lit("residual"), litres=pl.Series(rng.normal(0, 9, len(days))))
    frames["hose_days"] = frames["hose_days"].with_columns(
        sold_l=pl.col("sold_l") * pl.Series(rng.uniform(0.4, 1.6, frames["hose_days"].height))
    )
    frames["drop_left"] = frames["drop_left"].with_columns(left_l=pl.Series(rng.normal(0, 20, n)))
    frames["draws"] = frames["draws"].clear()
    frames["cases"] = frames["cases"].clear()
    return frames


def found(frames):
    page = patterns_page(Fleet.of(Tables.of(frames), last_day(DAYS)))
    return {(r["dimension"], r["name"]) for r in page["rows"] if r["stands_out"]}, page


def test_of_a_sound_fleet_nothing_is_named_and_what_cannot_be_asked_is_said(sound):
    named, page = found(sound)
    assert named == set()
    assert page["line"].startswith("Nothing stands out from chance.")
    assert page["missing"] == ["Terminal", "Hour of draws"]  # one terminal for all, and no draw


def test_a_haulier_that_brings_too_little_is_named_and_no_other(sound):
    brought = dict(sound["deliveries"].select("delivery_id", "carrier").rows())
    short = sound["drop_left"]["delivery_id"].replace_strict(brought) == "Tern"
    left = sound["drop_left"].with_columns(left_l=pl.col("left_l") - pl.when(short).then(60.0).otherwise(0.0))
    named, page = found(sound | {"drop_left": left})
    assert ("haulier", "Tern") in named
    assert not [one for one in named if "Tern" not in one[1]]
    row = next(r for r in page["rows"] if (r["dimension"], r["name"]) == ("haulier", "Tern"))
    assert row["litres"] > 0


def test_a_weekday_and_a_hose_that_lose_are_named(sound):
    parts = sound["variance_parts"].with_columns(
        litres=pl.col("litres") - pl.when(pl.col("trading_day").dt.weekday() == 6).then(25.0).otherwise(0.0)
    )
    assert found(sound | {"variance_parts": parts})[0] == {("weekday", "Sat")}
    own = sound["hose_days"].filter(meter_id="S01-T1-M1").select("tank_id", "trading_day", more="sold_l")
    lost = sound["variance_parts"].join(own, on=["tank_id", "trading_day"], how="left").select(
        "tank_id", "trading_day", "part", litres=pl.col("litres") - 0.06 * pl.col("more").fill_null(0.0)
    )  # fmt: skip
    named, _ = found(sound | {"variance_parts": lost})
    assert ("hose", "S01-T1-M1, S01-T1") in named


def draws(hours):
    """Draws at rest at a tank in Berlin, one a day at the hour of its clock."""
    at = [datetime(2026, 1, 20, h, 20, tzinfo=BERLIN) + timedelta(days=i) for i, h in enumerate(hours)]
    return pl.DataFrame(
        [("S02-T1", t, t + timedelta(minutes=5), -40.0, 1.0, "at rest") for t in at],
        schema={"tank_id": pl.String, "ts_start": TS, "ts_end": TS, "litres": pl.Float64, "sd_l": pl.Float64,
                "kind": pl.String}, orient="row",
    )  # fmt: skip


def test_an_hour_counts_against_the_hours_in_which_a_draw_could_be_seen(sound):
    """Six of eight at one hour are a pattern; where the tank rests in that hour alone they are none."""
    own = draws([2] * 6 + [3, 1])
    assert found(sound | {"draws": own})[0] == {("hour", "2:00")}
    local = pl.col("ts_start").dt.convert_time_zone("Europe/Berlin").dt.hour()
    rests = sound["ledger"].with_columns(is_quiet=local.is_between(1, 3) & (local == 2) | local.is_in([1, 3]) & False)
    assert found(sound | {"draws": draws([2] * 6), "ledger": rests})[0] == set()


def test_the_same_data_give_the_same_page_and_it_accuses_nobody(sound, report):
    assert found(sound)[1] == found(sound)[1]
    words = re.sub(r"\s+", " ", (report / "patterns.html").read_text(encoding="utf-8"))
    assert "A pattern is not a cause and nobody&#39;s guilt." in words or "nobody's guilt" in words


@pytest.mark.parametrize(
    ("chance", "words"),
    [(1.0, "every other time or more"), (0.25, "one time in 4"), (0.0035, "one time in 290"),
     (1e-7, "one time in 10\u202f000\u202f000")],
)  # fmt: skip
def test_odds_are_said_in_round_numbers(chance, words):
    assert odds(chance) == words
