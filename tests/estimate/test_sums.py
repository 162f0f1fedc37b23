"""The walk's running sums against the same from whole columns, whitened from the first dip on and kept entirely."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.courses import HOLES
from pipeline.estimate.design import Balance
from pipeline.estimate.evidence import log_evidence, weigh
from pipeline.estimate.holes import HoleSums
from pipeline.estimate.hypotheses import SILENCE_H, candidates_of, hypotheses_of, since
from pipeline.estimate.regression import Prior, posterior
from pipeline.estimate.sums import ONSET_DAYS, Sums
from pipeline.estimate.whiten import Noise, filter_of, whitened, whitened_on

DAYS, A_DAY, BASE = 12, 10, 3
SILENT_DAY = 4
DROPS = (25, 67)


def balance_over(days: int) -> Balance:
    """Uneven dips of one tank with one meter, a long silence on one day; whatever numbers, but each course rises."""
    rng = np.random.default_rng(3)
    into = np.tile(0.3 + 2.4 * np.arange(A_DAY), days) + rng.uniform(0.0, 0.4, days * A_DAY)
    hours = np.repeat(np.arange(days) * 24.0, A_DAY) + into
    k = len(hours)
    sold = np.cumsum(rng.uniform(0.0, 200.0, (k, 1)), axis=0)
    return Balance(
        y_l=rng.normal(0.0, 3.0, k), columns=np.cumsum(rng.normal(0.0, 1.0, (k, BASE)), axis=0),
        names=("a", "b", "c"), prior=Prior(np.zeros(BASE), np.ones(BASE)), hours=hours,
        known_day=np.repeat(np.arange(days), A_DAY), jump_var_l2=np.zeros(k), sold_15_l=sold,
        leak_h=np.cumsum(rng.uniform(0.1, 3.0, (k, len(HOLES))), axis=0), open_h=np.cumsum(rng.uniform(0.0, 0.3, k)),
        vcf=np.ones(k), temp_c=np.full(k, 12.0), coarse_c=0.0 * hours, level_mm=np.full(k, 900.0),
        surface_l_per_mm=np.full(k, 10.0),
        stock_15_l=np.full(k, 9000.0), meters=("M1",),
    )  # fmt: skip


def filter_for(balance: Balance):
    every = np.ones(len(balance.hours))
    steady = {"white_l": 1.0, "ripple_l": 0.7, "ripple_h": 0.6, "walk_l": 0.2, "walk_per_l": 1e-3, "layer_k": 0.0}
    told = {"rate_k_per_h": 0.01, "layer_h": 5.0, "litres_per_k": 9.0, "sway_l": 1.5, "sway_h": 7.0}
    noise = Noise(**{name: value * every for name, value in (steady | told).items()})
    return filter_of(balance.hours, noise, balance.jump_var_l2, balance.sold_15_l.sum(axis=1))


@pytest.fixture(scope="module")
def balance():
    return balance_over(DAYS)


def taken(balance: Balance, until: int):
    """Sums after the days before `until`, the weights of all dips, and the filter."""
    by = filter_for(balance)
    sums = Sums(balance.y_l, balance.columns, candidates_of(balance, DROPS), by)
    weight = np.random.default_rng(8).uniform(0.4, 1.0, len(balance.hours))
    for day in range(until):
        sums.take(weight[balance.known_day == day], day)
    return sums, weight, by


def whole(balance: Balance, sums: Sums, weight, by):
    """Weighted whitened y, base and every candidate of the days taken, as whole matrices."""
    numbers = np.arange(len(sums.candidates.which))
    columns = np.column_stack([sums.candidates.column(int(number)) for number in numbers])
    rows = whitened(np.column_stack([balance.y_l, balance.columns, columns]), by) * weight[:, None]
    rows = rows[: sums.count]
    return rows[:, 0], rows[:, 1 : 1 + BASE], rows[:, 1 + BASE :]


def test_columns_whitened_a_few_dips_at_a_time_are_those_whitened_whole(balance):
    by = filter_for(balance)
    columns = np.cumsum(np.random.default_rng(1).normal(0.0, 2.0, (len(balance.hours), 4)), axis=0)
    states = np.zeros((by.keep.shape[-1], 4))
    parts = [whitened_on(columns[start : start + 7], by, start, states) for start in range(0, len(columns), 7)]
    np.testing.assert_allclose(np.concatenate(parts), whitened(columns, by), rtol=1e-9, atol=1e-9)


def test_each_onset_s_course_is_its_hypothesis_s_since_then(balance):
    """By the definition: nothing up to the dip before the onset, from there on the course's growth since."""
    candidates = candidates_of(balance, DROPS)
    _, courses = hypotheses_of(balance)
    kinds = len(courses.T)
    loss = -balance.leak_h[:, 0]
    k = len(loss)
    for number, (which, onset) in enumerate(zip(candidates.which.tolist(), candidates.onset.tolist(), strict=True)):
        expected = np.zeros(k)
        if which < kinds:
            for dip in range(max(onset - 1, 0), k):
                expected[dip] = courses[dip, which] - courses[max(onset - 1, 0), which]
        elif which == kinds:
            last = max(dip for dip in range(k) if balance.known_day[dip] == balance.known_day[onset])
            for dip in range(max(onset - 1, 0), k):
                expected[dip] = loss[min(dip, last)] - loss[max(onset - 1, 0)]
        else:
            expected[onset:] = 1.0
        np.testing.assert_allclose(candidates.column(number), expected, atol=1e-9)


