"""Tickets without a temperature, and a day on which the till's clock is put back. Evidence: twin, known truth."""

from datetime import timedelta

import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.estimate.tickets import MIXED_C, Mixing
from pipeline.physics.mixing import Parcel, mixed_temp_c
from tests.support.hand_site import HandSite, HandTank, Poured, at


@pytest.mark.parametrize("product", ["gasoline_e10", "diesel_b7"])
@pytest.mark.parametrize(("stock_l", "ticket_l"), [(4_000.0, 12_000.0), (15_000.0, 6_000.0)])
@pytest.mark.parametrize("came_c", [-2.0, 9.0, 31.0])
def test_the_temperature_of_a_drop_is_told_back_from_the_mixture(product, stock_l, ticket_l, came_c):
    """Naive twin: the mixture's temperature by mass. By litres instead it is good to half of the stated doubt."""
    stock, drop = Parcel(stock_l, 14.0, 800.0), Parcel(ticket_l, came_c, 800.0)
    mixing = Mixing(14.0, float(mixed_temp_c(stock, drop, product)), stock_l)
    assert mixing.came_at_c(ticket_l) == pytest.approx(came_c, abs=MIXED_C / 2.0)
    assert mixing.sd_c(ticket_l) >= MIXED_C


def test_a_larger_step_and_a_fuller_tank_leave_more_doubt():
    assert Mixing(14.0, 20.0, 9_000.0).sd_c(5_000.0) > Mixing(14.0, 15.0, 9_000.0).sd_c(5_000.0)
    assert Mixing(14.0, 20.0, 9_000.0).sd_c(5_000.0) > Mixing(14.0, 20.0, 3_000.0).sd_c(5_000.0)


DAYS, CHANGE_H = 24, 15 * 24.0 + 11.2


def test_a_till_put_back_by_an_hour_is_one_case_and_moves_no_litres():
    """Nothing is lost: on the day of the change every sale is there, for part of it at the wrong time."""
    drops = [Poured(24.0 * day + 2.0, 2_560.0, 12.0) for day in range(3, DAYS, 4)]
    tickets = [(f"D{number}", "T1", drop.hour, drop.litres) for number, drop in enumerate(drops)]
    sales = [
        Poured(24.0 * day + 6.0 + 0.5 * k + 0.07 * ((7 * day + 5 * k) % 5), 20.0)
        for day in range(DAYS)
        for k in range(32)
    ]
    tables = HandSite([HandTank(sales=sales, drops=drops)], days=DAYS, tickets=tickets, noise_mm=0.1).tables()
    late = pl.col("ts_start") >= at(CHANGE_H)
    back = [
        pl.when(late).then(pl.col(name) - timedelta(hours=1)).otherwise(pl.col(name)).alias(name)
        for name in ("ts_start", "ts_end")
    ]
    cases = analyse(tables | {"sales": tables["sales"].with_columns(back)})["cases"]
    assert cases["cause"].to_list() == ["clock_skew"], cases["summary"].to_list()
