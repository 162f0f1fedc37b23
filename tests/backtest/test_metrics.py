"""Kind of evidence: published values of intervals, arithmetic by hand, and properties."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.backtest.intervals import (
    cluster_weights,
    median_wait,
    percentiles,
    poisson_interval,
    ratio_draws,
    share_interval,
    waiting_curve,
)
from pipeline.backtest.match import episodes, found, judged
from pipeline.backtest.metrics import MONTH_DAYS, Judged, Measure, Prices, chance_share, compared, figures
from pipeline.backtest.results import operating_points
from pipeline.backtest.truth import joined_labels, standing, tank_days_of, truths
from tests.support.backtests import at, day, seen, table, variance_days

TANKS = ("T1", "T2", "T3", "T4")


def alarm(tank, number, cause="tank_leak", score=4.0, **more):
    row = {"tank_id": tank, "site_id": "S1", "day": day(number), "cause": cause, "meter_id": None, "delivery_id": None,
           "score": score, "note": None}  # fmt: skip
    return row | more


def label(name, cause, verdict="confirmed", **more):
    row = {"label_id": name, "cause": cause, "verdict": verdict, "site_id": "S1", "tank_id": "T1", "ts_start": at(10)}
    return row | more


def history(alarms, labels, *, causes=(), complete=False, grace=3, mute=14, tanks=TANKS, pools=None):
    """Sixty days of some tanks with alarms and labels, judged."""
    tables = seen(tanks, tank_days=variance_days({tank: [0.0] * 60 for tank in tanks}))
    if pools:
        tables["tanks"] = tables["tanks"].with_columns(
            manifold_id=pl.col("tank_id").replace_strict(pools, default=None, return_dtype=pl.String)
        )
    known_labels = table("labels", labels)
    known = truths(known_labels, tables, day(59))
    days = standing(tank_days_of(tables), known, known_labels, tables, grace_days=grace, complete=complete)
    schema = {"tank_id": pl.String, "meter_id": pl.String, "delivery_id": pl.String, "note": pl.String}
    raised = episodes(pl.DataFrame(alarms, schema_overrides=schema), mute_days=mute)
    seen_alarms = judged(raised, known, days, causes, grace_days=grace)
    results = found(known, seen_alarms, causes).with_columns(world=pl.lit("base"), is_put_in=False)
    return Judged(seen_alarms, results, days)


LEAK = label("L1", "tank_leak", ts_end=at(30), litres=-200.0)


@pytest.mark.parametrize(
    ("count", "exposure", "low", "high"),
    # F. Garwood, Biometrika 28 (1936): 95 % intervals of a Poisson mean.
    [(0, 1.0, 0.0, 3.689), (1, 1.0, 0.0253, 5.572), (5, 1.0, 1.624, 11.668), (10, 2.0, 2.398, 9.195)],
)
def test_poisson_intervals(count, exposure, low, high):
    assert poisson_interval(count, exposure) == pytest.approx((low, high), abs=1e-3)


@pytest.mark.parametrize(
    ("false", "months"),
    # One-sided 95 %: how many false alarms still show that there is at most one in 100 tank-months.
    [(0, 300), (5, 1052), (20, 2907)],
)
def test_how_many_tank_months_it_takes(false, months):
    assert 100.0 * poisson_interval(false, months, level=0.90)[1] == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize(
    ("found_of", "low", "high"),
    # C. J. Clopper, E. S. Pearson, Biometrika 26 (1934); bounds as printed in usual tables of the 95 % limits.
    [((8, 10), 0.4439, 0.9748), ((0, 10), 0.0, 0.3085), ((10, 10), 0.6915, 1.0), ((1, 20), 0.0013, 0.2487)],
)
def test_exact_shares(found_of, low, high):
    assert share_interval(*found_of) == pytest.approx((low, high), abs=1e-4)


def test_the_waiting_curve_of_freireich():
    """E. J. Freireich et al., Blood 21 (1963) 699-716: weeks of remission under 6-mercaptopurine, 21 patients.

    Kaplan-Meier estimates as in every textbook since: 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448; the
    median is 23.
    """
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    over = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    times, waiting = waiting_curve(np.array(weeks, dtype=float), np.array(over, dtype=bool))
    assert times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert waiting == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)
    assert median_wait(times, waiting) == 23
    assert median_wait(times[:2], waiting[:2]) == np.inf


def test_episodes_are_raised_again_only_after_they_were_mute():
    rows = [alarm("T1", n) for n in (3, 4, 5, 16, 17, 40)] + [alarm("T2", 4), alarm("T1", 4, "line_leak")]
    out = episodes(pl.DataFrame(rows, schema_overrides={"note": pl.String}), mute_days=14)
    raised = out.filter((pl.col("tank_id") == "T1") & (pl.col("cause") == "tank_leak"))
    # The 3rd wakes; up to the 16th it is mute; the 17th wakes again; then the 40th.
    assert raised["day"].to_list() == [day(3), day(17), day(40)]
    assert raised["days"].to_list() == [4, 1, 1]
    assert out["episode"].to_list() == list(range(5))


def test_alarms_are_judged_by_what_is_known():
    labels = [LEAK, label("L2", "bulk_theft", "ruled_out", tank_id="T2", ts_start=at(10), ts_end=at(20)),
              label("L3", "water_ingress", tank_id="T3", ts_start=at(10), ts_end=at(12))]  # fmt: skip
    alarms = [
        alarm("T1", 9), alarm("T1", 12, "line_leak"), alarm("T1", 14), alarm("T2", 15), alarm("T2", 40),
        alarm("T3", 11), alarm("T4", 200),
    ]  # fmt: skip
    out = history(alarms, labels, causes=("tank_leak", "line_leak"), mute=2)
    verdicts = {(row["tank_id"], row["day"]): row["verdict"] for row in out.alarms.iter_rows(named=True)}
    assert verdicts == {
        ("T1", day(9)): "unlabelled", ("T1", day(12)): "found", ("T1", day(14)): "found", ("T2", day(15)): "false",
        ("T2", day(40)): "unlabelled", ("T3", day(11)): "other", ("T4", day(200)): "unwatched",
    }  # fmt: skip
    right = dict(out.alarms.filter(pl.col("tank_id") == "T1").select("day", "is_right").iter_rows())
    assert (right[day(12)], right[day(14)]) == (False, True)
    # What nobody labelled was sound where all is labelled.
    whole = history(alarms, labels, causes=("tank_leak", "line_leak"), mute=2, complete=True)
    assert whole.alarms["verdict"].value_counts().sort("verdict").rows() == [
        ("false", 3), ("found", 2), ("other", 1), ("unwatched", 1),
    ]  # fmt: skip


def test_grace_and_what_lasts():
    ended = history([alarm("T1", 33)], [LEAK], grace=3)
    assert ended.found["is_found"].to_list() == [True]
    assert history([alarm("T1", 34)], [LEAK], grace=3).found["is_found"].to_list() == [False]
    lasting = history([alarm("T1", 59)], [LEAK | {"ts_end": None}], grace=3)
    assert lasting.found["is_found"].to_list() == [True]


def test_a_label_of_a_pool_or_a_site_concerns_all_its_tanks():
    pool = {"T1": "M", "T2": "M"}
    of_pool = history([alarm("T2", 12)], [LEAK], pools=pool)
    assert of_pool.found.select("is_found", "owner").rows() == [(True, "T1")]
    assert history([alarm("T3", 12)], [LEAK], pools=pool).found["is_found"].to_list() == [False]
    skew = label("L1", "clock_skew", tank_id=None)
    assert history([alarm("T4", 12, "clock_skew")], [skew]).found["is_found"].to_list() == [True]
    of_site = history([alarm(None, 12, "clock_skew")], [skew])
    assert of_site.found.select("is_found", "is_right").rows() == [(True, True)]


def test_delay_and_litres():
    out = history([alarm("T1", 14)], [LEAK]).found.row(0, named=True)
    # From the start of day 10 to the end of day 14 of a leak of 20 days and 200 l.
    assert out["delay_days"] == pytest.approx(5.0)
    assert (out["lost_l"], out["before_l"], out["saved_l"]) == pytest.approx((200.0, 50.0, 150.0))
    # A leak's size is its rate.
    assert (out["size"], out["unit"]) == (pytest.approx(200.0 / 480.0), "l/h")
    missed = history([alarm("T2", 14)], [LEAK]).found.row(0, named=True)
    assert (missed["delay_days"], missed["before_l"], missed["saved_l"]) == (None, 200.0, 0.0)
    assert missed["watched_days"] == pytest.approx(21.0)


MEASURE = Measure(Prices(100.0, 2.0), draws=200)


def test_figures_by_hand():
    labels = [LEAK, label("L2", "tank_leak", tank_id="T2", ts_start=at(40), litres=-50.0),
              label("L3", "bulk_theft", "ruled_out", tank_id="T3", ts_start=at(0), ts_end=at(59))]  # fmt: skip
    alarms = [alarm("T1", 14), alarm("T3", 8), alarm("T3", 30), alarm("T4", 20)]
    out = figures(history(alarms, labels, causes=("tank_leak",)), MEASURE)
    assert (out["truths"], out["found"], out["false"], out["unlabelled"]) == (2, 1, 2, 1)
    assert out["share_found"] == 0.5 and out["right_share"] == 1.0
    # T3 is watched on days 2 to 61 and known to have been sound up to day 59.
    assert out["sound_days"] == 58
    assert out["false_per_100"] == pytest.approx(100.0 * 2 / (58 / MONTH_DAYS))
    low, high = poisson_interval(2, 58 / MONTH_DAYS / 100.0)
    assert (out["false_per_100_low"], out["false_per_100_high"]) == pytest.approx((low, high))
    outside = (out["sound_days"] + out["open_days"]) / MONTH_DAYS
    assert out["outside_per_100"] == pytest.approx(100.0 * 3 / outside)
    assert out["saved_share"] == pytest.approx(150.0 / 250.0)
    # Four visits at 100, and 50 + 50 l before anybody was woken at 2 each.
    assert out["cost_per_100"] == pytest.approx((4 * 100.0 + 100.0 * 2.0) / (240 / MONTH_DAYS) * 100.0)
    assert out["share_found_low"] <= 0.5 <= out["share_found_high"]
    assert out["delay_days"] == pytest.approx(5.0)
    assert figures(history(alarms, labels), replace(MEASURE, prices=Prices()))["cost_per_100"] is None


def test_a_fault_put_into_a_copy_costs_nothing_and_raises_no_false_alarm():
    one = history([alarm("T1", 14)], [LEAK])
    put_in = one.found.with_columns(world=pl.lit("faults-01"), is_put_in=True)
    both = Judged(one.alarms, pl.concat([one.found, put_in]), one.days)
    a, b = figures(one, MEASURE), figures(both, MEASURE)
    assert (b["truths"], b["found"]) == (2, 2)
    assert (b["cost_per_100"], b["alarms"], b["watched_days"]) == (a["cost_per_100"], a["alarms"], a["watched_days"])


def test_two_rules_are_paired():
    labels = [label(f"L{n}", "tank_leak", tank_id=tank) for n, tank in enumerate(TANKS)]
    first = history([alarm("T1", 12), alarm("T2", 12)], labels)
    second = history([alarm(tank, 12) for tank in TANKS], labels)
    same = {row["figure"]: row for row in compared(first, first, MEASURE)}
    assert same["share_found"]["difference"] == 0.0
    assert (same["share_found"]["low"], same["share_found"]["high"]) == (0.0, 0.0)
    rows = {row["figure"]: row for row in compared(first, second, MEASURE)}
    assert rows["share_found"]["difference"] == 0.5
    # The same tanks are drawn for both, so the second is never the worse.
    assert 0.0 <= rows["share_found"]["low"] <= 0.5 <= rows["share_found"]["high"] <= 1.0
    back = {row["figure"]: row for row in compared(second, first, MEASURE)}
    assert back["share_found"]["low"] == pytest.approx(-rows["share_found"]["high"])


def test_bootstrap_intervals_cover():
    """Property: of 95 % intervals of a ratio over clusters some 95 in 100 hold the truth."""
    rng = np.random.default_rng(12)
    weights = cluster_weights(40, draws=400, rng=np.random.default_rng(1))
    held = 0
    for _ in range(200):
        below = rng.poisson(6.0, 40) + 1.0
        above = rng.binomial(below.astype(int), 0.3).astype(float)
        low, high = percentiles(ratio_draws(weights, above, below))
        held += low <= 0.3 <= high
    # Binomial of 200 at 0.95: below 180 once in a thousand; the percentile interval is known to be a little short.
    assert 178 <= held <= 199


def test_chance_finds_little_of_a_short_fault_and_much_of_a_long_one():
    noisy = history([alarm("T2", n) for n in (5, 25, 45)], [LEAK])
    # Three alarms on 240 tank-days; the leak is open for 21 days and 3 of grace.
    assert chance_share(noisy, grace_days=3) == pytest.approx(1.0 - np.exp(-3.0 / 240.0 * 24.0))


def test_the_operating_point_keeps_the_budget():
    def row(name, rule, share, outside):
        return {"trial_id": name, "rule": rule, "share_found": share, "outside_per_100": outside}

    rows = [row("a1", "a", 0.9, 9.0), row("a2", "a", 0.7, 4.0), row("a3", "a", 0.6, 1.0), row("b1", "b", 0.5, 80.0),
            row("b2", "b", 0.2, 30.0)]  # fmt: skip
    assert operating_points(rows, 5.0) == {"a": "a2", "b": "b2"}


def test_labels_of_several_places_are_joined_and_the_last_word_counts():
    first = table("labels", [LEAK, label("L2", "bulk_theft")])
    second = table("labels", [LEAK | {"verdict": "ruled_out"}])
    out = joined_labels([first, second])
    assert dict(out.select("label_id", "verdict").iter_rows()) == {"L1": "ruled_out", "L2": "confirmed"}


def test_a_tank_month_is_a_twelfth_of_a_year():
    """Four tanks over 60 days are 240 ÷ (365.25 ÷ 12) = 7.885 tank-months: three false alarms are 38.05 in 100."""
    out = history([alarm("T2", n) for n in (3, 23, 43)], [], complete=True)
    assert figures(out, Measure(Prices()))["false_per_100"] == pytest.approx(300.0 / (240.0 / (365.25 / 12.0)))
    assert figures(out, Measure(Prices()))["false_per_100"] == pytest.approx(38.05, abs=0.005)
