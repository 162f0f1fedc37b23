"""The forest over days: its budget, its drivers, and that it sees no later day. Evidence: known truth, property."""

import numpy as np
import pytest

from pipeline.estimate.kept import Shelf
from pipeline.scoring.forest import ALARM_BUDGET, PERIOD_DAYS, forest_scores, moderated

NAMES = ("residual", "idle", "drop", "water")


def fleet(days: int, tanks: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Standard normal features of a sound fleet, a row a tank and day in order of days."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(days * tanks, len(NAMES))), np.repeat(np.arange(20_000, 20_000 + days), tanks)


def test_a_sound_fleets_alarms_keep_the_budget():
    """Known truth: days are alike, so at most the budget's share is flagged, within its own chance (Poisson, 99 %)."""
    features, day = fleet(90, 30, seed=3)
    scored = forest_scores(features, day, NAMES, ordinary=np.ones(len(day), dtype=bool))
    judged = np.isfinite(scored.score)
    expected = judged.sum() * ALARM_BUDGET
    assert (scored.p[judged] <= ALARM_BUDGET).sum() <= expected + 2.6 * np.sqrt(expected)
    # The whole distribution of p is uniform or above, not its tail alone.
    for share in (0.05, 0.2, 0.5):
        assert (scored.p[judged] <= share).mean() < share + 0.05


def test_an_odd_day_is_flagged_and_its_drivers_named():
    """Known truth: one day is far off in two features, the farther one first."""
    features, day = fleet(60, 20, seed=5)
    row = 50 * 20 + 7
    features[row] = [0.0, -9.0, 0.2, 6.0]
    scored = forest_scores(features, day, NAMES, ordinary=np.ones(len(day), dtype=bool))
    assert scored.p[row] <= ALARM_BUDGET
    assert scored.score[row] == np.nanmax(scored.score)
    assert {name for name, _ in scored.drivers[row]} == {"idle", "water"}
    assert all(drop > 0 for _, drop in scored.drivers[row])


def test_nothing_is_scored_without_a_past():
    features, day = fleet(40, 20, seed=7)
    scored = forest_scores(features, day, NAMES, ordinary=np.ones(len(day), dtype=bool))
    first = day[np.isfinite(scored.score)].min()
    assert first - day.min() == PERIOD_DAYS
    assert np.isnan(scored.p[day < first]).all()
    few = forest_scores(features[:40], day[:40], NAMES, ordinary=np.ones(40, dtype=bool))
    assert np.isnan(few.score).all()


@pytest.mark.parametrize("last", [20_025, 20_034, 20_049])
def test_later_days_change_nothing(last):
    """Property: scores of the days up to any day are those of a run that stops there."""
    features, day = fleet(60, 15, seed=9)
    features[day == 20_055] += 8.0
    ordinary = np.random.default_rng(1).random(len(day)) > 0.1
    whole = forest_scores(features, day, NAMES, ordinary=ordinary)
    cut = day <= last
    part = forest_scores(features[cut], day[cut], NAMES, ordinary=ordinary[cut])
    np.testing.assert_array_equal(part.score, whole.score[cut])
    np.testing.assert_array_equal(part.p, whole.p[cut])


def test_the_same_rows_give_the_same_scores_and_another_seed_others():
    features, day = fleet(30, 15, seed=11)
    ordinary = np.ones(len(day), dtype=bool)
    one, again, other = (forest_scores(features, day, NAMES, ordinary=ordinary, seed=s).score for s in (1, 1, 2))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other, equal_nan=True)


def test_explained_days_are_no_past():
    """Property: what physics explained does not teach the forest that such days are usual."""
    features, day = fleet(60, 20, seed=13)
    odd = np.arange(len(day)) % 10 == 0
    features[odd, 0] = 10.0
    taught = forest_scores(features, day, NAMES, ordinary=np.ones(len(day), dtype=bool))
    spared = forest_scores(features, day, NAMES, ordinary=~odd)
    late = odd & (day > 20_045)
    assert (spared.p[late] <= 0.01).all()
    assert np.median(taught.p[late]) > 0.05


def test_trifles_and_gaps_are_ordinary():
    assert moderated(np.array([[np.nan, 1.4, -1.4, 2.0]])).tolist() == [[0.0, 0.0, 0.0, 0.5]]


def test_periods_that_were_kept_are_scored_as_before_and_the_last_anew():
    """Twin: the same days without anything kept, to the bit."""
    features, day = fleet(4 * PERIOD_DAYS, 30, seed=9)
    features[-40, 1] = 40.0
    ordinary = np.ones(len(day), dtype=bool)
    before = Shelf()
    cut = slice(0, -30)
    forest_scores(features[cut], day[cut], NAMES, ordinary=ordinary[cut], periods=before)
    after = Shelf(before.used)
    kept = forest_scores(features, day, NAMES, ordinary=ordinary, periods=after)
    plain = forest_scores(features, day, NAMES, ordinary=ordinary)
    assert (before.made, after.made, len(after.used)) == (3, 1, 3)
    assert kept.score.tobytes() == plain.score.tobytes()
    assert kept.p.tobytes() == plain.p.tobytes()
    assert kept.drivers == plain.drivers
    assert len(kept.drivers) >= 1
