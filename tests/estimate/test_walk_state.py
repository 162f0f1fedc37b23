"""A walk that goes on from where it was kept. Evidence: twins that walk from the first day on; property of its keys."""

from dataclasses import fields, replace

import numpy as np
import pytest

from pipeline.estimate.codec import packed, unpacked
from pipeline.estimate.design import Balance
from pipeline.estimate.walk import walk_days
from pipeline.estimate.walk_state import NO_PAST, Amendment, Given, WalkPast, begun, kept_days, keys_of
from pipeline.estimate.walked import Walk
from pipeline.estimate.whiten import Noise
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS, A_DAY = 24, 12
HOURS = 24.0 * np.repeat(np.arange(DAYS), A_DAY) + np.tile(1.0 + 1.9 * np.arange(A_DAY), DAYS)
MONTHS = {FIRST_DAY + day: FIRST_DAY + 10 * (day >= 10) for day in range(DAYS)}
DROPS = (3 * A_DAY + 4, 15 * A_DAY + 2)
LATE = Amendment(FIRST_DAY + 9, np.where(HOURS > 200.0, 6.0, 0.0))


def balance_with(lost_l: np.ndarray) -> Balance:
    """A tank with one meter and half a litre of noise that loses litres."""
    sold = np.cumsum(40.0 * (HOURS % 24.0 > 6.0))[:, None]
    level = 1_600.0 - 1.0e-3 * sold[:, 0]
    balance = balance_by(unit_of(gauge_of(HOURS, level)), dips_of(HOURS, level, sold))
    return replace(balance, y_l=np.random.default_rng(4).normal(0.0, 0.5, len(HOURS)) - lost_l)


SOUND = balance_with(0.0 * HOURS)
LEAKING = balance_with(2.0 * np.maximum(HOURS - 72.0, 0.0) - 1.2 * np.maximum(HOURS - 360.0, 0.0))
ODD = balance_with(np.where(HOURS > 250.0, 40.0, 0.0) + 9.0 * np.clip(HOURS - 120.0, 0.0, 20.0))


def up_to(balance: Balance, days: int, amendments: tuple[Amendment, ...] = (LATE,)) -> Given:
    """What the run after so many days is given."""
    k = days * A_DAY
    rows = {one.name: getattr(balance, one.name) for one in fields(Balance)}
    cut = {name: value[:k] for name, value in rows.items() if isinstance(value, np.ndarray)}
    seen = tuple(Amendment(one.day, one.litres[:k]) for one in amendments if one.day < FIRST_DAY + days)
    noise = replace(noise_of(k), litres_per_k=np.full(k, 6.0))
    return Given(replace(balance, **cut), noise, MONTHS, tuple(dip for dip in DROPS if dip < k), seen)


def same(one: Walk, other: Walk) -> bool:
    """Whether two walks say the same, to the bit: what is packed is."""
    told = [(walk.views, walk.named, walk.excursions, walk.decoys, walk.candidates.course) for walk in (one, other)]
    (text, parts), (other_text, other_parts) = packed(told[0]), packed(told[1])
    return text == other_text and b"".join(parts) == b"".join(other_parts)


@pytest.mark.parametrize("balance", [SOUND, LEAKING, ODD], ids=["sound", "leaking", "odd"])
def test_night_after_night_is_the_walk_from_the_first_day(balance: Balance):
    past = NO_PAST
    for days in range(6, DAYS + 1):
        given = up_to(balance, days)
        walk, so_far = walk_days(given, past)
        assert len(walk.walked) == (6 if days == 6 else 2)
        text, parts = packed(so_far)
        past = unpacked(WalkPast, text, b"".join(parts))
        if days % 3 == 0:
            assert same(walk, walk_days(given)[0])


def test_a_leak_that_changes_is_gone_on_with():
    """Else the test above would have shown nothing of pieces and holes."""
    walk, past = walk_days(up_to(LEAKING, DAYS))
    (leak,) = walk.named
    assert len(leak.pieces) > 1 and past.checkpoints[-1].holes is not None


