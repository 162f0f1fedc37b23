"""The figures of a chart's fit and of several fits together. Evidence: by hand, properties."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.chart_belief import before_of, seen_of
from pipeline.estimate.chart_data import METERS, ChartData, chart_data
from pipeline.estimate.chart_fit import CHART, Fit, fit_ways
from pipeline.estimate.chart_mixture import Mixture, estimates_of, mixture_of, weights_of
from pipeline.estimate.chart_shape import TankModel, tank_model
from pipeline.estimate.chart_terms import NAMES, correction_l, terms_of
from pipeline.estimate.design import Delivered
from pipeline.estimate.regression import Posterior, Prior
from tests.support import hand_unit
from tests.support.hand_unit import at_s, balance_by, dips_of, drop_of, gauge_of, noise_of, unit_of

ROWS_MM = np.arange(0.0, 2_001.0, 100.0)
UPRIGHT = {
    "shape": "vertical_cylinder", "end_shape": "flat", "diameter_mm": 2_523.1, "length_mm": 2_000.0,
    "end_depth_mm": None, "tilt_mm_per_m": None, "probe_position_mm": None,
}  # fmt: skip
L_PER_MM = np.pi / 4.0 * 2.5231**2
"""Litres a millimetre of an upright cylinder of 2.5231 m: 5.0."""
HOURS = np.arange(0.0, 72.0, 6.0)
SOLD_L = 100.0 * np.arange(12.0)
CARRIERS = ("Ash", None, "Brook")


@pytest.fixture(scope="module")
def model() -> TankModel:
    return tank_model(UPRIGHT, ROWS_MM, L_PER_MM * ROWS_MM)


@pytest.fixture(scope="module")
def data(model) -> ChartData:
    """A dozen dips; drops of 900, 800 and 700 l at hours 20, 40 and 60, by two carriers and one unnamed."""
    drops = [drop_of(20.0 * (n + 1), 900.0 - 100.0 * n, tickets=(n,)) for n in range(3)]
    tickets = [(f"D{n}", 20.0 * (n + 1) - 1.0, 900.0 - 100.0 * n) for n in range(3)]
    came = sum((900.0 - 100.0 * n) * (20.0 * (n + 1) < HOURS) for n in range(3))
    level = 1_200.0 + (came - SOLD_L) / 5.0
    unit = unit_of(gauge_of(HOURS, level), tickets=tickets, carriers=CARRIERS)
    dips = dips_of(HOURS, level, SOLD_L)
    delivered = Delivered(
        at_s([20.0, 40.0, 60.0]) / 3_600.0,
        np.array([900.0, 800.0, 700.0]),
        np.full(3, 20.0),
        np.zeros((3, 0)),
        (),
        np.zeros(3),
        np.zeros(3),
    )
    balance = balance_by(unit, dips, delivered=delivered)
    return chart_data(hand_unit.seen_of(unit, drops=drops), dips, balance, noise_of(12), model)


def column(data: ChartData, name: str) -> np.ndarray:
    return data.others[:, data.names.index(name)]


def test_each_carrier_s_tickets_are_a_regressor_of_their_own(data):
    """What a carrier's paper says too much by a share is added to what is taken off: its course is what it brought."""
    assert column(data, "carrier:Ash") == pytest.approx(np.where(HOURS > 20, 900.0, 0.0))
    assert column(data, "carrier:Brook") == pytest.approx(np.where(HOURS > 60, 700.0, 0.0))
    assert "carrier:" not in data.names
    total = 900.0 * (HOURS > 20) + 800.0 * (HOURS > 40) + 700.0 * (HOURS > 60)
    assert column(data, "tickets") == pytest.approx(total)
    assert column(data, METERS) == pytest.approx(-SOLD_L)
    usual = dict(zip(data.names, zip(data.prior.mean, data.prior.sd, strict=True), strict=True))
    assert usual["carrier:Ash"] == (-0.0005, 0.001)
    assert usual["tickets"] == (0.0, 0.0003)


