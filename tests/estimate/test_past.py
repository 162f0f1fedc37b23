"""What is kept by day is found only where all that it was computed from is the same. Evidence: property, each input."""

from dataclasses import fields, replace

import numpy as np
import pytest

from pipeline.estimate.kept import Shelf
from pipeline.estimate.learned import learned_noise
from pipeline.estimate.seen_feeds import feeds_between
from pipeline.estimate.seen_steps import steps_of
from pipeline.estimate.site_clocks import Clocked, clocks_of
from pipeline.estimate.whiten import Noise
from pipeline.ledger.drops import Drop
from pipeline.ledger.movements import MeterFlow
from pipeline.ledger.moves import Moves, moves_of
from tests.support.hand_unit import FIRST_DAY, at_s, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS = 14
CHANGED = 5
HOURS = np.arange(0.0, 24.0 * DAYS, 1 / 12) + 0.005
ENDS = np.concatenate([24.0 * day + np.arange(6.0, 20.0, 0.5) for day in range(DAYS)])
SOLD = MeterFlow("M1", at_s(ENDS - 1 / 12), at_s(ENDS), np.full(len(ENDS), 50.0))
LEVEL = 4_000.0 - 10.0 * np.searchsorted(ENDS, HOURS, "right") + np.random.default_rng(2).normal(0.0, 0.1, len(HOURS))
SERIES = gauge_of(HOURS, LEVEL)
NUMBERS = FIRST_DAY + np.arange(DAYS)


def one_more(values: np.ndarray, day: int, more: float | bool) -> np.ndarray:
    """The values, a row a reading or step, with one of a day changed."""
    changed = values.copy()
    place = np.flatnonzero(HOURS[: len(values)] >= 24.0 * day + 9.0)[0]
    changed[place] = ~changed[place] if changed.dtype == bool else changed[place] + more
    return changed


def made_by_clocks(kept: Shelf, series=SERIES, sold=SOLD, drops=()) -> int:
    shelf = Shelf(kept.used)
    clocks_of([Clocked(series, list(drops), [sold])], NUMBERS.tolist(), shelf)
    return shelf.made


def test_a_day_s_clocks_are_told_anew_where_anything_of_it_changes():
    kept = Shelf()
    assert made_by_clocks(kept) == DAYS
    clocks_of([Clocked(SERIES, [], [SOLD])], NUMBERS.tolist(), kept)
    assert made_by_clocks(kept) == 0
    assert made_by_clocks(kept, replace(SERIES, gauge_l=one_more(SERIES.gauge_l, CHANGED, 1e-6))) == 1
    assert made_by_clocks(kept, replace(SERIES, ts_s=one_more(SERIES.ts_s, CHANGED, 1.0))) == 1
    assert made_by_clocks(kept, replace(SERIES, nominal_s=301.0)) == DAYS
    later = SOLD.volume_l.copy()
    later[np.searchsorted(ENDS, 24.0 * CHANGED + 9.0)] += 1.0
    assert made_by_clocks(kept, sold=replace(SOLD, volume_l=later)) == 1
    drop = Drop(float(at_s(24.0 * CHANGED + 3.0)), float(at_s(24.0 * CHANGED + 4.0)), 5_000.0, 500.0)
    assert made_by_clocks(kept, drops=[drop]) == 1


def moves() -> Moves:
    return moves_of(SERIES, [SOLD], [np.ones(len(HOURS))], [])


STEP_ROWS = {"stock_l": 1e-6, "known_s": 1.0, "at_rest": True, "in_drop": True}


@pytest.mark.parametrize("name", STEP_ROWS)
def test_a_day_s_moves_are_sought_anew_where_anything_in_its_look_back_changes(name: str):
    """What lies more than ten days back is not looked at."""
    plain, kept = moves(), Shelf()
    found = steps_of(plain, NUMBERS, {}, SERIES, kept)
    assert kept.made == DAYS
    again = Shelf(kept.used)
    assert steps_of(plain, NUMBERS, {}, SERIES, again) == found
    assert again.made == 0
    for day in (1, CHANGED):
        changed = replace(plain, **{name: one_more(getattr(plain, name), day, STEP_ROWS[name])})
        after = Shelf(kept.used)
        steps_of(changed, NUMBERS, {}, SERIES, after)
        assert after.made == len([one for one in range(DAYS) if day <= one <= day + 10])


FEED_ROWS = {"stock_l": 1e-6, "sold_l": 1e-6, "own": -1e-6, "known_s": 1.0, "in_drop": True, "ts_s": 1.0}


@pytest.mark.parametrize("name", FEED_ROWS)
def test_a_day_s_feeds_are_told_anew_where_anything_of_it_changes(name: str):
    plain, kept = moves(), Shelf()
    spans = [(float(at_s(24.0 * day - 0.5)), float(at_s(24.0 * day + 23.5))) for day in range(DAYS)]
    told = [feeds_between(plain, *span, kept) for span in spans]
    assert kept.made == DAYS
    assert all(list(one) == ["M1"] for one in told)
    after = Shelf(kept.used)
    changed = replace(plain, **{name: one_more(getattr(plain, name), CHANGED, FEED_ROWS[name])})
    for span in spans:
        feeds_between(changed, *span, after)
    assert after.made == 1


HALF_HOURS = 0.5 * np.arange(48 * 10) + 0.25
READ = ("y_l", "columns", "jump_var_l2", "sold_15_l", "leak_h", "vcf", "surface_l_per_mm")


def habits_made(kept: Shelf, balance, noise) -> int:
    shelf = Shelf(kept.used)
    learned_noise(balance, noise, shelf)
    return shelf.made


def test_a_habit_is_learned_anew_from_where_anything_that_it_was_learned_on_changes():
    """On ten days habits are learned after two, four and eight; each hangs on the one before."""
    sold = 30.0 * np.arange(len(HALF_HOURS))[:, None]
    level = 1_600.0 - sold[:, 0] / 50.0
    noise = noise_of(len(HALF_HOURS))
    balance = balance_by(unit_of(gauge_of(HALF_HOURS, level)), dips_of(HALF_HOURS, level, sold))
    balance = replace(balance, y_l=np.random.default_rng(1).normal(0.0, 0.5, len(HALF_HOURS)))
    kept = Shelf()
    plain = learned_noise(balance, noise, kept)
    assert (kept.made, habits_made(kept, balance, noise)) == (3, 0)
    again = learned_noise(balance, noise, Shelf(kept.used))
    assert all(np.array_equal(getattr(again, one.name), getattr(plain, one.name)) for one in fields(Noise))
    for day, made in ((1, 3), (3, 2), (7, 1), (9, 0)):
        for name in (*READ, *(one.name for one in fields(Noise))):
            part = balance if name in READ else noise
            values = getattr(part, name).copy()
            values[48 * day + 7] += 1e-9
            changed = replace(part, **{name: values})
            given = (changed, noise) if part is balance else (balance, changed)
            assert habits_made(kept, *given) == made, (day, name)
