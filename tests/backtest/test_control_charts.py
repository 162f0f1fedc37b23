"""Kind of evidence: published value. The shipped CUSUM and EWMA are asked as rules, on tables made for them."""

import numpy as np
import polars as pl
import pytest

from pipeline.backtest.control_charts import ewma, tabular_cusum
from pipeline.backtest.replay import replay
from pipeline.backtest.rules import FUNCTIONS
from tests.support.backtests import day, seen, variance_days

# D. C. Montgomery, Introduction to Statistical Quality Control, Table 9.1: mean 10, SD 1, shifted to 11 after the 20th.
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
    10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip
# D. C. Montgomery, G. C. Runger, Applied Statistics and Probability for Engineers, Table 16-7: target 99, K 1, H 10.
MONTGOMERY_RUNGER = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4,
    97.2, 101.0,
]  # fmt: skip


def first_alarms(name, variance, *, last=None, **parameters):
    rule = FUNCTIONS[name]
    tables = seen(list(variance), tank_days=variance_days(variance))
    end = day((last or max(len(values) for values in variance.values())) + 2)
    return replay(rule, rule.settled({"sd_l": 1.0, **parameters}), tables, [end])


def test_the_tabular_cusum_of_montgomery():
    alarms = first_alarms("cusum", {"T1": [x - 10.0 for x in MONTGOMERY]}, threshold=5.0, allowance=0.5)
    row = alarms.row(0, named=True)
    # C+ passes 5 at the 29th, at 5.28, with N+ = 7: the change is placed after the 22nd. Known a day after its close.
    assert (row["day"], row["note"]) == (day(30), "gaining for 7 days")
    assert row["score"] == pytest.approx(5.28, abs=0.005)


def test_the_tabular_cusum_of_montgomery_and_runger():
    z = np.array(MONTGOMERY_RUNGER) - 99.0
    assert len(tabular_cusum(z, threshold=10.0, allowance=1.0)[0]) == 0
    places, sums, notes = tabular_cusum(z, threshold=3.1, allowance=1.0)
    # S_L = 3.2 at the second, from nothing the day before.
    assert (places[0], notes[0]) == (1, "losing for 1 days")
    assert sums[0] == pytest.approx(3.2)


def test_the_moving_average_of_montgomery():
    alarms = first_alarms("ewma", {"T1": [x - 10.0 for x in MONTGOMERY]}, threshold=2.7, weight=0.1)
    # z = 10.6468 at the 29th, beyond the long run's limit of 10.6194.
    assert alarms["day"].to_list()[0] == day(30)
    assert alarms["score"][0] == pytest.approx(0.6468 / np.sqrt(0.1 / 1.9), abs=2e-3)


# Montgomery, Table 9.3: average run lengths of a two-sided CUSUM with k = 1/2.
CUSUM_ARL = [(4.0, 0.0, 168.0), (4.0, 0.5, 26.6), (4.0, 1.0, 8.38), (4.0, 2.0, 3.34),
             (5.0, 0.0, 465.0), (5.0, 0.25, 139.0), (5.0, 1.0, 10.4), (5.0, 3.0, 2.57)]  # fmt: skip


@pytest.mark.parametrize(("threshold", "shift", "arl"), CUSUM_ARL)
def test_run_lengths_of_the_cusum(threshold, shift, arl):
    """Begun anew after each alarm, so the times between alarms of one long series are its run lengths."""
    days, tanks = 10_000, 1 + int(arl > 100.0) * 19
    rng = np.random.default_rng(20260301)
    variance = {f"T{number}": rng.normal(shift, 1.0, days) for number in range(tanks)}
    alarms = first_alarms("cusum", variance, threshold=threshold, allowance=0.5)
    runs = alarms.sort("tank_id", "day").select(pl.col("day").diff().over("tank_id").dt.total_days()).drop_nulls()
    lengths = runs.to_series().to_numpy()
    # Three standard errors of the mean, and half a digit of the published figure.
    tolerance = 3.0 * lengths.std() / np.sqrt(len(lengths)) + 0.006 * arl
    assert lengths.mean() == pytest.approx(arl, abs=tolerance)
    assert len(lengths) > 300