def test_the_book_corrected_stock_by_the_better_chart_keeps(data):
    """6,000 l at the beginning; the upright tank's own litres a millimetre are 4.99989."""
    assert data.y_l == pytest.approx(np.full(12, 6_000.0), abs=0.5)
    assert data.cycle.tolist() == np.searchsorted([20.0, 40.0, 60.0], HOURS).tolist()
    assert not data.free.any()


def fit_of(data: ChartData, *, sd: float = 0.0, log_evidence: float = 0.0, key: str = "sound", **means: float) -> Fit:
    """A fit that believes what is said, ':' written as '__', and nothing else."""
    names = [*CHART, *data.names]
    mean = np.zeros(len(names))
    for name, value in means.items():
        mean[names.index(name.replace("__", ":"))] = value
    belief = Posterior(mean, np.diag(np.full(len(names), sd**2)))
    before = before_of(Prior(np.zeros(len(names)), np.ones(len(names))))
    seen = seen_of(np.zeros((1, 1 + len(names))))
    return Fit("sound", key, 1.0, before, seen, belief, log_evidence, np.zeros(12))


def figures(model, data, **more) -> dict[str, float]:
    fit = fit_of(data, **more)
    return dict(zip(NAMES, terms_of(model, data, fit, (400.0, 1_600.0), 800.0).value, strict=True))


@pytest.mark.parametrize("share", [0.01, -0.01])
def test_a_scale_of_a_percent_is_a_percent_of_the_litres_and_leaves_no_remainder(model, data, share):
    told = figures(model, data, scale=share)
    assert told["scale"] == pytest.approx(share, rel=1e-6)
    assert told["stock"] == pytest.approx(share * L_PER_MM * 800.0, rel=1e-4)
    assert told["remainder"] == pytest.approx(0.0, abs=1e-6)


def test_an_offset_of_ten_millimetres_hides_fifty_litres(model, data):
    """A probe that reads 10 mm too much: the tank holds 50 l less than the chart says, at every height."""
    told = figures(model, data, offset=10.0)
    assert (told["offset"], told["datum"]) == (10.0, 10.0)
    assert told["stock"] == pytest.approx(-10.0 * L_PER_MM, rel=1e-3)
    assert told["scale"] == pytest.approx(0.0, abs=1e-4)
    litres, _ = correction_l(model, fit_of(data, offset=10.0), np.array([500.0, 1_500.0]))
    assert litres == pytest.approx(np.full(2, -10.0 * L_PER_MM), rel=1e-3)


def test_what_all_meters_and_all_tickets_are_off_by_is_their_mean_by_litres(model, data):
    """One meter at 0.3 % and all at 0.1: 0.4 %. Ash has 900 of 1,600 l, Brook the others: 0.1 + 0.09 − 0.0875 %."""
    off = {"meter__M1": 0.003, "meters": 0.001, "carrier__Ash": 0.0016, "carrier__Brook": -0.002, "tickets": 0.001}
    told = figures(model, data, **off)
    assert told["meters"] == pytest.approx(0.004)
    assert told["tickets"] == pytest.approx(0.001 + 0.0016 * 900.0 / 1_600.0 - 0.002 * 700.0 / 1_600.0)


def test_the_slopes_are_the_figures_derivatives(model, data):
    """By differences, the remainder's sign left aside: it is of the largest departure."""
    base = {"scale": 0.004, "remainder__2": 0.5}
    fit = fit_of(data, **base)
    slopes = terms_of(model, data, fit, (400.0, 1_600.0), 800.0).slopes
    names = [*CHART, *data.names]
    for name, step in (("scale", 1e-4), ("remainder:2", 1e-3), ("carrier:Ash", 1e-4)):
        key = name.replace(":", "__")
        up = figures(model, data, **(base | {key: base.get(key, 0.0) + step}))
        down = figures(model, data, **(base | {key: base.get(key, 0.0) - step}))
        for row, figure in enumerate(NAMES):
            expected = (up[figure] - down[figure]) / (2.0 * step)
            assert slopes[row, names.index(name)] == pytest.approx(expected, rel=1e-4, abs=1e-7), (name, figure)


