"""A tank of a dozen dips as a regression: every column by hand in litres. Evidence: known truth, naive twins."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.chart_columns import (
    BAND_REACH_MM,
    BAND_SD,
    BANDS,
    CHART_COLUMNS,
    chart_changes_s,
    chart_columns,
    chart_names,
    shape_columns,
)
from pipeline.estimate.courses import head_hours, shell_lag_l, steadied, without_noise
from pipeline.estimate.design import FREE_L2, Delivered
from pipeline.ledger.fleet import Unit
from pipeline.ledger.gauge import Strapping
from pipeline.physics.products import product_vcf
from tests.support.hand_unit import FIRST_DAY, at_s, balance_by, dips_of, drop_of, gauge_of, unit_of

HOURS = np.arange(0.0, 72.0, 6.0)
SOLD_L = np.where(HOURS >= 12, 600.0, 0.0) + np.where(HOURS >= 48, 250.0, 0.0)
CAME_L = np.where(HOURS > 30, 3_000.0, 0.0)
LEVEL_MM = 1_000.0 - SOLD_L / 5.0 + CAME_L / 5.0
UNIT = unit_of(gauge_of(HOURS, LEVEL_MM))
TICKETED = Delivered(
    at_s([30.0]) / 3_600.0,
    np.array([3_000.0]),
    np.array([20.0]),
    np.array([[15.0]]),
    ("Ash",),
    np.zeros(1),
    np.zeros(1),
)
EPOCH_H = float(at_s(0.0)) / 3_600.0


def column(balance, name: str) -> np.ndarray:
    return balance.columns[:, balance.names.index(name)]


def plain(**more):
    return balance_by(UNIT, dips_of(HOURS, LEVEL_MM, SOLD_L), delivered=TICKETED, **more)


def test_the_book_corrected_stock_keeps_while_books_and_tank_agree():
    """5,000 l less 600, plus 3,000, less 250: sales added back and tickets taken off, 5,000 l at every dip."""
    assert plain().y_l == pytest.approx(np.full(12, 5_000.0))


@pytest.mark.parametrize("litres", [-40.0, 40.0])
def test_what_nobody_recorded_stays_in_it_with_its_sign(litres):
    level = LEVEL_MM + np.where(HOURS >= 36, litres / 5.0, 0.0)
    balance = balance_by(UNIT, dips_of(HOURS, level, SOLD_L), delivered=TICKETED)
    assert balance.y_l - 5_000.0 == pytest.approx(np.where(HOURS >= 36, litres, 0.0))


def test_each_regressor_is_what_a_unit_of_it_adds():
    balance = plain()
    assert column(balance, "meter:M1") == pytest.approx(-SOLD_L)
    assert column(balance, "vapour") == pytest.approx(-SOLD_L)
    assert column(balance, "breathing") == pytest.approx(-HOURS)
    assert column(balance, "tickets") == pytest.approx(CAME_L)
    assert column(balance, "chart0:offset") == pytest.approx(0.0)  # an upright tank's is a constant
    assert column(balance, "basis:Ash") == pytest.approx(np.where(HOURS > 30, 15.0, 0.0))
    assert column(balance, "expansion") == pytest.approx(np.zeros(12))
    assert balance.stock_15_l == pytest.approx(5.0 * LEVEL_MM)
    assert balance.hours == pytest.approx(EPOCH_H + HOURS)


def test_at_25_degrees_fewer_litres_are_there():
    """Diesel of 840 kg/m³: a litre at 25 °C is 0.9915 l at 15 (ASTM D1250 table 54B); it grows by 0.00085 a kelvin."""
    level = np.full(12, 1_000.0)
    warm = balance_by(UNIT, dips_of(HOURS, level, temp_c=25.0))
    assert warm.vcf[6:] == pytest.approx(np.full(6, 0.9915), abs=2e-4)
    assert warm.y_l[6:] == pytest.approx(np.full(6, 5_000.0 * 0.9915), abs=1.0)
    assert column(warm, "expansion")[6:] == pytest.approx(np.full(6, 0.00085 * 5_000.0 * 10.0), rel=0.02)
    cold = balance_by(UNIT, dips_of(HOURS, level, temp_c=5.0))
    assert cold.y_l[6:] == pytest.approx(np.full(6, 5_000.0 * 1.0085), abs=1.0)


@pytest.mark.parametrize(
    ("product", "from_c", "to_c"),
    [
        ("diesel_b7", 52.0, 36.0),
        ("gasoline_e10", 48.0, 33.0),
        ("gasoline_e85", -34.0, -14.0),
        ("kerosene", -38.0, -12.0),
    ],
)
def test_what_cools_from_40_degrees_and_more_or_warms_from_far_below_nought_loses_nothing(product, from_c, to_c):
    """5,000 l at 15 °C in the sun of a hot country, or in a hard winter, go with the temperature alone."""
    temp = np.linspace(from_c, to_c, 12)
    level = 5_000.0 / np.asarray(product_vcf(product, temp)) / 5.0
    unit = unit_of(gauge_of(HOURS, level), product=product)
    balance = balance_by(unit, dips_of(HOURS, level, temp_c=temp))
    assert balance.vcf == pytest.approx(np.asarray(product_vcf(product, balance.temp_c)))
    assert np.ptp(balance.y_l) < 0.3 * np.ptp(5.0 * level)  # the temperature is smoothed from the past, so it lags


def test_a_shell_that_was_just_filled_still_gives():
    """1,000 l come between the third dip and the fourth, an hour each: ahead by 1,000 e^(−1/2.5), then fading."""
    stock = np.where(np.arange(6) >= 3, 2_000.0, 1_000.0)
    told = shell_lag_l(stock, np.arange(6.0))
    assert told == pytest.approx([0.0, 0.0, 0.0, *(1_000.0 * np.exp(-np.array([1.0, 2.0, 3.0]) / 2.5))])
    assert shell_lag_l(-stock, np.arange(6.0)) == pytest.approx(-told)


def test_doubt_comes_with_the_first_dip_after_what_brought_it():
    """A drop at hour 30 lies on a dip, and is felt at the next one; a move after the last dip is not felt yet."""
    balance = plain(jumps_h=[EPOCH_H + 13.0, EPOCH_H + 66.5], drops=[drop_of(30.0, 3_000.0).drop])
    expected = np.where(HOURS == 36, 20.0**2, 0.0) + np.where(HOURS == 18, FREE_L2, 0.0)
    assert balance.jump_var_l2 == pytest.approx(expected)


def lying(unit: Unit) -> Unit:
    """The tank as one whose surface grows by 0.01 l/mm a millimetre: h²/200 litres, 10 l/mm at the middle of 2 m."""
    level = np.arange(0.0, 2_001.0)
    return replace(unit, strappings=(Strapping(unit.strappings[0].valid_from_s, ((level, level**2 / 200.0),)),))


def test_a_gauge_that_jumped_is_off_as_a_chart_is_beyond_its_middle_from_its_hour_on():
    """With 10 l/mm at the middle, 1000 mm: 0 l at 1000 mm, −1.2 at 880 mm; before the first dip it is the chart's own.

    What jumps twice between two dips has jumped once, and what jumps after the last is not felt yet.
    """
    level, sold = np.where(HOURS < 36, 1_000.0, 880.0), np.where(HOURS < 36, 0.0, 600.0)
    shifts_h = [EPOCH_H - 1.0, EPOCH_H + 13.0, EPOCH_H + 14.0, EPOCH_H + 48.0, EPOCH_H + 70.0]
    balance = balance_by(lying(UNIT), dips_of(HOURS, level, sold), shifts_h=shifts_h)
    assert [name for name in balance.names if name.startswith("shift")] == ["shift0:offset", "shift1:offset"]
    off = np.where(HOURS < 36, 0.0, -1.2)
    assert column(balance, "shift0:offset") == pytest.approx(np.where(HOURS >= 18, off, 0.0), abs=0.01)
    assert column(balance, "shift1:offset") == pytest.approx(np.where(HOURS >= 48, off, 0.0), abs=0.01)


def test_a_calibration_s_litres_are_those_since():
    unit = unit_of(gauge_of(HOURS, LEVEL_MM), calibrated_s={"M1": (float(at_s(13.0)),), "M9": (float(at_s(1.0)),)})
    balance = balance_by(unit, dips_of(HOURS, LEVEL_MM, SOLD_L), delivered=TICKETED)
    assert [name for name in balance.names if name.startswith("calibrated")] == ["calibrated:M1"]
    # By straight lines between dips, at hour 13 all 600 l of the first sale are behind it.
    assert column(balance, "calibrated:M1") == pytest.approx(-np.where(HOURS >= 48, 250.0, 0.0))
    both = [balance.names.index(name) for name in ("meter:M1", "calibrated:M1")]
    assert balance.error_places("M1", 2) == both[:1]
    assert balance.error_places("M1", 11) == both
    assert balance.error_places("M2", 11) == []


def test_the_last_half_hour_of_a_day_is_the_next_day_s():
    hours = np.array([0.0, 23.0, 23.49, 23.5, 24.0, 47.5])
    balance = balance_by(UNIT, dips_of(hours, 1_000.0))
    assert (balance.known_day - FIRST_DAY).tolist() == [0, 0, 0, 1, 1, 2]


@pytest.mark.parametrize(("product", "vapour", "breathing"), [("gasoline_e5", 0.0005, 0.03), ("diesel_b7", 0.0, 0.0)])
def test_petrol_loses_to_the_air_and_diesel_does_not(product, vapour, breathing):
    unit = unit_of(gauge_of(HOURS, LEVEL_MM), product=product)
    balance = balance_by(unit, dips_of(HOURS, LEVEL_MM, SOLD_L))
    usual = dict(zip(balance.names, balance.prior.mean, strict=True))
    assert (usual["vapour"], usual["breathing"]) == (vapour, breathing)
    assert usual["tickets"] == -0.0005
    spread = dict(zip(balance.names, balance.prior.sd, strict=True))
    assert (spread["meter:M1"], spread["chart0:scale"], spread["chart0:offset"]) == (0.002, 0.003, 14.0)
    assert len(balance.names) == balance.columns.shape[1] == len(balance.prior.mean) == len(balance.prior.sd)


def test_a_leak_goes_by_the_root_of_its_head():
    """Head 2 m in a tank of 4 m is the measure: an hour there is an hour; at 0.5 m half of one; above the surface none.

    From a hole at 0.1 m (number 1), at 1 m: √((0.25 − 0.025) ÷ (0.5 − 0.025)) = 0.688.
    """
    hours = np.array([0.0, 1.0, 3.0])
    for level_mm, hole, speed in ((2_000.0, 0, 1.0), (500.0, 0, 0.5), (1_000.0, 1, 0.6883), (90.0, 1, 0.0)):
        told = head_hours(UNIT, np.full(3, level_mm), hours)[:, hole]
        assert told == pytest.approx(speed * hours, rel=1e-3), (level_mm, hole)
    falling = head_hours(UNIT, np.array([2_000.0, 500.0]), np.array([0.0, 2.0]))[:, 0]
    assert falling == pytest.approx([0.0, 0.5 * (1.0 + 0.5) * 2.0])


def test_a_running_mean_is_that_since_a_jump_until_it_is_of_many_dips():
    """Of a share of a third: the first dip, the mean of two, of three; then a third of each; at a jump begun anew."""
    y, jumps = np.array([10.0, 20.0, 30.0, 40.0, 50.0, 80.0, 90.0]), np.zeros(7)
    jumps[5] = 9.0
    assert steadied(y, jumps, 1.0 / 3.0) == pytest.approx([10.0, 10.0, 15.0, 20.0, 20.0 + 20.0 / 3.0, 80.0, 80.0])


def test_noise_comes_off_levels_and_litres_alike():
    dips = without_noise(dips_of(HOURS, 1_000.0), np.full(12, 15.0))
    assert dips.gauge_l == pytest.approx(np.full(12, 4_985.0))
    assert dips.level_mm == pytest.approx(np.full(12, 997.0))


def test_a_chart_s_columns_are_those_of_the_chart_in_force():
    """A new chart at hour 40: what the first adds stands until then, what the second adds from then on.

    At 1,200 mm the scale adds 5 l a millimetre over the 1,000 mm of the middle; an upright tank's offset adds alike
    everywhere, which is a constant.
    """
    unit = unit_of(gauge_of(HOURS, 1_200.0), charts=((-1_000.0, 5.0), (40.0, 5.0)))
    columns, names = chart_columns(unit, np.full(12, 1_200.0), at_s(HOURS)), chart_names(unit)
    assert chart_changes_s(unit) == pytest.approx([at_s(40.0)])
    assert columns.shape == (12, 2 * CHART_COLUMNS)
    for number, here in ((0, HOURS < 40), (1, HOURS >= 40)):
        assert columns[:, names.index(f"chart{number}:scale")] == pytest.approx(np.where(here, 1_000.0, 0.0))
        assert columns[:, names.index(f"chart{number}:offset")] == pytest.approx(0.0)
    beyond, top = (chart_columns(unit, np.full(12, mm), at_s(HOURS)) for mm in (9_000.0, 2_000.0))
    assert beyond == pytest.approx(top)
    early = unit_of(gauge_of(HOURS, 1_000.0), charts=((-1_000.0, 5.0), (-1.0, 5.0), (99.0, 5.0)))
    assert len(chart_changes_s(early)) == 0


def test_shapes_add_up_to_slopes_that_neighbouring_bands_have_alike():
    """Naive twin: the variance of the litres below a level, band by band, each 0.4 % off, alike over 200 mm."""
    level = np.array([300.0, 1_000.0, 1_700.0])
    shapes = shape_columns(UNIT, level, at_s(np.zeros(3)))
    edges = np.linspace(0.0, 2_000.0, BANDS + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    for place, mm in enumerate(level):
        litres = 5.0 * np.clip(mm - edges[:-1], 0.0, edges[1] - edges[0])
        variance = sum(
            litres[a] * litres[b] * BAND_SD**2 * np.exp(-0.5 * ((middle[a] - middle[b]) / BAND_REACH_MM) ** 2)
            for a in range(BANDS)
            for b in range(BANDS)
        )
        assert (shapes[place] ** 2).sum() == pytest.approx(variance, rel=2e-3)


def test_a_later_dip_moves_no_earlier_row():
    dips = dips_of(HOURS, LEVEL_MM, SOLD_L, temp_c=15.0 + np.sin(HOURS))
    late = np.where(HOURS >= 48, 77.0, 0.0)
    wild = replace(dips, gauge_l=dips.gauge_l + late, temp_c=dips.temp_c + 0.1 * late, level_mm=dips.level_mm + late)
    one, other = (balance_by(UNIT, each, delivered=TICKETED) for each in (dips, wild))
    assert np.array_equal(one.y_l[:8], other.y_l[:8])
    assert np.array_equal(one.columns[:8], other.columns[:8])
    assert np.array_equal(one.leak_h[:8], other.leak_h[:8])
