"""A tank whose temperature nobody measures. Evidence: truth by construction, hour by hour; limits by hand."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.design import Delivered
from pipeline.estimate.hypotheses import USUAL_LEAK_L_PER_H, candidates_of
from pipeline.estimate.untold import (
    MIDDLE_H,
    NAMES,
    OPEN_NAMES,
    SOIL_H,
    arrived_share,
    kept,
    untold_columns,
    with_untold_temperature,
    year_k,
)
from pipeline.physics.products import expansion_15_per_k
from tests.support.hand_unit import at_s, balance_by, dips_of, gauge_of, unit_of

HOURS = np.arange(0.0, 240.0, 1.0)
DROPS_H = np.array([40.5, 130.5])
DROP_L = 9_000.0


def course(soil_k, brought_k, lasts_h=MIDDLE_H):
    """Temperature above 15 °C, stock and litres sold of a tank of 6,000 l that sells 60 l an hour, hour by hour."""
    warm, stock, sold = soil_k, 6_000.0, 0.0
    out = []
    for hour in HOURS:
        if hour > 0:
            warm = soil_k + (warm - soil_k) * np.exp(-1.0 / lasts_h)
            stock, sold = stock - 60.0, sold + 60.0
        if hour - 0.5 in DROPS_H:
            stock += DROP_L
            warm = (warm * (stock - DROP_L) + brought_k * DROP_L) / stock
        out.append((warm, stock, sold))
    return np.array(out).T


def delivered(*, told_k):
    """Both drops, with a ticket that tells so many kelvins above 15 °C, or none."""
    none = np.zeros(2)
    loaded, warm = (np.full(2, DROP_L), none) if told_k is None else (none, np.full(2, told_k * DROP_L))
    litres = np.full(2, DROP_L)
    return Delivered(at_s(DROPS_H) / 3_600.0, litres, none + 20.0, np.zeros((2, 0)), (), loaded, warm)


def balance_for(stock, sold, papers):
    level = stock / 5.0
    unit = unit_of(gauge_of(HOURS, level))
    balance = balance_by(unit, dips_of(HOURS, level, sold), delivered=papers)
    return unit, replace(balance, stock_15_l=stock, sold_15_l=sold[:, None])


def test_stock_and_sales_seem_more_by_the_warmth_that_drops_brought_and_soil_took():
    """Soil 4 K below 15 °C, and tickets that tell 8 K above, which goes at the faster pace: both in turn, and added."""
    (soil, stock, sold), (brought, _, _) = course(-4.0, 0.0), course(0.0, 8.0, SOIL_H[0])
    _, balance = balance_for(stock, sold, delivered(told_k=8.0))
    columns = dict(zip(NAMES, untold_columns(balance, delivered(told_k=8.0)).T, strict=True))
    of_soil, of_drops = (warm * stock + np.cumsum(warm * np.diff(sold, prepend=0.0)) for warm in (soil, brought))
    assert -4.0 * columns["thermometer:soil:mean"] == pytest.approx(of_soil)
    assert columns["thermometer:told:all"] + columns["thermometer:told:pace"] == pytest.approx(of_drops)
    assert columns["thermometer:untold:mean"] == pytest.approx(0.0)


def test_a_ticket_without_a_temperature_is_taken_for_more_by_what_it_was_warmer():
    """Litres that came 1 K above 15 °C: right after the drop the tank has gained just what the ticket said."""
    stock = np.where(DROPS_H[0] < HOURS, 6_000.0 + DROP_L, 6_000.0)
    _, balance = balance_for(stock, 0.0 * HOURS, delivered(told_k=None))
    untold = untold_columns(balance, delivered(told_k=None))[:, NAMES.index("thermometer:untold:mean")]
    place = int(np.searchsorted(HOURS, DROPS_H[0]))
    assert untold[:place] == pytest.approx(0.0)
    assert untold[place] == pytest.approx(0.0, abs=1e-6)
    assert untold[place + 80] == pytest.approx(-DROP_L * (1.0 - np.exp(-80.0 / MIDDLE_H)))


def test_what_a_drop_brought_is_mixed_in_and_lost():
    """A third of the tank comes with 9 K, 3 K of the whole; ten hours later e⁻¹ of it; of that new litres halve it."""
    hours = np.array([0.0, 1.0, 11.0, 11.0])
    left = kept(np.array([[0.0], [3.0], [0.0], [0.0]]), np.array([0.0, 1 / 3, 0.0, 0.5]), hours, 10.0)
    assert left[:, 0] == pytest.approx([0.0, 3.0, 3.0 * np.exp(-1.0), 1.5 * np.exp(-1.0)])


def test_the_year_turns_the_other_way_in_the_south():
    """Coldest in the north's January: below the mean there, above it as far south; the equator has no seasons."""
    north, south, middle = (year_k(one, 0.2, 22.0) for one in (50.0, -50.0, 0.0))
    assert north[0] == south[0] < middle[0]
    assert north[1] < 0.0 < south[1]
    assert (south[1], south[2]) == (-north[1], -north[2])
    assert middle[1:] == (0.0, 0.0)
    assert year_k(None, 0.2, 22.0) == (-3.0, 0.0, 0.0)


