"""How much each hypothesis explains. Evidence: naive twins (normal densities), values by hand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

from pipeline.estimate.chart_columns import CHART_COLUMNS
from pipeline.estimate.evidence import LOG_PRIOR, is_rough, log_evidence, weigh, weigh_chart, widened
from pipeline.estimate.hypotheses import candidates_of
from pipeline.estimate.regression import Prior, posterior
from pipeline.estimate.sums import Sums
from pipeline.estimate.whiten import filter_of
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS = 8
HOURS = np.arange(0.5, 24.0 * DAYS, 6.0)
PRIOR = Prior(np.array([0.4, -1.0]), np.array([0.5, 2.0]))


def test_the_evidence_is_the_density_of_the_rows_but_for_a_constant():
    rng = np.random.default_rng(1)
    columns, y = rng.normal(size=(12, 2)), rng.normal(size=12)
    wide = Prior(np.zeros(2), np.full(2, 5.0))

    def dense(prior: Prior) -> float:
        sigma = columns @ np.diag(prior.sd**2) @ columns.T + np.eye(12)
        return float(multivariate_normal(columns @ prior.mean, sigma).logpdf(y))

    told = [log_evidence(columns.T @ columns, columns.T @ y, prior) for prior in (PRIOR, wide)]
    assert told[0] - told[1] == pytest.approx(dense(PRIOR) - dense(wide))


def sums_of(y_l: np.ndarray, drops: tuple[int, ...] = ()) -> Sums:
    """A tank without meters after all its days; its one regressor is a chart's offset that nothing moves."""
    balance = balance_by(unit_of(gauge_of(HOURS, 1_000.0)), dips_of(HOURS, 1_000.0, np.zeros((len(HOURS), 0))))
    zero = np.zeros(len(HOURS))
    balance = replace(balance, y_l=y_l, columns=zero[:, None], names=("x",), leak_h=np.tile(HOURS, (16, 1)).T)
    by = filter_of(HOURS, noise_of(len(HOURS)), zero, zero)
    sums = Sums(y_l, balance.columns, candidates_of(balance, drops), by)
    for day in range(DAYS):
        sums.take(np.ones((balance.known_day == FIRST_DAY + day).sum()), FIRST_DAY + day)
    return sums


def weighed(y_l: np.ndarray, *, drops=(), recent: int = 0, held=None, sway_l: float = 0.0, **more):
    sums = sums_of(y_l, drops)
    more["sway_l"] = np.full(len(HOURS), sway_l)
    belief = posterior(sums.gram, sums.score, Prior(np.zeros(1), np.ones(1)))
    return {one.hypothesis.key: one for one in weigh(sums, belief, recent=recent, held=held or {}, **more)}


def test_a_leak_is_weighed_by_its_onsets_each_a_ratio_of_two_densities():
    """Twin: of each onset the slope by least squares and its SD, a level that nobody knows beside it."""
    y = -0.08 * np.maximum(HOURS - 60.5, 0.0) + np.random.default_rng(3).normal(0.0, 1.0, len(HOURS))
    told = weighed(y)["tank_leak:"]
    factors, estimates = [], []
    for day in range(DAYS):
        onset = int(np.searchsorted(HOURS, 24.0 * day - 0.5 if day else -1.0))
        course = -np.maximum(HOURS - HOURS[max(onset - 1, 0)], 0.0)
        around = course - course.mean()
        sd = (around @ around) ** -0.5
        estimate = float(around @ y) * sd**2
        wide, usual = norm(0.0, np.hypot(sd, 1.0)), norm(0.0, np.hypot(sd, 0.015))
        factors.append(wide.logpdf(estimate) - usual.logpdf(estimate) if estimate > 0 else -5.0)
        estimates.append(estimate)
    best = int(np.argmax(factors))
    assert told.estimate == pytest.approx(estimates[best], rel=1e-4)
    assert told.log_bayes == pytest.approx(logsumexp(factors) - np.log(DAYS), abs=1e-3)
    assert told.best_onset == pytest.approx(max(factors) - np.log(DAYS), abs=1e-3)
    assert told.log_odds == pytest.approx(told.log_bayes - 3.5)


@pytest.mark.parametrize(("rate", "likely", "mirrored"), [(-0.5, "tank_leak:", False), (0.5, "unexplained:", False),
                                                          (0.5, "tank_leak:", True)])  # fmt: skip
def test_a_loss_is_a_leak_and_a_gain_is_none_but_in_the_mirror(rate, likely, mirrored):
    told = weighed(rate * HOURS, mirrored=mirrored)
    other = "unexplained:" if likely == "tank_leak:" else "tank_leak:"
    assert told[likely].log_bayes > 20.0
    if not mirrored:
        assert told[other].log_bayes == -5.0
    else:
        assert {one.hypothesis.cause for one in told.values()} == {"tank_leak", "slow_theft"}
        assert weighed(-rate * HOURS, mirrored=True)["tank_leak:"].log_bayes == -5.0


@pytest.mark.parametrize(("recent", "there"), [(20, True), (21, False)])
def test_a_delivery_is_weighed_while_it_is_recent(recent, there):
    y = np.where(np.arange(len(HOURS)) >= 20, -60.0, 0.0)
    assert ("delivery:0" in weighed(y, drops=(20,), recent=recent)) is there


