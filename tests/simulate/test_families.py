"""Families of physics as wholes: apart, contract, truth. Evidence: contract, property, known truth, naive twin."""

import re
from dataclasses import fields, replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.contract.lake import LAKE_TABLES
from pipeline.physics.expansion import product_vcf
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.chart import strapping_rows
from pipeline.simulate.families import DEVELOPMENT, FAMILIES, KEPT, family_named
from pipeline.simulate.faults import make_fault
from pipeline.simulate.heat import air_c, site_air_c
from pipeline.simulate.laws.level import Sinking
from pipeline.simulate.laws.meters import SteadyWarmth
from pipeline.simulate.laws.spreads import Uniform
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import DAY_S, Window
from pipeline.simulate.run import simulate_world
from tests.support.runs import ROOT

OWN_LAWS = (
    "level_laws", "thermometer_laws", "wall_laws", "meter_laws", "warmth_laws", "ticket_laws", "till_laws",
    "demand_laws", "size_laws", "flow_laws", "vapour_laws",
)  # fmt: skip
UNLIKE_PLAIN = [family.name for family in (*DEVELOPMENT, *KEPT)]
MAY_NAME_KEPT = ("tests/benchmarks/", "tests/simulate/", "pipeline/simulate/families/")
QUIET = FleetSettings(quirks=False, interval_weights=(0.0, 0.0, 0.0, 1.0))


def settings_of(name, **changes):
    return replace(QUIET, family=name, **changes)


@pytest.fixture(scope="module", params=UNLIKE_PLAIN)
def drawn(request):
    """A small fleet of each family, and its sound world."""
    fleet = draw_fleet(Window(FAMILIES[request.param].start, 6), 3, 21, settings_of(request.param))
    return fleet, simulate_world(fleet, [], settings_of(request.param))


def test_there_are_five_families_to_develop_on_and_four_kept():
    """Contract: at least eight, apart, every name its own."""
    assert len(DEVELOPMENT) == 5
    assert len(KEPT) >= 4
    assert len(FAMILIES) == 1 + len(DEVELOPMENT) + len(KEPT)
    assert next(iter(FAMILIES)) == FleetSettings().family == "plain"


def test_kept_families_differ_in_kind():
    """Contract: no law is in both sorts; each kept family has laws of gauges, of loads, and of meters or warmth."""

    def kinds(families):
        return {type(law) for family in families for name in OWN_LAWS for law in getattr(family, name)}

    assert kinds(DEVELOPMENT) & kinds(KEPT) == set()
    assert set(OWN_LAWS) == {field.name for field in fields(KEPT[0]) if field.name.endswith("_laws")}
    for family in KEPT:
        assert family.level_laws and family.ticket_laws and (family.meter_laws or family.warmth_laws)


def test_nothing_but_benchmarks_and_the_simulators_own_tests_names_a_kept_family():
    """Contract: what judges, and every test by which it is set, knows no kept family, by name or by the list of all."""
    names = "|".join(["KEPT", "FAMILIES", r"families\.kept", *(family.name for family in KEPT)])
    named = re.compile(rf"\b({names})\b")
    folders = ("pipeline", "flows", "queries", "tests", "shared")
    files = [
        path for folder in folders for path in (ROOT / folder).rglob("*") if path.suffix in (".py", ".sql", ".toml")
    ]
    assert len(files) > 200
    found = {path.relative_to(ROOT).as_posix() for path in files if named.search(path.read_text(encoding="utf-8"))}
    # The command line lists all names for who draws a lake by hand, and knows none of them.
    command = "flows/cli_simulate.py"
    assert {path for path in found if not path.startswith(MAY_NAME_KEPT)} == {command}
    assert not re.search("|".join(family.name for family in KEPT), (ROOT / command).read_text(encoding="utf-8"))


def test_an_unknown_family_is_refused_and_the_others_are_listed():
    """Known behaviour."""
    with pytest.raises(ValueError, match=r"unknown family 'lunar'; there are plain, "):
        simulate_fleet(1, 1, seed=1, settings=FleetSettings(family="lunar"))
    assert all(family_named(name).name == name for name in FAMILIES)


def test_a_familys_fleets_keep_the_contract_and_their_litres(drawn):
    """Contract, property: every rule holds; what a pool holds at the end is what it opened with and all that moved."""
    _, frames = drawn
    for name, schema in LAKE_TABLES.items():
        _, failures = schema.filter(frames[name])
        assert failures.counts() == {}, name
    balance = frames["_truth_balance"]
    parts = ("opening_15_l", "dropped_15_l", "sold_15_l", "unmetered_15_l", "leak_15_l", "vapour_15_l")
    assert np.allclose(balance.select(pl.sum_horizontal(parts)).to_series(), balance["closing_15_l"], atol=1e-5)
    assert (balance["closing_15_l"] > 0.0).all()
    assert frames["labels"].is_empty()