def test_a_leak_is_unsure_by_what_a_temperature_may_feign():
    """1.5 K on 60 l an hour of a petrol that grows by 0.12 % a kelvin: 0.1 l/h, whatever came later."""
    _, stock, sold = course(0.0, 0.0)
    papers = delivered(told_k=0.0)
    unit, balance = balance_for(stock, sold, papers)
    assert balance.feigned_l_per_h == 0.0
    told = with_untold_temperature(balance, papers, unit, np.zeros(len(stock), dtype=bool))
    assert told.names == (*balance.names, *NAMES)
    assert (told.columns[:, : -len(NAMES)] == balance.columns).all() and told.columns.shape[1] == len(told.prior.sd)
    assert told.feigned_l_per_h == pytest.approx(1.5 * expansion_15_per_k(unit.product) * 60.0)


def test_a_thermometer_that_dies_leaves_the_days_before_as_they_were():
    """The columns begin when it is gone, and only what sets in then may be feigned."""
    _, stock, sold = course(0.0, 0.0)
    papers = delivered(told_k=0.0)
    unit, balance = balance_for(stock, sold, papers)
    told = np.arange(len(stock)) < len(stock) // 2
    never = with_untold_temperature(balance, papers, unit, np.zeros(len(stock), dtype=bool))
    later = with_untold_temperature(balance, papers, unit, told)
    new = slice(len(balance.names), None)
    assert (later.columns[told, new] == 0.0).all()
    assert (later.columns[~told, new] == never.columns[~told, new]).all()
    assert with_untold_temperature(balance, papers, unit, np.ones(len(stock), dtype=bool)) is balance
    candidates = candidates_of(later)
    leaks = candidates.which == 0
    before = told[candidates.onset[leaks]]
    assert candidates.usual[leaks][before] == pytest.approx(USUAL_LEAK_L_PER_H)
    assert candidates.usual[leaks][~before] == pytest.approx(np.hypot(USUAL_LEAK_L_PER_H, later.feigned_l_per_h))


def test_a_tank_in_the_open_warms_by_day_besides():
    """A kelvin is 0.124 % of the stock of petrol (from memory): at midnight and at six, where nobody tells it alone."""
    _, stock, sold = course(0.0, 0.0)
    papers = delivered(told_k=0.0)
    unit, balance = balance_for(stock, sold, papers)
    unit = replace(unit, product="gasoline_e5")
    in_the_open = replace(unit, tanks=unit.tanks.with_columns(buried=pl.lit(False)))
    told = HOURS < 100.0
    buried, warmed = (with_untold_temperature(balance, papers, one, told) for one in (unit, in_the_open))
    assert buried.names == (*balance.names, *NAMES)
    assert warmed.names == (*balance.names, *NAMES, *OPEN_NAMES)
    count = len(OPEN_NAMES)
    assert (warmed.columns[:, :-count] == buried.columns).all()
    assert warmed.columns.shape[1] == len(warmed.prior.sd) == len(warmed.prior.mean) == len(warmed.names)
    assert (warmed.prior.sd[:-count] == buried.prior.sd).all() and (warmed.prior.mean[-count:] == 0.0).all()
    daily = warmed.columns[:, -count:]
    assert (daily[told] == 0.0).all()
    hour_of_day = HOURS % 24.0
    midnight, six = ~told & (hour_of_day == 0.0), ~told & (hour_of_day == 6.0)
    of_a_kelvin = 0.00124 * stock
    assert daily[midnight, 0] == pytest.approx(of_a_kelvin[midnight], rel=0.03)
    assert daily[midnight, 1] == pytest.approx(0.0, abs=1e-6)
    assert daily[six, 1] == pytest.approx(of_a_kelvin[six], rel=0.03)
    assert daily[six, 0] == pytest.approx(0.0, abs=1e-6)


def test_only_a_drop_arrives():
    stock = np.array([6_000.0, 5_940.0, 14_940.0, 14_880.0])
    level = stock / 5.0
    unit = unit_of(gauge_of(np.arange(4.0), level))
    balance = balance_by(unit, dips_of(np.arange(4.0), level, np.zeros(4)))
    here = replace(balance, stock_15_l=stock, jump_var_l2=np.array([0.0, 0.0, 400.0, 0.0]))
    assert arrived_share(here) == pytest.approx([0.0, 0.0, 9_000.0 / 14_940.0, 0.0])