@pytest.mark.parametrize(("gain", "held", "taken"), [(0.4, 0.5, 0.4), (0.9, 0.5, 0.5), (0.4, 0.0, None)])
def test_of_what_is_held_a_change_may_take_back_so_much_and_no_more(gain, held, taken):
    """A leak of 0.5 l/h held: a gain of 0.4 from hour 90.5 may be its end; of one of 0.9 no more than 0.5 is."""
    told = weighed(gain * np.maximum(HOURS - 90.5, 0.0), held={"tank_leak:": held})["tank_leak:"]
    if taken is None:
        assert told.log_bayes == -5.0
    else:
        assert told.log_bayes > 0.0
        assert -taken - 2.0 * told.sd <= told.estimate <= -0.7 * taken


def test_what_goes_at_one_hour_is_weighed_against_what_the_gauge_sways_by():
    """3 l each night from two on: a gauge that sways by 5 l, and so by 2.5 by the hour, may have done that."""
    nightly = -3.0 * np.floor((HOURS + 22.0) / 24.0)
    steady, swaying = (weighed(nightly, sway_l=sway_l) for sway_l in (0.0, 5.0))
    best = steady["slow_theft:02 h"]
    assert best.log_bayes > 20.0
    scales = np.hypot([15.0, np.hypot(0.35, 2.5)], best.sd)
    wide, usual = norm.logpdf(best.estimate, scale=scales)
    assert swaying["slow_theft:02 h"].best_onset + np.log(DAYS / 2) == pytest.approx(wide - usual, rel=1e-3)
    assert swaying["slow_theft:02 h"].log_bayes < 2.0
    assert swaying["tank_leak:"] == steady["tank_leak:"]  # a leak runs at every hour


def test_an_odd_day_is_the_best_of_its_days():
    """20 l that go in the night before the fourth day, six hours without a dip, and stay gone."""
    told = weighed(np.where(HOURS > 72.0, -20.0, 0.0))["excursion:"]
    assert HOURS[told.onset] == 72.5
    assert told.estimate * 6.0 == pytest.approx(20.0, rel=0.01)
    assert told.log_bayes == pytest.approx(told.best_onset + np.log(DAYS), abs=1e-9)


@pytest.mark.parametrize(
    ("way", "places", "size"),
    [("scale", [0], 0.02), ("offset", [1], 60.0), ("bands", [2, 9, 10], 8.0), ("rough", [10], 8.0)],
)
def test_a_chart_may_be_off_in_one_way_at_a_time(way, places, size):
    prior = Prior(np.zeros(3 + CHART_COLUMNS), np.full(3 + CHART_COLUMNS, 0.5))
    told = widened(prior, 3, way).sd
    for place in places:
        assert told[3 + place] == pytest.approx(np.hypot(0.5, size))
    others = 3 + np.array([place for place in (0, 1, 2, 9, 10) if place not in places])
    assert (told[others] == 0.5).all()
    assert (told[:3] == 0.5).all()


@pytest.mark.parametrize(("place", "way"), [(0, "scale"), (1, "offset"), (5, "bands")])
def test_the_way_that_the_rows_show_is_the_likeliest(place, way):
    """Rows that know one coefficient well, far beyond a sound chart's size, and the others not at all."""
    sizes = np.concatenate([[0.003, 14.0], np.ones(16)])
    prior = Prior(np.zeros(CHART_COLUMNS), sizes)
    far = {"scale": 0.03, "offset": 90.0, "bands": 9.0}[way]
    gram, score = np.zeros((CHART_COLUMNS, CHART_COLUMNS)), np.zeros(CHART_COLUMNS)
    gram[place, place] = (0.01 * sizes[place]) ** -2
    score[place] = far * gram[place, place]
    sums = sums_of(np.zeros(len(HOURS)))
    sums.gram, sums.score = gram, score
    value, found, number = weigh_chart(sums, prior, [0])
    assert (found, number) == (way, 0)
    wide = np.hypot(sizes[place], {"scale": 0.02, "offset": 60.0, "bands": 8.0}[way])
    ratio = norm(0.0, wide).logpdf(far) - norm(0.0, sizes[place]).logpdf(far)
    # Of three ways the two others say nothing: mean of e^ratio, 1 and 1.
    assert value == pytest.approx(np.log((np.exp(ratio) + 2.0) / 3.0), rel=0.01)


@pytest.mark.parametrize(("place", "far", "rough"), [(12, 9.0, True), (12, 2.0, False), (4, 9.0, False)])
def test_a_wall_that_is_uneven_over_short_stretches_is_rough_and_its_chart_not_wrong(place, far, rough):
    """One shape is known well: a fine one, in usual sizes; or a long one, which makes a chart wrong in bands.

    Rough is e^(ratio - 1) to one: at 9 sizes e^35, at 2 sizes less than one. Once it is so, bands explain no more.
    """
    prior = Prior(np.zeros(CHART_COLUMNS), np.concatenate([[0.003, 14.0], np.ones(16)]))
    sums = sums_of(np.zeros(len(HOURS)))
    sums.gram, sums.score = np.zeros((CHART_COLUMNS, CHART_COLUMNS)), np.zeros(CHART_COLUMNS)
    sums.gram[place, place] = 1e4
    sums.score[place] = far * 1e4
    assert is_rough(sums, prior, 0) is rough
    value, _, _ = weigh_chart(sums, widened(prior, 0, "rough") if rough else prior, [0])
    assert (value > 5.0) == (far == 9.0 and not rough)


def test_odds_before_data_are_those_of_rare_things():
    """One tank in a hundred leaks or has a wrong chart, by onsets and ways counted apart (common practice)."""
    assert {name: round(float(np.exp(-value))) for name, value in LOG_PRIOR.items()} == {
        "tank_leak": 33, "line_leak": 55, "meter_drift": 20, "chart_error": 90, "unexplained": 2981, "excursion": 20,
        "delivery": 90, "slow_theft": 1097,
    }  # fmt: skip
