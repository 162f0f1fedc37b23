"""What a gauge's reporting hides. Evidence: known truth by construction."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.features.reporting import UNKNOWN_MM, Reporting, most_hidden_mm, reporting_of

START = datetime(2026, 1, 5, tzinfo=UTC)
FIRST_DAY = 20_458
DAYS = 9


def readings(*, deadband_mm: float, resolution_mm: float, snapshot: bool, seed: int = 0) -> pl.DataFrame:
    """A level read each minute with 0.15 mm of noise, falling by day, at rest by night, reported beyond a deadband."""
    rng = np.random.default_rng(seed)
    minute = np.arange(DAYS * 1440)
    selling = (minute % 1440 > 360) & (minute % 1440 < 1320) & (rng.random(len(minute)) < 0.1)
    level = 1_900.0 - np.cumsum(np.where(selling, rng.uniform(0.5, 3.0, len(minute)), 0.0))
    level = np.round((level + rng.normal(0.0, 0.15, len(minute))) / resolution_mm) * resolution_mm
    kept, held = [0], level[0]
    for place in range(1, len(level)):
        if abs(level[place] - held) > deadband_mm or place - kept[-1] >= 240:
            kept.append(place)
            held = level[place]
    rows = np.array(kept) if not snapshot else np.array(kept)[np.searchsorted(kept, minute, "right") - 1]
    stamps = minute if snapshot else rows
    return pl.DataFrame(
        {
            "ts": [START + timedelta(minutes=int(one)) for one in stamps],
            "level_mm": level[rows],
            "quality": pl.repeat("good", len(rows), eager=True),
        }
    ).with_columns(pl.col("ts").cast(pl.Datetime("us", "UTC")))


@pytest.mark.parametrize("snapshot", [False, True])
@pytest.mark.parametrize("deadband_mm", [0.25, 0.5, 1.0, 2.0])
def test_a_deadband_shows_in_what_it_lets_through(deadband_mm, snapshot):
    """Neighbouring values differ by the deadband at least, and seldom by much more."""
    found = reporting_of(readings(deadband_mm=deadband_mm, resolution_mm=0.01, snapshot=snapshot))
    assert deadband_mm <= found.hidden_on(FIRST_DAY + DAYS - 1) < 1.4 * deadband_mm + 0.05


@pytest.mark.parametrize("resolution_mm", [0.01, 0.1, 1.0])
def test_without_one_the_resolution_shows(resolution_mm):
    found = reporting_of(readings(deadband_mm=0.0, resolution_mm=resolution_mm, snapshot=False))
    assert found.hidden_on(FIRST_DAY + 5) == pytest.approx(resolution_mm, abs=0.02)


def test_a_value_holds_as_long_as_a_heartbeat():
    found = reporting_of(readings(deadband_mm=2.0, resolution_mm=0.1, snapshot=False))
    assert found.hold_on(np.array([FIRST_DAY + 8])) == pytest.approx([240 * 60.0])


def test_later_days_change_nothing():
    """Property."""
    rows = readings(deadband_mm=0.5, resolution_mm=0.1, snapshot=False)
    whole = reporting_of(rows)
    part = reporting_of(rows.filter(pl.col("ts") < START + timedelta(days=5)))
    np.testing.assert_array_equal(part.hidden_mm, whole.hidden_mm[:5])
    np.testing.assert_array_equal(part.hold_s, whole.hold_s[:5])


def test_a_gauge_that_was_never_read_is_unknown():
    found = reporting_of(readings(deadband_mm=0.5, resolution_mm=0.1, snapshot=False).clear())
    assert np.isnan(found.hidden_on(FIRST_DAY))
    assert found.hold_on(np.array([FIRST_DAY])) == pytest.approx([7200.0])


def test_joined_tanks_hide_what_the_coarsest_of_their_gauges_hides():
    fine, coarse = (Reporting(np.array([FIRST_DAY]), np.array([mm]), np.array([7200.0])) for mm in (0.2, 1.5))
    assert most_hidden_mm([fine, coarse], FIRST_DAY) == 1.5
    assert most_hidden_mm([fine, coarse], FIRST_DAY - 1) == UNKNOWN_MM  # nothing was known yet
