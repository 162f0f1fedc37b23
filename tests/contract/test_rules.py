"""Rules over several columns or rows. Evidence: a row that keeps and one that breaks each; a naive twin."""

from datetime import UTC, date, datetime, timedelta
from itertools import combinations

import numpy as np
import polars as pl
import pytest

from pipeline.contract import rules

EARLY, LATE = datetime(2026, 1, 5, tzinfo=UTC), datetime(2026, 1, 6, tzinfo=UTC)


def told(rule: pl.Expr, *records: dict) -> list[bool | None]:
    return pl.DataFrame(list(records)).select(rule.alias("holds"))["holds"].to_list()


def test_what_ends_ends_no_sooner_than_it_began():
    spans = [{"ts_start": EARLY, "ts_end": end} for end in (LATE, EARLY, datetime(2026, 1, 4, tzinfo=UTC), None)]
    assert told(rules.ends_after_start(), *spans) == [True, True, False, None]


def test_a_meter_draws_once_at_a_time():
    """Of sales alike in all but their identifier the first stays; two on the same minute without duration both do."""
    alike = {"meter_id": "M1", "ts_start": EARLY, "ts_end": LATE, "volume_l": 40.0}
    others = [{"meter_id": "M2"}, {"volume_l": 40.01}, {"ts_start": EARLY + timedelta(seconds=1)}]
    rows = [{**alike, **other, "sale_id": f"s{k}"} for k, other in enumerate([*others, {}, {}])]
    at_once = [{**alike, "ts_end": EARLY, "sale_id": f"t{k}"} for k in range(2)]
    assert told(rules.drawn_once(), *reversed(rows), *at_once) == [False, True, True, True, True, True, True]


def test_what_holds_holds_for_some_time():
    spans = [{"valid_from": EARLY, "valid_to": end} for end in (LATE, EARLY, None)]
    assert told(rules.valid_to_after_valid_from(), *spans) == [True, False, None]


def test_a_cap_says_how_deep_it_is():
    ends = [("flat", None), ("spherical_cap", 90.0), ("spherical_cap", None)]
    assert told(rules.cap_depth_given(), *({"end_shape": a, "end_depth_mm": b} for a, b in ends)) == [True, True, False]


def test_an_interval_holds_its_point():
    rows = [{"low": a, "point": b, "high": c} for a, b, c in ((1, 2, 3), (2, 2, 2), (3, 2, 4), (1, 4, 3), (None, 2, 3))]
    assert told(rules.interval_holds("low", "point", "high"), *rows) == [True, True, False, False, None]


def test_a_cause_without_litres_gives_none():
    rows = [{"cause": a, "litres": b} for a, b in (("x", None), ("x", 1.0), ("y", 1.0))]
    assert told(rules.litres_only_where_meant(("x",)), *rows) == [True, False, True]


def test_a_case_is_raised_no_sooner_than_it_began_and_a_month_is_its_first_day():
    rows = [{"ts_start": LATE, "raised_on": day} for day in (date(2026, 1, 6), date(2026, 1, 5))]
    assert told(rules.raised_after_start(), *rows) == [True, False]
    assert told(rules.first_of_month(), {"month": date(2026, 1, 1)}, {"month": date(2026, 1, 2)}) == [True, False]


@pytest.mark.parametrize(
    ("litres", "kept"),
    [
        ([0, 10, 20, 30], [1, 1, 1, 1]), ([0, 10, 10, 30], [1, 1, 1, 1]), ([0, 10, 5, 30], [1, 0, 1, 1]),
        ([0, 90, 20, 30], [1, 0, 1, 1]), ([30, 20, 10, 0], [0, 0, 0, 0]), ([5, 5, 5], [0, 0, 0]), ([7], [0]),
    ],
)  # fmt: skip
def test_a_chart_keeps_the_rows_that_rise(litres, kept):
    chart = [
        {"tank_id": "T1", "valid_from": EARLY, "level_mm": 10.0 * row, "volume_l": float(one)}
        for row, one in enumerate(litres)
    ]
    assert told(rules.chart_rises(), *chart) == [bool(one) for one in kept]


LEVELS = np.arange(0.0, 2_001.0, 50.0)
LYING = (
    6.0
    * 1e-3
    * (
        1_000.0**2 * np.arccos(1.0 - LEVELS / 1_000.0)
        - (1_000.0 - LEVELS) * np.sqrt(np.maximum(2_000.0 * LEVELS - LEVELS**2, 0.0))
    )
)
"""Litres of a lying cylinder of 2 m across and 6 m: the segment's area times the length."""
STRAKES = np.interp(LEVELS, [0.0, 1_000.0, 2_000.0], [0.0, 3_000.0, 12_000.0])
"""A tank that is three times as wide above its middle."""


def smooth_rows(litres) -> list[int]:
    """Places of the rows that are refused."""
    chart = [
        {"tank_id": "T1", "valid_from": EARLY, "level_mm": mm, "volume_l": one}
        for mm, one in zip(LEVELS.tolist(), np.asarray(litres, dtype=float).tolist(), strict=True)
    ]
    return [place for place, holds in enumerate(told(rules.chart_smooth(), *chart)) if not holds]


@pytest.mark.parametrize("chart", [LYING, STRAKES, np.round(LYING, -1), np.round(LYING, -2), 1.03 * LYING])
def test_a_chart_without_slips_keeps_every_row(chart):
    assert smooth_rows(chart) == []


@pytest.mark.parametrize("off_l", [200.0, -200.0])
@pytest.mark.parametrize("places", [[8], [8, 11], [2, 20, 38], list(range(4, 36, 5))])
def test_rows_that_their_neighbours_do_not_bear_out_are_refused_and_no_other(off_l, places):
    """Between its own neighbours each still rises; every other one is off to the other side."""
    litres = LYING.copy()
    litres[places] += off_l * np.where(np.arange(len(places)) % 2, -1.0, 1.0)
    assert smooth_rows(litres) == places


def test_a_jump_that_stays_and_a_dent_of_several_rows_are_no_slip_of_one():
    """A chart made of two, or of a tank with a dent: no row of it is known to be bad."""
    assert smooth_rows(LYING + np.where(LEVELS > 900.0, 200.0, 0.0)) == []
    assert smooth_rows(LYING - 120.0 * np.exp(-0.5 * ((LEVELS - 900.0) / 150.0) ** 2)) == []


def test_a_chart_that_is_off_at_every_third_row_is_of_another_kind():
    litres = LYING + np.where(np.arange(len(LEVELS)) % 3 == 1, 200.0, 0.0)
    assert smooth_rows(litres) == []


@pytest.mark.parametrize("values", [[3, 1, 2, 2, 5, 4], [1, 9, 2, 8, 3, 7], [5, 4, 3], [], [2, 2, 2]])
def test_the_longest_rise_is_the_longest_that_never_falls(values):
    """Naive twin: every choice of rows, the longest first."""
    longest = next(
        (count for count in range(len(values), 0, -1) for choice in combinations(values, count)
         if list(choice) == sorted(choice)), 0,
    )  # fmt: skip
    found = rules.longest_rise(values)
    assert len(found) == longest
    assert [values[place] for place in found] == sorted(values[place] for place in found)
    assert found == sorted(found)
