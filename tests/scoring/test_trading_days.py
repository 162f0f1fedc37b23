"""Trading days: lengths where clocks change, whose day an instant is. Evidence: published value, naive twin."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.features.trading_days import trading_days

# Rules in force: EU Directive 2000/84/EC (last Sundays of March and October, 01:00 UTC); US Energy Policy Act of 2005,
# section 110 (second Sunday of March, first of November, 02:00 local); New South Wales Standard Time Act 1987 (first
# Sundays of April and October); Lord Howe Island moves its clocks by half an hour (the same Act).
LENGTHS = [
    ("Europe/Berlin", "00:00", date(2026, 3, 29), 23.0),
    ("Europe/Berlin", "00:00", date(2026, 10, 25), 25.0),
    ("Europe/Berlin", "06:00", date(2026, 3, 28), 23.0),
    ("Europe/Berlin", "06:00", date(2026, 3, 29), 24.0),
    ("Europe/London", "22:00", date(2026, 10, 24), 25.0),
    ("America/New_York", "00:00", date(2026, 3, 8), 23.0),
    ("America/New_York", "05:00", date(2026, 10, 31), 25.0),
    ("Australia/Sydney", "00:00", date(2026, 4, 5), 25.0),
    ("Australia/Sydney", "00:00", date(2026, 10, 4), 23.0),
    ("Australia/Lord_Howe", "00:00", date(2026, 4, 5), 24.5),
    ("Asia/Dubai", "00:00", date(2026, 3, 29), 24.0),
    ("UTC", "06:00", date(2026, 3, 29), 24.0),
]
ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC", "Asia/Kolkata", "America/St_Johns"]


@pytest.mark.parametrize(("zone", "opens", "day", "hours"), LENGTHS)
def test_a_day_is_as_long_as_the_clocks_make_it(zone, opens, day, hours):
    """Published value: the rules named above."""
    around = datetime.combine(day, time(12), UTC).timestamp()
    days = trading_days(zone, opens, around - 3 * 86_400, around + 3 * 86_400)
    assert days.hours()[days.dates.index(day)] == hours


@given(
    zone=st.sampled_from(ZONES),
    minutes=st.integers(0, 1439),
    first=st.integers(1_767_225_600, 1_790_000_000),
    lasts=st.integers(0, 40 * 86_400),
)
def test_days_follow_each_other_and_cover_the_span(zone, minutes, first, lasts):
    """Property: no gap, no overlap, the first and the last instant inside, local dates in a row."""
    opens = f"{minutes // 60:02}:{minutes % 60:02}"
    days = trading_days(zone, opens, first, first + lasts)
    assert np.all(np.diff(days.bounds_s) > 22 * 3600)
    assert days.bounds_s[0] <= first < days.bounds_s[1]
    assert days.bounds_s[-2] <= first + lasts < days.bounds_s[-1]
    assert all(b - a == timedelta(days=1) for a, b in zip(days.dates, days.dates[1:], strict=False))


@given(
    zone=st.sampled_from(ZONES),
    hour=st.integers(3, 23),
    at=st.integers(1_767_225_600, 1_798_000_000),
)
def test_an_instant_falls_on_the_day_that_the_wall_clock_says(zone, hour, at):
    """Naive twin: before the opening hour it is still the day before. Hours that no clock change touches."""
    days = trading_days(zone, f"{hour:02}:00", at, at)
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    expected = local.date() if local.time() >= time(hour) else local.date() - timedelta(days=1)
    assert days.dates[int(days.index_of(np.array([float(at)]))[0])] == expected


def test_a_day_that_ends_at_midnight_was_seen_by_the_run_of_the_day_before():
    """Contract: a run that stops at a UTC day sees all of that day."""
    first = datetime(2026, 1, 5, 12, tzinfo=UTC).timestamp()
    midnight = trading_days("UTC", "00:00", first, first)
    later = trading_days("UTC", "04:00", first, first)
    number = (date(2026, 1, 5) - date(1970, 1, 1)).days
    assert midnight.run_days().tolist() == [number - 1, number]
    assert later.run_days().tolist() == [number, number + 1]