def test_a_day_with_a_long_silence_has_its_odd_litres_within_that():
    balance = balance_over(DAYS)
    dip = SILENT_DAY * A_DAY + 3
    balance.hours[dip:] += 2 * SILENCE_H + 1.0
    candidates = candidates_of(balance)
    first = SILENT_DAY * A_DAY
    assert candidates.silent[first] == dip
    excursion = next(place for place, one in enumerate(candidates.hypotheses) if one.cause == "excursion")
    number = int(np.flatnonzero((candidates.which == excursion) & (candidates.onset == first))[0])
    expected = np.where(np.arange(len(balance.hours)) >= dip, balance.hours[dip - 1] - balance.hours[dip], 0.0)
    np.testing.assert_allclose(candidates.column(number), expected)


def test_running_sums_are_those_of_whole_matrices(balance):
    sums, weight, by = taken(balance, DAYS)
    y, base, every = whole(balance, sums, weight, by)
    assert sums.live.tolist() == list(range(every.shape[1]))
    np.testing.assert_allclose(sums.gram, base.T @ base)
    np.testing.assert_allclose(sums.score, base.T @ y)
    np.testing.assert_allclose(sums.cross, base.T @ every, atol=1e-8)
    np.testing.assert_allclose(sums.square, (every**2).sum(axis=0), atol=1e-8)
    np.testing.assert_allclose(sums.moment, every.T @ y, atol=1e-8)