def test_run_lengths_of_the_cusum_by_siegmunds_formula():
    """D. Siegmund, Sequential Analysis, Springer 1985: ARL = (exp(−2Δb) + 2Δb − 1) / 2Δ², b = h + 1.166, Δ = δ − k."""

    def arl(delta, h):
        b = h + 1.166
        return (np.exp(-2.0 * delta * b) + 2.0 * delta * b - 1.0) / (2.0 * delta**2)

    # Two-sided, k 1/2, h 5: 469.11 in control; the exact figure is 465.4.
    assert 1.0 / (2.0 / arl(-0.5, 5.0)) == pytest.approx(469.11, abs=0.01)
    variance = {f"T{n}": np.random.default_rng(7 + n).normal(0.0, 1.0, 10_000) for n in range(20)}
    alarms = first_alarms("cusum", variance, threshold=5.0, allowance=0.5)
    rate = alarms.height / (20 * 10_000)
    assert 1.0 / rate == pytest.approx(469.11, rel=3.0 / np.sqrt(alarms.height) + 0.01)


# J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990), as in Montgomery, Table 9.11: zero state, long-run limits.
EWMA_ARL = [(0.40, 3.054, 0.0, 500.0), (0.40, 3.054, 1.0, 14.3), (0.25, 2.998, 0.5, 48.2), (0.20, 2.962, 1.0, 10.5),
            (0.10, 2.814, 0.0, 500.0), (0.10, 2.814, 0.5, 31.3), (0.10, 2.814, 2.0, 4.4),
            (0.05, 2.615, 1.0, 11.4)]  # fmt: skip


@pytest.mark.parametrize(("weight", "limit", "shift", "arl"), EWMA_ARL)
def test_run_lengths_of_the_moving_average(weight, limit, shift, arl):
    """Days at risk over first alarms, tank by tank; what is not over by the last day is counted as at risk."""
    tanks, days = 600, int(6 * arl) + 20
    rng = np.random.default_rng(19900201)
    dates = pl.date_range(day(1), day(days), eager=True)
    frame = pl.DataFrame(
        {
            "tank_id": np.repeat([f"T{number:03}" for number in range(tanks)], days),
            "variance_l": rng.normal(shift, 1.0, tanks * days),
            "trading_day": pl.concat([dates] * tanks),
        }
    ).with_columns(day=pl.col("trading_day"))
    # Asked of the function itself: the way through the replay is the same as for the CUSUM, and slow for so many days.
    alarms = ewma({"tank_days": frame}, threshold=limit, weight=weight, baseline_days=20, sd_l=1.0)
    first = alarms.group_by("tank_id").agg((pl.col("day").min() - day(0)).dt.total_days().alias("run"))
    runs = first["run"].to_numpy()
    at_risk = runs.sum() + (tanks - len(runs)) * days
    measured = at_risk / len(runs)
    spread = runs.std() if len(runs) == tanks else arl
    assert measured == pytest.approx(arl, abs=3.0 * spread / np.sqrt(len(runs)) + 0.006 * arl + 0.05)


def test_what_is_usual_is_learnt_from_the_first_days_alone():
    rng = np.random.default_rng(3)
    variance = {"T1": np.concatenate([rng.normal(20.0, 5.0, 20), rng.normal(-20.0, 5.0, 20)])}
    rule = FUNCTIONS["cusum"]
    alarms = replay(rule, rule.settled({}), seen(tank_days=variance_days(variance)), [day(n) for n in range(44)])
    # The 21st trading day, number 20, closes on day 21 and is known a day later.
    assert alarms["day"].min() == day(22)
    assert alarms["note"][0] == "losing for 1 days"
