"""A chart put right at any level, and how a tank closes by it. Evidence: by hand, naive twin."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.chart_closing import closing_of, daily_variance_l, sold_l_per_month, stretches_of
from pipeline.estimate.chart_correction import Between, Correction, correction_of
from pipeline.estimate.chart_data import METERS, ChartData
from pipeline.estimate.chart_fit import CHART
from pipeline.estimate.regression import Prior
from pipeline.scoring.charts import verdict_of
from tests.estimate.test_chart_terms import L_PER_MM, ROWS_MM, data, fit_of, model

__all__ = ["data", "model"]

SPAN_MM = (400.0, 1_600.0)


def scaled(model, data, *shares: float, sd: float = 0.0) -> Correction:
    """Fits that believe in scales, each as likely as the others."""
    return correction_of(model, [fit_of(data, scale=share, sd=sd) for share in shares], SPAN_MM)


def test_a_scale_of_a_percent_adds_a_percent_at_every_level(model, data):
    found = scaled(model, data, 0.01).at(ROWS_MM)
    assert found.chart_l == pytest.approx(L_PER_MM * ROWS_MM)
    assert found.corrected_l == pytest.approx(1.01 * L_PER_MM * ROWS_MM)
    assert found.remainder_l == pytest.approx(np.zeros(len(ROWS_MM)), abs=1e-6)
    assert found.is_visited.tolist() == [400.0 <= level <= 1_600.0 for level in ROWS_MM]


def test_two_fits_that_differ_leave_their_difference_as_doubt(model, data):
    """0 and 2 % with a half each: 1 % with an SD of 1 %."""
    found = scaled(model, data, 0.0, 0.02).at(ROWS_MM)
    assert found.corrected_l == pytest.approx(1.01 * L_PER_MM * ROWS_MM)
    assert found.sd_l == pytest.approx(0.01 * L_PER_MM * ROWS_MM, abs=1e-6)


def test_a_corrected_chart_neither_falls_nor_holds_less_than_nothing(model, data):
    """A probe that reads 50 mm too much: below that reading there is nothing."""
    found = correction_of(model, [fit_of(data, offset=50.0, scale=-0.001)], SPAN_MM).at(np.arange(0.0, 2_001.0, 5.0))
    assert found.corrected_l.min() == 0.0
    assert (np.diff(found.corrected_l) >= 0.0).all()


def test_the_remainder_is_what_is_left_of_a_straight_share_and_no_pose(model, data):
    """By its definition, from the whole correction of the same shape."""
    level = np.linspace(*SPAN_MM, 7)
    found = correction_of(model, [fit_of(data, remainder__1=0.5)], SPAN_MM)
    whole = found.litres(level)
    straight = whole[0] + (whole[-1] - whole[0]) * (level - level[0]) / (level[-1] - level[0])
    assert found.at(level).remainder_l == pytest.approx(whole - straight, abs=1e-6)
    posed = correction_of(model, [fit_of(data, remainder__1=0.5, offset=20.0)], SPAN_MM)
    assert posed.at(level).remainder_l == pytest.approx(whole - straight, abs=1e-6)


def test_the_widest_difference_is_between_the_ends_where_a_size_is_wrong(model, data):
    """−2 ± 0.1 % of scale between 400 and 1,600 mm: 0.02 × 1,200 mm of litres too few."""
    found = scaled(model, data, -0.02)
    wide = found.widest()
    assert (wide.low_mm, wide.high_mm) == SPAN_MM
    assert wide.litres == pytest.approx(-0.02 * 1_200.0 * L_PER_MM, rel=1e-6)
    mean = np.zeros(len(found.fits[0].belief.mean))
    mean[CHART.index("scale")] = -0.02
    cov = np.zeros((len(mean), len(mean)))
    cov[CHART.index("scale"), CHART.index("scale")] = 0.001**2
    fit = replace(found.fits[0], belief=replace(found.fits[0].belief, mean=mean, cov=cov))
    assert correction_of(model, [fit], SPAN_MM).widest().sd_l == pytest.approx(0.001 * 1_200.0 * L_PER_MM, rel=1e-6)


@pytest.mark.parametrize(("litres", "expected"), [(0.0, 0.0455), (60.0, 0.5), (-60.0, 0.5), (120.0, 0.97725)])
def test_the_chance_to_be_beyond_a_tolerance(litres, expected):
    """A normal curve of SD 30 against ± 60 l; the shares from tables of the standard normal distribution."""
    assert Between(0.0, 1.0, litres, 30.0).chance_beyond(60.0) == pytest.approx(expected, abs=2e-4)


def test_table_levels_are_the_site_s_own_and_every_step(model, data):
    found = scaled(model, data, 0.0)
    assert found.table_levels_mm(None).tolist() == ROWS_MM.tolist()
    assert found.table_levels_mm(10.0).tolist() == np.arange(0.0, 2_001.0, 10.0).tolist()
    odd = replace(model, rows_mm=np.array([3.0, 12.0, 27.0]))
    assert replace(found, model=odd).table_levels_mm(10.0).tolist() == [3.0, 10.0, 12.0, 20.0, 27.0]


def closing_data(by_chart_l, y_l, cycle, free, sold_l, hours) -> ChartData:
    count = len(by_chart_l)
    return ChartData(
        y_l=np.array(y_l),
        by_chart_l=np.array(by_chart_l),
        level_mm=np.linspace(1_000.0, 500.0, count),
        still_mm=np.zeros(count),
        vcf=np.ones(count),
        others=-np.array(sold_l)[:, None],
        names=(METERS,),
        prior=Prior(np.zeros(1), np.ones(1)),
        hours=np.array(hours),
        filter=None,  # type: ignore[arg-type]
        weight=np.ones(count),
        cycle=np.array(cycle),
        free=np.array(free),
    )


@pytest.fixture
def two_stretches() -> ChartData:
    """Six dips at 12 h, a drop, six more: by the chart 10 l are lost a dip, and 100 l at a move of which none knows."""
    by_chart = [*(-10.0 * n for n in range(6)), *(500.0 - 10.0 * n for n in range(6))]
    return closing_data(
        by_chart, by_chart, [0] * 6 + [1] * 6, [False] * 6 + [True] + [False] * 5, 200.0 * np.arange(12.0),
        12.0 * np.arange(12.0),
    )  # fmt: skip


def test_what_the_correction_adds_is_what_the_stretches_close_by(two_stretches):
    """10 l are put back at each dip: nothing is left in either stretch. Medians of three dips stand three apart."""
    found = stretches_of(two_stretches, 10.0 * np.concatenate([np.arange(6.0), np.arange(6.0)]))
    assert [(one.before_l, one.after_l, one.sold_l) for one in found] == [(-30.0, 0.0, 600.0)] * 2
    assert [(one.start_s, one.end_s) for one in found] == [(0.0, 60.0 * 3_600.0), (72.0 * 3_600.0, 132.0 * 3_600.0)]
    closing = closing_of(two_stretches, 10.0 * np.concatenate([np.arange(6.0), np.arange(6.0)]))
    six = np.std(10.0 * np.arange(6.0))
    assert closing.between_drops_before_l == pytest.approx(six)
    assert closing.between_drops_after_l == pytest.approx(0.0, abs=1e-9)
    assert closing.after_l == pytest.approx(0.0, abs=1e-9)
    assert closing.before_l > six


def test_a_stretch_of_few_dips_is_left_out(two_stretches):
    assert len(stretches_of(replace(two_stretches, cycle=np.array([0] * 5 + [1] * 7)), np.zeros(12))) == 1


def test_what_a_chart_puts_into_daily_variance_counts_each_day_without_its_sign(two_stretches):
    """First dips of six days lack 0, 30, 0, 30, 0, 30 l: 30 l a day of 30.4375; 200 l are sold a dip of 12 h."""
    lacks = np.repeat([0.0, 30.0, 0.0, 30.0, 0.0, 30.0], 2)
    assert daily_variance_l(two_stretches, lacks) == pytest.approx(30.0 * 30.4375)
    assert sold_l_per_month(two_stretches) == pytest.approx(400.0 * 30.4375)
    gap = replace(two_stretches, hours=two_stretches.hours + np.where(np.arange(12) >= 6, 240.0, 0.0))
    assert daily_variance_l(gap, lacks) == pytest.approx(30.0 * 30.4375)
    apart = replace(two_stretches, hours=48.0 * np.arange(12.0))
    assert np.isnan(daily_variance_l(apart, lacks))


@pytest.mark.parametrize(
    ("wrong", "daily_pct", "verdict"),
    [
        (0.95, 0.5, "new_table"), (0.95, 0.01, "no_new_table"), (0.7, 0.5, "may_be_wrong"), (0.3, 2.0, "no_new_table"),
    ],
)  # fmt: skip
def test_a_table_is_worth_it_where_the_chart_is_surely_wrong_and_costs_something(wrong, daily_pct, verdict):
    assert verdict_of(wrong, daily_pct) == verdict