def test_stock_changes_only_by_what_moves_whatever_gauge_thermometer_and_till_show(drawn):
    """Known truth: the same fleet under the family without its laws of gauges, thermometers and tills."""
    fleet, frames = drawn
    blind = replace(fleet.family, level_laws=(), thermometer_laws=(), till_laws=())
    plain = simulate_world(replace(fleet, family=blind), [], settings_of(fleet.family.name))
    assert frames["_truth_stock"].equals(plain["_truth_stock"])
    assert frames["_truth_sales"].equals(plain["_truth_sales"])
    assert not frames["readings"].equals(plain["readings"])
    assert frames["meter_totals"].equals(plain["meter_totals"])
    # A sale that is paid after the last midnight is not in the lake yet.
    sold, known = (
        f["sales"].group_by("meter_id").agg(pl.col("volume_l").sum()).sort("meter_id") for f in (plain, frames)
    )
    assert known.join(sold, on="meter_id").select((pl.col("volume_l_right") - pl.col("volume_l")).max()).item() < 120.0


def test_a_sound_gauge_shows_the_litres_that_its_tank_holds(drawn):
    """Known truth: the chart of the gauge's level against true litres, within 1.2 % of the tank as for plain fleets."""
    _, frames = drawn
    for tank in frames["tanks"].filter(pl.col("manifold_id").is_null()).iter_rows(named=True):
        mine = pl.col("tank_id") == tank["tank_id"]
        rows, chart = frames["readings"].filter(mine), frames["strapping"].filter(mine)
        stock = frames["_truth_stock"].filter(pl.col("pool") == tank["tank_id"])
        water_l = frames["_truth"].filter(mine)["water_l"][0]
        gauge = np.interp(rows["level_mm"], chart["level_mm"], chart["volume_l"]) - water_l
        true = np.interp(rows["ts"].dt.timestamp(), stock["ts"].dt.timestamp(), stock["product_l"])
        assert abs(np.median(gauge - true)) / tank["capacity_l"] < 0.012, tank


GROSS = {
    "tank_leak": {"rate_l_per_h": 6.0, "hole_mm": 0.0, "head_mm": 1000.0},
    "meter_drift": {"error": -0.05, "ramp": 0.0},
}


def variance_15_l(frames, tank_id):
    """Gain at 15 °C of the true stock over what truly dropped less what the books say was sold. [l]"""
    stock = frames["_truth_stock"].filter(pl.col("pool") == tank_id).sort("ts")
    balance = frames["_truth_balance"].filter(pl.col("pool") == tank_id).row(0, named=True)
    feeds = frames["meter_feeds"].filter(pl.col("tank_id") == tank_id)
    booked = frames["sales"].filter(pl.col("kind") == "sale").join(feeds, on="meter_id")
    factor = np.interp(
        booked["ts_end"].dt.timestamp(), stock["ts"].dt.timestamp(), stock["stock_15_l"] / stock["product_l"]
    )
    sold = float((booked["volume_l"] * booked["share"] * factor).sum())
    return balance["closing_15_l"] - balance["opening_15_l"] - balance["dropped_15_l"] + sold


@pytest.mark.parametrize("cause", GROSS)
def test_a_faults_litres_are_its_effect_on_variance_in_every_family(drawn, cause):
    """Known truth: the same world with and without it; a litre of the label is within 3 % of one at 15 °C."""
    fleet, sound = drawn
    fault = make_fault(0, cause, fleet.tanks[0], fleet)
    fault.params |= GROSS[cause]
    fault.start_s, fault.end_s = 1.0 * DAY_S, None
    frames = simulate_world(fleet, [fault], settings_of(fleet.family.name))
    label = frames["labels"].row(0, named=True)
    own = 0.0
    if cause == "meter_drift":
        # A sound meter's own litres are in the label, and in the sound world's variance.
        sales = sound["_truth_sales"].filter(pl.col("meter_id") == label["meter_id"], ~pl.col("is_test"))
        later = sales.filter(pl.col("ts_start") >= label["ts_start"])
        own = later.select((pl.col("recorded_l") - pl.col("true_l")).sum()).item()
    effect = variance_15_l(frames, label["tank_id"]) - variance_15_l(sound, label["tank_id"])
    assert abs(label["litres"]) > 40.0
    assert effect == pytest.approx(label["litres"] - own, rel=0.03, abs=8.0)