def test_a_figure_s_spread_is_what_each_coefficient_s_doubt_moves_it_by(model, data):
    """Scale ± 0.2 %, one shape ± 0.05 of its usual size: each figure moved by either, and both by their squares."""
    fit = fit_of(data, scale=0.004)
    sd = np.zeros(len(fit.belief.mean))
    sd[CHART.index("scale")], sd[CHART.index("remainder:0")] = 0.002, 0.05
    cov = terms_of(model, data, fit, (400.0, 1_600.0), 800.0).spread(Posterior(fit.belief.mean, np.diag(sd**2)))
    usual = figures(model, data, scale=0.004)
    wider, bent = figures(model, data, scale=0.006), figures(model, data, scale=0.004, remainder__0=0.05)
    for name in ("scale", "stock"):
        row = NAMES.index(name)
        expected = np.hypot(wider[name] - usual[name], bent[name] - usual[name])
        assert np.sqrt(cov[row, row]) == pytest.approx(expected, rel=1e-6)


def test_fits_are_weighed_by_their_evidence(data):
    told = weights_of([fit_of(data, log_evidence=value) for value in (700.0, 700.0 + np.log(3.0))])
    assert told == pytest.approx([0.25, 0.75])


MIXED = Mixture(np.array([0.25, 0.75]), np.array([[2.0], [4.0]]), np.array([[0.5], [0.0]]), np.eye(1), np.ones(1))


def test_a_mixture_s_mean_spread_and_quantiles():
    """2 ± 0.5 with a quarter, 4 with three: mean 3.5; variance 0.25·0.25 + 0.25·0.75·2² = 0.8125."""
    assert MIXED.mean(0) == 3.5
    assert MIXED.spread(0) == pytest.approx(np.sqrt(0.0625 + 0.75))
    assert MIXED.quantile(0, 0.125) == pytest.approx(2.0, abs=1e-6)
    assert MIXED.quantile(0, 0.6) == pytest.approx(4.0, abs=1e-6)


def test_an_upright_tank_tells_scale_and_stock_and_no_pose(model, data):
    """Two fits, of 1 % and of 2 % of scale, the likelier three times the other."""
    likelier = fit_of(data, scale=0.02, sd=1e-4, log_evidence=np.log(3.0), key="scale:0.025")
    fits = [fit_of(data, scale=0.01, sd=1e-4), likelier]
    terms = [terms_of(model, data, fit, (400.0, 1_600.0), 800.0) for fit in fits]
    told = {one.name: one for one in estimates_of(model, mixture_of(model, fits, terms))}
    assert told["scale_pct"].value == pytest.approx(1.75, abs=1e-3)
    assert told["scale_pct"].low < 1.0 < 2.0 < told["scale_pct"].high
    assert told["stock_l"].value == pytest.approx(0.0175 * L_PER_MM * 800.0, rel=1e-3)
    for name in ("tilt_mm_per_m", "offset_mm", "datum_mm", "roll_deg"):
        assert not told[name].is_identified
        assert np.isnan(told[name].value)
        assert "upright" in told[name].note


@pytest.mark.parametrize("share", [0.04, -0.04])
def test_a_chart_whose_litres_are_off_by_a_share_is_fitted_as_such(model, data, share):
    """The tank gives 4 % more, or less, than its chart says: its stock by the chart moves by so much less, or more."""
    shown = replace(data, y_l=data.y_l - share * L_PER_MM * (data.level_mm - data.level_mm[0]))
    fits = fit_ways(shown, model)
    terms = [terms_of(model, shown, fit, (400.0, 1_600.0), 800.0) for fit in fits]
    told = {one.name: one for one in estimates_of(model, mixture_of(model, fits, terms))}
    assert told["scale_pct"].value == pytest.approx(100.0 * share, abs=1.5)
    assert told["scale_pct"].low < 100.0 * share < told["scale_pct"].high
