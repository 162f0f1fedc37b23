"""What the balance makes of calibrations, of rates that end and of its own noise. Evidence: known truth, property."""

import numpy as np
import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.estimate.courses import steadied
from tests.support.hand_site import HandSite, HandTank, Poured, at, steady_sales
from tests.support.lakes import rows

DAYS = 30
DROPS = [Poured(24.0 * day + 2.0, 2_560.0, 12.0) for day in range(3, DAYS, 4)]
TICKETS = [(f"D{number}", "T1", drop.hour, drop.litres) for number, drop in enumerate(DROPS)]
CHANGE_DAY = 15
UNMETERED = 0.02
"""Share of its record that the meter gives beyond it until it is calibrated."""
LEAK_L_PER_H = 1.5
LEAK_HOURS = (12.0 * 24.0 + 7.0, 22.0 * 24.0 + 7.0)


def run(lost: list[Poured], events: pl.DataFrame | None = None) -> pl.DataFrame:
    """The cases of a site with one tank that sells the same every day."""
    tank = HandTank(sales=steady_sales(DAYS), drops=DROPS, lost=lost)
    tables = HandSite([tank], days=DAYS, tickets=TICKETS, noise_mm=0.1).tables()
    return analyse(tables if events is None else tables | {"events": events})["cases"]


@pytest.fixture(scope="module")
def given_away() -> list[Poured]:
    """What the meter gives with each sale beyond its record, up to the day on which it is calibrated."""
    sold = [sale for sale in steady_sales(DAYS) if sale.hour < 24.0 * CHANGE_DAY]
    return [Poured(sale.hour, UNMETERED * sale.litres, sale.minutes) for sale in sold]


def test_a_meter_that_changes_is_named(given_away):
    assert "meter_drift" in run(given_away)["cause"].to_list()


def test_a_calibration_on_record_is_no_drift(given_away):
    event = {"event_id": "E1", "ts": at(24.0 * CHANGE_DAY), "site_id": "S1", "meter_id": "M-T1"}
    cases = run(given_away, rows("events", event | {"kind": "meter_calibrated"}))
    assert cases.height == 0, cases["summary"].to_list()


def test_a_leak_that_ends_is_one_case_with_its_own_litres():
    """The tank is upright and its level wanders by a third, so a steady loss is nearly the leak's course."""
    start, end = LEAK_HOURS
    cases = run([Poured(start, LEAK_L_PER_H * (end - start), 60.0 * (end - start))])
    assert cases["cause"].to_list() == ["tank_leak"], cases["summary"].to_list()
    leak = cases.row(0, named=True)
    assert leak["litres_low"] <= -LEAK_L_PER_H * (end - start) <= leak["litres_high"]
    assert leak["litres_high"] - leak["litres_low"] < LEAK_L_PER_H * (end - start)
    assert abs((leak["ts_start"] - at(start)).total_seconds()) < 2 * 86_400
    assert abs((leak["ts_end"] - at(end)).total_seconds()) < 2 * 86_400


@pytest.mark.parametrize("place", [1, 17, 40, 59])
def test_a_dip_s_own_noise_is_not_in_what_steadies_it(place: int):
    """Property: a reading moves what later ones are steadied by, never its own; at a jump it is begun anew."""
    y = np.random.default_rng(3).normal(100.0, 2.0, 60)
    jumps = np.zeros(60)
    jumps[40] = 25.0
    other = y.copy()
    other[place] += 5.0
    moved = steadied(other, jumps, 0.05) - steadied(y, jumps, 0.05)
    assert moved[:place] == pytest.approx(0.0, abs=1e-12)
    assert moved[place] == pytest.approx(5.0 if place == 40 else 0.0, abs=1e-9)
    if place + 1 < 60 and jumps[place + 1] == 0.0:
        assert moved[place + 1] > 0.0


def test_what_goes_in_a_silence_is_told_and_no_rate_is_made_of_it():
    """A site's gauges are silent for thirty hours, and 300 l went beyond what was sold: one case, of those litres."""
    silent_h = (12 * 24.0 + 8.0, 13 * 24.0 + 14.0)
    tank = HandTank(sales=steady_sales(DAYS), drops=DROPS, lost=[Poured(12 * 24.0 + 23.0, 300.0, 6.0)])
    other = HandTank("T2", sales=steady_sales(DAYS, litres=5.0))
    tables = HandSite([tank, other], days=DAYS, tickets=TICKETS, noise_mm=0.1).tables()
    seen = ~pl.col("ts").is_between(at(silent_h[0]), at(silent_h[1]))
    cases = analyse(tables | {"readings": tables["readings"].filter(seen)})["cases"]
    assert cases["cause"].to_list() == ["unexplained"], cases["summary"].to_list()
    case = cases.row(0, named=True)
    assert case["litres_low"] <= -300.0 <= case["litres_high"]
    assert case["ts_start"] <= at(12 * 24.0 + 23.0) <= case["ts_end"]
    assert (case["ts_end"] - case["ts_start"]).total_seconds() < 36 * 3600.0


def test_what_is_missing_before_and_after_a_drop_too_is_not_the_ticket_s():
    """300 l missing at a drop are a short delivery; the same with as much missing hours before and after are not."""
    hour = DROPS[4].hour
    during = Poured(hour, 300.0, 12.0)
    around = [Poured(hour - 1.5, 250.0, 20.0), Poured(hour + 1.5, 250.0, 20.0)]
    assert "short_delivery" in run([during])["cause"].to_list()
    assert "short_delivery" not in run([during, *around])["cause"].to_list()
