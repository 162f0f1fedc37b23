"""What is left of a drop once its tank's own errors are out. Evidence: known truth by construction."""

import polars as pl
import pytest

from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales
from tests.support.site_run import published

DAYS = 22
HOURS = [30.25 + 48.0 * k for k in range(10)]


def drops_of(scale: float, short_l: float = 0.0) -> pl.DataFrame:
    """Ten drops ticketed 960 l, what two days sell; the last `short_l` short, the chart `scale` times the truth."""
    drops = [Poured(hour, 960.0, 10.0) for hour in HOURS[:-1]] + [Poured(HOURS[-1], 960.0 - short_l, 10.0)]
    tickets = [(f"D{k}", "T1", hour - 1.0, 960.0) for k, hour in enumerate(HOURS)]
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=20.0), drops=drops)], days=DAYS, tickets=tickets)
    tables = site.tables()
    tables["strapping"] = tables["strapping"].with_columns(pl.col("volume_l") * scale)
    frames = published(tables)[0]
    raw = frames["drops"].select("drop_id", "mismatch_l")
    return frames["drop_left"].join(raw, on="drop_id").sort("drop_id")


def test_a_short_drop_is_short_and_the_sound_ones_are_not():
    found = drops_of(1.0, short_l=200.0)
    assert found["delivery_id"].to_list() == [f"D{k}" for k in range(10)]
    doubt = 3.0 * (found["left_sd_l"] ** 2 + found["chart_sd_l"] ** 2).sqrt()
    assert abs(found["left_l"][-1] + 200.0) < doubt[-1]
    assert (found["left_l"].head(9).abs() < doubt.head(9)).all()


@pytest.mark.parametrize("scale", [0.97, 1.03])
def test_a_wrong_chart_is_no_carriers_doing(scale):
    """A chart 3 % off makes each drop of 960 l look 29 l off; what is left of it is the tank's chart taken out."""
    found = drops_of(scale)
    assert abs(found["mismatch_l"].mean()) == pytest.approx(960.0 * abs(scale - 1.0), rel=0.2)
    assert abs(found["left_l"].mean()) < 0.25 * abs(found["mismatch_l"].mean())


@pytest.mark.parametrize("scale", [0.97, 1.03])
def test_the_lines_of_a_drop_say_which_of_them_it_was(scale):
    """The chart is 3 % off, all is at one temperature and the meters are sound: the chart's line has the 29 l."""
    found = drops_of(scale)
    assert found["chart_l"].mean() == pytest.approx(960.0 * (scale - 1.0), abs=15.0)
    assert found["temperature_l"].abs().max() < 15.0
    assert found["meters_l"].abs().max() < 15.0
    lines = found.select(pl.sum_horizontal("temperature_l", "chart_l", "meters_l", "left_l")).to_series()
    # What is not in them is the shell's yielding, vapour, and the drop's edges against settled dips.
    assert (found["mismatch_l"] - lines).abs().max() < 15.0


def test_a_cold_ticket_grows_in_a_warm_tank():
    """960 l ticketed at 5 °C into a tank at 15 °C: 0.84 a thousand and kelvin of diesel make some 8 l more.

    Thermal expansion of diesel near 15 °C: some 0.00083 to 0.00084 a kelvin (API MPMS 11.1, products at 840 kg/m3).
    """
    drops = [Poured(hour, 960.0 * (1.0 + 10.0 * 0.00084), 10.0) for hour in HOURS]
    tickets = [(f"D{k}", "T1", hour - 1.0, 960.0) for k, hour in enumerate(HOURS)]
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=20.0), drops=drops)], days=DAYS, tickets=tickets)
    tables = site.tables()
    tables["deliveries"] = tables["deliveries"].with_columns(ticket_temp_c=pl.lit(5.0))
    found = published(tables)[0]["drop_left"]
    assert found["temperature_l"].mean() == pytest.approx(960.0 * 10.0 * 0.00084, abs=2.0)


def test_a_drop_has_all_its_tickets():
    """A compartment a ticket: two tickets of 480 l are one drop of 960."""
    drops = [Poured(hour, 960.0, 10.0) for hour in HOURS]
    tickets = [(f"D{k}{part}", "T1", hour - 1.0, 480.0) for k, hour in enumerate(HOURS) for part in "ab"]
    site = HandSite([HandTank(sales=steady_sales(DAYS, litres=20.0), drops=drops)], days=DAYS, tickets=tickets)
    frames = published(site.tables())[0]
    told = frames["drop_tickets"].group_by("drop_id").agg(pl.col("delivery_id").sort())
    assert sorted(told["delivery_id"].to_list()) == [[f"D{k}a", f"D{k}b"] for k in range(10)]
    assert set(told["drop_id"]) == set(frames["drops"]["drop_id"])