WEEK = max(day for day in range(DAYS - 3) if (FIRST_DAY + day) % 7 == 0)


@pytest.mark.parametrize(
    ("changed_day", "walked"),
    [(DAYS - 1, 1), (DAYS - 2, 2), (DAYS - 3, DAYS - 1 - WEEK), (WEEK + 1, DAYS - 1 - WEEK), (WEEK, DAYS), (1, DAYS)],
)
def test_a_changed_day_and_those_after_it_are_walked_again(changed_day: int, walked: int):
    _, past = walk_days(up_to(LEAKING, DAYS))
    litres = np.where(np.arange(len(HOURS)) == changed_day * A_DAY + 5, 0.7, 0.0)
    given = up_to(replace(LEAKING, y_l=LEAKING.y_l + litres), DAYS)
    walk, _ = walk_days(given, past)
    assert len(walk.walked) == walked
    assert same(walk, walk_days(given)[0])


def test_an_amendment_that_comes_later_is_walked_from_its_day_on():
    _, past = walk_days(up_to(SOUND, DAYS))
    more = Amendment(FIRST_DAY + DAYS - 1, np.where(HOURS > 300.0, 11.0, 0.0))
    given = up_to(SOUND, DAYS, (LATE, more))
    walk, _ = walk_days(given, past)
    assert walk.walked == (FIRST_DAY + DAYS - 1,)
    assert same(walk, walk_days(given)[0])


def test_the_newest_days_that_are_over_are_kept_and_a_seventh():
    """By hand: days 100 to 120, of which 119, 118 and the last before them that seven divides, 112."""
    assert kept_days(range(100, 121)) == {112, 118, 119}
    assert kept_days([1, 2]) == {1}
    assert kept_days([1]) == set()


READ_BY_DIP = ("y_l", "columns", "hours", "jump_var_l2", "sold_15_l", "leak_h", "open_h")


@pytest.mark.parametrize("name", [*READ_BY_DIP, *(one.name for one in fields(Noise))])
@pytest.mark.parametrize("day", [4, 11])
def test_one_changed_value_changes_its_day_s_key_and_all_after_it(name: str, day: int):
    given = up_to(LEAKING, DAYS)
    part = given.balance if name in READ_BY_DIP else given.noise
    values = getattr(part, name).copy()
    values.reshape(len(values), -1)[day * A_DAY + 5, -1] += 1e-3
    changed = replace(given, **{"balance" if part is given.balance else "noise": replace(part, **{name: values})})
    before, after = (list(keys_of(one, begun(one)).values()) for one in (given, changed))
    same_days = [one == other for one, other in zip(before, after, strict=True)]
    assert same_days == [number < day for number in range(DAYS)]


def test_what_holds_for_all_days_changes_every_key():
    given = up_to(LEAKING, DAYS)
    plain = given.balance
    prior = replace(plain.prior, sd=1.5 * plain.prior.sd)
    others = [
        replace(given, balance=replace(plain, prior=prior)),
        replace(given, balance=replace(plain, names=("x", *plain.names[1:]))),
        replace(given, balance=replace(plain, meters=("M9",))),
        replace(given, balance=replace(plain, feigned_share=0.01)),
        replace(given, month_start={day: first - 1 for day, first in MONTHS.items()}),
    ]
    keys = keys_of(given, begun(given))
    for other in others:
        assert not set(keys.values()) & set(keys_of(other, begun(other)).values())


def test_drops_and_amendments_change_the_key_of_the_day_that_knows_them():
    given = up_to(LEAKING, DAYS)
    keys = list(keys_of(given, begun(given)).values())
    without_drop = replace(given, drop_dips=DROPS[:1])
    other = list(keys_of(without_drop, begun(without_drop)).values())
    assert [a == b for a, b in zip(keys, other, strict=True)] == [number < 15 for number in range(DAYS)]
    without = replace(given, amendments=())
    other = list(keys_of(without, begun(without)).values())
    assert [a == b for a, b in zip(keys, other, strict=True)] == [number < 9 for number in range(DAYS)]
