"""Kind of evidence: theory where it is exact, and known truth by construction."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.backtest.intervals import share_interval
from pipeline.backtest.power import fit_power, power_bins
from pipeline.backtest.replay import replay
from pipeline.backtest.rules import rule_of
from tests.support.backtests import at, day, seen, table

NIGHTS, SD = 14, 0.4
SIZES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.6)


@pytest.fixture(scope="module")
def asked():
    """Tanks with leaks of some sizes and nights of white noise; and those that the idle-slope test found."""
    rng = np.random.default_rng(14)
    tanks = 300
    names = [f"T{size:g}-{number:03}" for size in SIZES for number in range(tanks)]
    leak = np.repeat(SIZES, tanks)
    rate = leak[:, None] + rng.normal(0.0, SD, (len(names), NIGHTS))
    rows = pl.DataFrame(
        {
            "tank_id": np.repeat(names, NIGHTS),
            "ts_start": [at(number, 1.0) for number in range(NIGHTS)] * len(names),
            "ts_end": [at(number, 4.0) for number in range(NIGHTS)] * len(names),
            "day": [day(number) for number in range(NIGHTS)] * len(names),
            "residual_l": -3.0 * rate.ravel(),
            "is_quiet": True,
        }
    )
    tables = seen(names, ledger=table("ledger", rows))
    rule = rule_of("idle_slope")
    alarms = replay(rule, rule.settled({"threshold": 3.0, "nights": NIGHTS}), tables, [day(NIGHTS)])
    found = np.isin(names, alarms["tank_id"].to_numpy())
    return leak, found


@pytest.mark.parametrize("size", SIZES)
def test_an_idle_slope_test_on_white_noise_has_the_power_of_students_t(asked, size):
    """P(T > 3) with 13 degrees of freedom and noncentrality √n·rate/σ (the one-sided one-sample t-test): exact."""
    leak, found = asked
    here = leak == size
    low, high = share_interval(int(found[here].sum()), int(here.sum()), level=0.99)
    theory = float(stats.nct.sf(3.0, NIGHTS - 1, np.sqrt(NIGHTS) * size / SD))
    assert low <= theory <= high


def test_the_power_curve_of_the_report_agrees_with_students_t(asked):
    leak, found = asked
    bins = power_bins(leak, found)
    assert bins["size"].to_list() == list(SIZES[1:])
    theory = stats.nct.sf(3.0, NIGHTS - 1, np.sqrt(NIGHTS) * bins["size"].to_numpy() / SD)
    inside = (bins["share_low"].to_numpy() <= theory) & (theory <= bins["share_high"].to_numpy())
    assert inside.all()
    fit = fit_power(leak, found)
    # The size found with 90 %, by theory, lies within the fitted interval, widened by what a logistic curve is not.
    at = np.linspace(0.1, 0.8, 7001)
    wanted = at[np.argmax(stats.nct.sf(3.0, NIGHTS - 1, np.sqrt(NIGHTS) * at / SD) >= 0.9)]
    size, low, high = fit.size_found(0.9)
    assert 0.93 * low <= wanted <= 1.07 * high
    assert (high - low) / size < 0.3


def test_a_curve_that_is_known_is_found_again_tank_by_tank():
    rng = np.random.default_rng(90)
    tanks, each = 12, 40
    shift = rng.normal(0.0, 0.6, tanks)
    tank = np.repeat(np.arange(tanks), each)
    size = np.exp(rng.uniform(np.log(0.1), np.log(10.0), tanks * each))
    share = 1.0 / (1.0 + np.exp(-3.0 * (np.log(size) - shift[tank])))
    fit = fit_power(size, rng.random(len(size)) < share, tank, tanks=tanks)
    inside = 0
    for number in range(tanks):
        truth = np.exp(shift[number] + np.log(9.0) / 3.0)
        _, low, high = fit.size_found(0.9, number)
        inside += low <= truth <= high
    # Of twelve 95 % intervals ten or more hold the truth, but for one time in fifty.
    assert inside >= 10


def test_where_all_or_none_was_found_the_interval_is_wide():
    size = np.array([1.0, 2.0, 4.0] * 3)
    for found in (True, False):
        at, low, high = fit_power(size, np.full(9, found)).size_found(0.9)
        assert np.isfinite([at, low, high]).all()
        assert high / low > 10.0
        assert (low < 1.0) if found else (high > 4.0)
    assert fit_power(np.array([np.nan]), np.array([True])) is None


def test_many_sizes_are_parted_into_bins_of_equal_number():
    rng = np.random.default_rng(8)
    size = rng.uniform(1.0, 100.0, 80)
    bins = power_bins(size, size > 50.0)
    assert bins["truths"].to_list() == [10] * 8
    assert bins["found"].sum() == int((size > 50.0).sum())
    assert bins["share"].is_sorted()
    assert (bins["size_high"].head(-1) <= bins["size_low"].tail(-1)).all()