def test_a_piece_taken_in_half_way_counts_from_its_onset(balance):
    sums, weight, by = taken(balance, DAYS // 2)
    number = int(np.flatnonzero(sums.candidates.onset == 2 * A_DAY)[1])
    sums.activate(number)
    for day in range(DAYS // 2, DAYS):
        sums.take(weight[balance.known_day == day], day)
    y, base, every = whole(balance, sums, weight, by)
    active = np.column_stack([base, every[:, number]])
    np.testing.assert_allclose(sums.gram, active.T @ active, atol=1e-8)
    np.testing.assert_allclose(sums.score, active.T @ y, atol=1e-8)
    np.testing.assert_allclose(sums.cross, active.T @ every, atol=1e-8)


def test_litres_known_late_stand_as_if_they_had_always_been_known(balance):
    litres = np.where(np.arange(len(balance.hours)) >= 20, 35.0, 0.0)
    sums, weight, by = taken(balance, DAYS // 2)
    sums.amend(litres)
    for day in range(DAYS // 2, DAYS):
        sums.take(weight[balance.known_day == day], day)
    _, base, every = whole(balance, sums, weight, by)
    y = whitened((balance.y_l + litres)[:, None], by)[:, 0] * weight
    np.testing.assert_allclose(sums.score, base.T @ y, atol=1e-8)
    np.testing.assert_allclose(sums.moment, every.T @ y, atol=1e-8)
    np.testing.assert_allclose(sums.y, y, atol=1e-8)


def test_a_leak_s_hole_is_another_course_in_every_sum(balance):
    sums, weight, by = taken(balance, DAYS // 2)
    leaks = np.flatnonzero(sums.candidates.which == 0)[[1, 3]]
    shapes = []
    for number in leaks.tolist():
        sums.activate(number)
        shapes.append(whitened(since(-balance.leak_h, int(sums.candidates.onset[number])), by))
    places = [BASE, BASE + 1]
    holes = HoleSums(sums, shapes, places)
    for place, shape in zip(places, shapes, strict=True):
        sums.reshape(place, shape[:, 7], 7)
    for day in range(DAYS // 2, DAYS):
        sums.take(weight[balance.known_day == day], day)
    holes.take(sums)
    y, base, every = whole(balance, sums, weight, by)
    np.testing.assert_allclose(every[:, leaks[0]], shapes[0][:, 7] * weight, atol=1e-8)
    active = np.column_stack([base, every[:, leaks]])
    np.testing.assert_allclose(sums.gram, active.T @ active, atol=1e-8)
    np.testing.assert_allclose(sums.cross, active.T @ every, atol=1e-8)
    np.testing.assert_allclose(sums.square, (every**2).sum(axis=0), atol=1e-8)
    np.testing.assert_allclose(sums.moment, every.T @ y, atol=1e-8)
    prior = Prior(np.zeros(BASE + 2), np.full(BASE + 2, 2.0))
    expected = []
    for hole in range(len(HOLES)):
        design = np.column_stack([base, *(shape[:, hole] * weight for shape in shapes)])
        expected.append(log_evidence(design.T @ design, design.T @ y, prior))
    np.testing.assert_allclose(holes.evidence(sums, prior), expected, rtol=1e-9)


def test_onsets_beyond_the_horizon_are_weighed_no_more_and_a_piece_stays():
    """Whatever days went before, what is weighed on a day is as many onsets, with the same sums as ever."""
    balance = balance_over(ONSET_DAYS + 8)
    by = filter_for(balance)
    sums = Sums(balance.y_l, balance.columns, candidates_of(balance), by)
    number = int(np.flatnonzero(sums.candidates.which == 0)[2])
    for day in range(ONSET_DAYS + 8):
        sums.take(np.ones(A_DAY), day)
        if day == 5:
            sums.activate(number)
    live = sums.live
    assert sums.candidates.day[live[0]] == 8
    assert live[-1] == len(sums.candidates.which) - 1
    assert number < live[0]
    y, base, every = whole(balance, sums, np.ones(len(balance.hours)), by)
    active = np.column_stack([base, every[:, number]])
    np.testing.assert_allclose(sums.gram, active.T @ active, rtol=1e-8, atol=1e-6)
    np.testing.assert_allclose(sums.cross, active.T @ every[:, live], rtol=1e-8, atol=1e-6)
    np.testing.assert_allclose(sums.moment, every[:, live].T @ y, rtol=1e-8, atol=1e-6)


def test_a_meter_that_has_not_sold_yet_is_no_hypothesis():
    """A later day alone shows that it exists; the same meter is weighed once it sells."""
    balance = balance_over(DAYS)
    late = replace(
        balance,
        sold_15_l=np.column_stack([balance.sold_15_l, np.maximum(balance.sold_15_l - balance.sold_15_l[95], 0.0)]),
        meters=("M1", "M2"),
    )
    keys = {}
    for until in (9, DAYS):
        sums, _, _ = taken(late, until)
        belief = posterior(sums.gram, sums.score, late.prior)
        keys[until] = {
            one.hypothesis.key for one in weigh(sums, belief, recent=0, held={}, sway_l=np.zeros(len(sums.y)))
        }
    assert keys[9] == keys[DAYS] - {"meter_drift:M2"}
    assert "meter_drift:M2" in keys[DAYS]