def test_what_a_meter_draws_is_measured_at_the_temperature_that_is_stated():
    """Naive twin: each sale at 15 °C by a plain loop, 20 % of the way from the tank's temperature to the air's."""
    family = replace(family_named("plain"), warmth_laws=(SteadyWarmth(Uniform(0.2, 0.2)),))
    fleet = draw_fleet(Window(date(2026, 7, 1), 6), 2, 3, QUIET)
    fleet = replace(fleet, family=family)
    frames = simulate_world(fleet, [], QUIET)
    tank, site = fleet.tanks[0], fleet.sites[0]
    stock = frames["_truth_stock"].filter(pl.col("pool") == tank.tank_id).sort("ts")
    shares = {
        meter.meter_id: dict(zip((fed for fed, _ in meter.feeds), meter.true_shares, strict=True)).get(0, 0.0)
        for meter in fleet.meters
    }
    sales = frames["_truth_sales"].filter(~pl.col("is_test"))
    drawn_l = (sales["true_l"] * sales["meter_id"].replace_strict(shares)).to_numpy()
    at_s = sales["ts_start"].dt.timestamp("us").to_numpy() / 1e6 - fleet.window.start_us / 1e6 + 30.0
    node_s = stock["ts"].dt.timestamp("us").to_numpy() / 1e6 - fleet.window.start_us / 1e6
    in_tank = np.interp(at_s, node_s, stock["temp_c"])
    at_meter = in_tank + 0.2 * (site_air_c(fleet, site, at_s) - in_tank)
    nominal = product_vcf(tank.product, at_meter, tank.true.density_15_kg_m3)
    sold_15 = drawn_l * (1.0 + tank.true.expansion_factor * (nominal - 1.0))
    balance = frames["_truth_balance"].filter(pl.col("pool") == tank.tank_id)["sold_15_l"].item()
    # Tank temperatures are told by the hour, and a drop's step lies between; without the law it is off by 0.3 %.
    assert -balance == pytest.approx(sold_15.sum(), rel=2e-4)
    cold = product_vcf(tank.product, in_tank, tank.true.density_15_kg_m3)
    assert abs(float((drawn_l * cold).sum()) / -balance - 1.0) > 1e-3


def test_the_air_of_a_climate_swings_as_it_says():
    """Known truth: the mean day's half swing is the climate's; a year's mean is warmer by what it says."""
    fleet = draw_fleet(Window(date(2026, 1, 1), 365), 2, 3, settings_of("parched"))
    site, at_s = fleet.sites[0], np.arange(365 * 24) * 3_600.0
    air = site_air_c(fleet, site, at_s).reshape(365, 24)
    half = np.ptp(air.mean(axis=0)) / 2.0
    assert half == pytest.approx(fleet.family.climate.half_day_c, rel=0.05)
    plain = replace(site, climate=family_named("plain").climate)
    usual = air_c(np.random.default_rng(1), plain, fleet.window, at_s).mean()
    assert air.mean() - usual == pytest.approx(fleet.family.climate.warmer_c, abs=1.5)


def test_charts_of_few_rows_and_round_litres_are_told_so():
    """Known truth: rows of about equal litres, their levels in whole millimetres; whole tens of litres elsewhere."""
    for tank in draw_fleet(Window(date(2026, 7, 6), 1), 6, 3, settings_of("tipping")).tanks:
        levels, litres = strapping_rows(tank, tank.chart_step_mm)
        assert levels.size == tank.chart_rows + 1
        assert (levels[:-1] == np.round(levels[:-1])).all()
        assert np.diff(litres) == pytest.approx(tank.capacity_l / tank.chart_rows, rel=0.1)
    for tank in draw_fleet(Window(date(2026, 9, 7), 1), 12, 3, settings_of("hanging")).tanks:
        _, litres = strapping_rows(tank, tank.chart_step_mm)
        assert (litres % tank.chart_round_l == 0.0).all()


def test_a_tank_sinks_in_the_readings_alone():
    """Known truth: the same fleet with a law that sinks by 3 mm; readings move by it, no litre does."""
    fleet = draw_fleet(Window(date(2026, 3, 1), 4), 1, 3, QUIET)
    sinking = replace(family_named("plain"), level_laws=(Sinking(Uniform(3.0, 3.0), Uniform(0.5, 0.5)),))
    still, sunk = (simulate_world(replace(fleet, family=family), [], QUIET) for family in (fleet.family, sinking))
    apart = sunk["readings"]["level_mm"] - still["readings"]["level_mm"]
    assert apart[-1] == pytest.approx(3.0 * (1.0 - np.exp(-8.0)), abs=0.11)
    assert sunk["_truth_stock"].equals(still["_truth_stock"])
