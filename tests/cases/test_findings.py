"""What is told apart in a hand-made tank whose every litre is known. Evidence: known truth by construction."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.analysis import analyse
from tests.support.hand_site import START, HandSite, HandTank, Poured, steady_sales

DAYS = 24
FROM_DAY = 11


def cases_of(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    return analyse(tables)["cases"].filter(pl.col("probability") > 0.5)


def silent(tables: dict[str, pl.DataFrame], start_h: float, end_h: float) -> dict[str, pl.DataFrame]:
    """The tables without what was read between two hours."""
    span = pl.col("ts").is_between(START + timedelta(hours=start_h), START + timedelta(hours=end_h))
    return {**tables, "readings": tables["readings"].filter(~span)}


def test_small_draws_at_one_hour_are_a_pattern_and_no_leak():
    """14 l each night at two, from one day on, for 13 nights."""
    draws = [Poured(24.0 * day + 2.0, 14.0, 3.0) for day in range(FROM_DAY, DAYS)]
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=6.0), lost=draws)], days=DAYS, noise_mm=0.15)
    cases = cases_of(site.tables())
    assert cases["cause"].to_list() == ["slow_theft"]
    case = cases.row(0, named=True)
    assert case["litres_low"] < -14.0 * len(draws) < case["litres_high"]


def test_a_loss_at_every_hour_is_a_leak():
    """The same litres a day, evenly."""
    loss = [Poured(24.0 * FROM_DAY, 14.0 * (DAYS - FROM_DAY), 1440.0 * (DAYS - FROM_DAY))]
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=6.0), lost=loss)], days=DAYS, noise_mm=0.15)
    assert cases_of(site.tables())["cause"].to_list() == ["tank_leak"]


@pytest.mark.parametrize("booked", [False, True])
def test_a_draw_that_was_booked_before_it_left_is_no_theft(booked):
    """A till that is ahead books 300 l while the gauge is silent; they leave forty minutes later."""
    sale = [Poured(84.1, 300.0, 3.0)] if booked else []
    tank = HandTank(sales=[*steady_sales(6), *sale], drops=sale, lost=[Poured(84.8, 300.0, 6.0)])
    tables = silent(HandSite([tank], days=6).tables(), 84.0, 84.4)
    assert ("bulk_theft" in cases_of(tables)["cause"].to_list()) is not booked


@pytest.mark.parametrize("mirrored", [False, True])
def test_what_one_tank_loses_and_another_gains_is_no_theft(mirrored):
    """A hose that is booked to the wrong tank: 90 l that the one lost, and the other is thought to have gained."""
    moved = [Poured(84.0, 90.0, 10.0)]
    one = HandTank("T1", sales=steady_sales(6), lost=moved)
    other = HandTank("T2", sales=steady_sales(6), drops=moved if mirrored else [])
    found = cases_of(HandSite([one, other], days=6).tables())["cause"].to_list()
    assert ("bulk_theft" in found) is not mirrored


def test_a_drop_is_judged_when_its_late_ticket_has_come():
    """250 l short of 3,000 at nine in the evening of the eighth day; the ticket is of the next morning."""
    sound = [(12.25 + 48.0 * number, 1500.0) for number in range(3)]
    drops = [*(Poured(*one, 10.0) for one in sound), Poured(7 * 24.0 + 21.0, 2750.0, 10.0)]
    tickets = [
        *((f"D{hour}", "T1", hour - 1.0, litres) for hour, litres in sound),
        ("D9", "T1", 8 * 24.0 + 5.0, 3000.0),
    ]
    site = HandSite([HandTank(sales=steady_sales(10), drops=drops)], days=10, tickets=tickets)
    cases = cases_of(site.tables()).filter(pl.col("cause") == "short_delivery")
    assert cases["delivery_id"].to_list() == ["D9"]
    assert cases["raised_on"].to_list() == [START.date() + timedelta(days=8)]
    assert cases["litres_low"].item() < -250.0 < cases["litres_high"].item()


@pytest.mark.parametrize(("density", "found"), [(745.0, 1), (760.0, 1), (826.0, 0), (848.0, 0)])
def test_a_tickets_density_is_held_against_those_before(density, found):
    """The third ticket's density is petrol's, or one that batches of diesel have (EN 590: 820 to 845, and room)."""
    hours = [(12.25 + 48.0 * number, 1500.0) for number in range(3)]
    tickets = [(f"D{hour}", "T1", hour - 1.0, litres) for hour, litres in hours]
    tank = HandTank(sales=steady_sales(7), drops=[Poured(*one, 10.0) for one in hours])
    tables = HandSite([tank], days=7, tickets=tickets).tables()
    tables["deliveries"] = tables["deliveries"].with_columns(ticket_density_15_kg_m3=pl.Series([840.0, 840.0, density]))
    tables["readings"] = tables["readings"].with_columns(density_kg_m3=pl.lit(None, pl.Float64))
    cases = cases_of(tables).filter(pl.col("cause") == "wrong_product")
    assert cases.height == found
    assert set(cases["raised_on"]) <= {date(2026, 3, 1)} | {START.date() + timedelta(days=4)}
