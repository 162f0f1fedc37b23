"""Is the gauge itself well? Evidence: by hand."""

import numpy as np
import polars as pl
import pytest

from pipeline.features.probe import StuckSpan, probe_days, without_spans
from tests.support.hand_site import at
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of

HOURS = np.arange(0.0, 48.0, 0.1)


def days(level_mm, *, hours=HOURS, bad_h=(), rest_s: float = np.inf):
    """The health of a gauge read each six minutes; at hours `bad_h` stand rows that cannot be used."""
    series = gauge_of(hours, level_mm, nominal_s=360.0)
    rows = [{"ts": at(float(hour)), "level_mm": 5.0, "quality": "good"} for hour in hours]
    rows += [{"ts": at(hour), "level_mm": None, "quality": "bad"} for hour in bad_h]
    frame = pl.DataFrame(rows, schema={"ts": pl.Datetime("us", "UTC"), "level_mm": pl.Float64, "quality": pl.String})
    return probe_days(frame, series, np.full(len(hours), rest_s))


def test_scatter_is_of_one_reading_and_at_rest_alone():
    """Steps of 1 mm up and down by turns: 1.4826 ÷ √2 of them. With a hose open nothing is told."""
    level = 1_000.0 + 0.5 * (-1.0) ** np.arange(len(HOURS))
    told = days(level)
    assert [one.day - FIRST_DAY for one in told] == [0, 1]
    assert told[0].scatter_mm == pytest.approx(1.4826 / np.sqrt(2.0))
    assert np.isnan(days(level, rest_s=0.0)[0].scatter_mm)
    assert (told[0].readings, told[0].bad_share, told[0].hops) == (240, 0.0, 0)
    assert told[0].regular_share == 1.0


def test_rows_lost_are_a_share_of_all():
    told = days(1_000.0, bad_h=[1.05 + 0.1 * number for number in range(60)])
    assert told[0].bad_share == pytest.approx(60 / 300)
    assert told[1].bad_share == 0.0


def test_a_tank_that_was_not_filled_yet_loses_no_readings():
    """Zeros before its first fill are none lost; zeros after it are."""
    zeros = pl.DataFrame(
        [{"ts": at(hour), "level_mm": 0.0, "quality": "good"} for hour in (1.0, 2.0, 30.0)],
        schema={"ts": pl.Datetime("us", "UTC"), "level_mm": pl.Float64, "quality": pl.String},
    )
    series = gauge_of(HOURS[HOURS > 20.0], 1_000.0, nominal_s=360.0)
    told = probe_days(zeros, series, np.full(len(series), np.inf))
    assert [one.bad_share for one in told] == [0.0, 1.0]


def test_the_longest_silence_reaches_to_the_day_s_ends():
    kept = HOURS[(HOURS < 10.0) | (HOURS > 13.0)]
    assert days(1_000.0, hours=kept)[0].gap_h == pytest.approx(3.2, abs=0.11)
    early = HOURS[HOURS < 20.0]
    assert days(1_000.0, hours=early)[0].gap_h == pytest.approx(24.0 - 19.9)


def test_a_reading_that_leaves_and_comes_back_hops():
    rng = np.random.default_rng(1)
    level = 1_000.0 + rng.normal(0.0, 0.1, len(HOURS))
    level[[50, 90]] += 40.0
    level[150:] -= 40.0
    told = days(level)
    assert (told[0].hops, told[1].hops) == (2, 0)


def test_the_resolution_is_the_smallest_step():
    told = days(1_000.0 + 0.5 * np.round(np.sin(HOURS) * 6.0))
    assert told[0].resolution_mm == pytest.approx(0.5)


def test_readings_inside_a_span_are_left_out_and_its_edges_with_them():
    series = gauge_of(np.arange(10.0), 1_000.0 + np.arange(10.0))
    span = StuckSpan(float(at_s(3.0)), float(at_s(5.0)), 9.0, float(at_s(4.0)), 5.0)
    assert without_spans(series, [span]).level_mm.tolist() == [1_000.0, 1_001, 1_002, 1_006, 1_007, 1_008, 1_009]
    assert without_spans(series, []) is series
