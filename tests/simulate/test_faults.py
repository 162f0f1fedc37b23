"""Injected faults: what a label says, and that the fault moves the books by the litres that it says.

Evidence: contract, and known truth: the same world with the fault and without.
"""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.contract.vocabulary import CAUSES, CAUSES_WITH_DELIVERY, CAUSES_WITH_METER, CAUSES_WITHOUT_LITRES
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.faults import make_fault, plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import DAY_S, Fault, Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.tickets import Load

SOUND = FleetSettings(quirks=False)
DAYS = 20
GAINS = ("wrong_feed", "over_delivery", "missing_ticket", "water_ingress")
LOSSES = ("tank_leak", "line_leak", "bulk_theft", "slow_theft", "missing_sales", "short_delivery")


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(Window(date(2026, 3, 1), DAYS), 4, 21, SOUND)


@pytest.fixture(scope="module")
def sound(fleet):
    return simulate_world(fleet, [], SOUND)


@pytest.fixture(scope="module")
def faulty():
    """A fleet with some faults of every cause."""
    return simulate_fleet(60, 24, seed=2, settings=FleetSettings(fault_rate=5.0, second_fault_share=0.0))


@pytest.mark.parametrize("cause", CAUSES)
def test_only_causes_that_are_asked_for_are_planned(cause):
    settings = FleetSettings(fault_rate=0.5)
    planned = plan_faults(draw_fleet(Window(date(2026, 3, 1), 24), 9, 2, settings), [cause], settings)
    assert {fault.cause for fault in planned} == {cause}


def test_only_causes_that_are_asked_for_have_a_label():
    labels = simulate_fleet(9, 10, seed=2, causes=["water_ingress"], settings=FleetSettings(fault_rate=2.0))["labels"]
    assert set(labels.filter(pl.col("verdict") == "confirmed")["cause"]) == {"water_ingress"}


@pytest.mark.parametrize("cause", CAUSES)
def test_a_label_names_and_counts_what_the_contract_says_for_its_cause(faulty, cause):
    """Contract: one list of litres, of signs, of identifiers a cause."""
    frames = faulty
    labels = frames["labels"].filter(pl.col("verdict") == "confirmed", pl.col("cause") == cause)
    assert labels.height >= 2
    assert labels["litres"].is_null().all() == (cause in CAUSES_WITHOUT_LITRES)
    assert labels["meter_id"].is_not_null().all() == (cause in CAUSES_WITH_METER)
    assert labels["delivery_id"].is_not_null().all() == (cause in CAUSES_WITH_DELIVERY)
    assert labels["tank_id"].is_null().all() == (cause == "clock_skew")
    if cause in GAINS:
        assert (labels["litres"] > 0.0).all()
    if cause in LOSSES:
        assert (labels["litres"] < 0.0).all()
    if cause == "clock_skew":
        assert labels["site_id"].is_unique().all()
    if cause in CAUSES_WITH_DELIVERY:
        tickets = frames["deliveries"].join(labels.select("delivery_id", "tank_id"), on=["delivery_id", "tank_id"])
        assert tickets.height == labels.height


def test_a_sound_fleet_has_no_label():
    """Property."""
    assert simulate_fleet(9, 5, seed=2, causes=[])["labels"].is_empty()
    assert simulate_fleet(9, 5, seed=2, settings=FleetSettings(fault_rate=0.0))["labels"].is_empty()


def test_causes_come_about_equally_often_and_a_pool_has_one_or_two():
    """Property: of 200 tanks half have a fault."""
    settings = FleetSettings(fault_rate=0.5)
    big = draw_fleet(Window(date(2026, 3, 1), 90), 200, 5, settings)
    faults = plan_faults(big, None, settings)
    counts = [sum(fault.cause == cause for fault in faults) for cause in CAUSES]
    assert min(counts) >= 4
    assert max(counts) <= 10
    assert 95 <= len(faults) <= 120


def variance_15_l(frames: dict[str, pl.DataFrame], tank_id: str) -> float:
    """Gain at 15 °C of the true stock over what truly dropped less what the books say was sold. [l]

    With true drops at 15 °C neither tickets nor warmth are in it, only what the books do not know.
    """
    stock = frames["_truth_stock"].filter(pl.col("pool") == tank_id).sort("ts")
    balance = frames["_truth_balance"].filter(pl.col("pool") == tank_id).row(0, named=True)
    feeds = frames["meter_feeds"].filter(pl.col("tank_id") == tank_id)
    holds = (pl.col("ts_end") >= pl.col("valid_from")) & (pl.col("ts_end") < pl.col("valid_to")).fill_null(True)
    booked = frames["sales"].filter(pl.col("kind") == "sale").join(feeds, on="meter_id").filter(holds)
    vcf = np.interp(
        booked["ts_end"].dt.timestamp(), stock["ts"].dt.timestamp(), stock["stock_15_l"] / stock["product_l"]
    )
    sold = float((booked["volume_l"] * booked["share"] * vcf).sum())
    return balance["closing_15_l"] - balance["opening_15_l"] - balance["dropped_15_l"] + sold


GROSS = {
    "tank_leak": {"rate_l_per_h": 6.0, "hole_mm": 0.0, "head_mm": 1000.0},
    "line_leak": {"rate_l_per_h": 40.0},
    "bulk_theft": {"litres": 2000.0},
    "slow_theft": {"litres": 60.0, "pattern": 0.0, "hour": 2.0},
    "meter_drift": {"error": -0.03, "ramp": 0.0},
    "missing_sales": {"share": 0.7, "shift_starts_h": 0.0, "shift_lasts_h": 24.0},
    "wrong_feed": None,
    "unexplained": {"steady_gain_l_per_h": 5.0},
}


@pytest.mark.parametrize("cause", GROSS)
def test_a_fault_moves_the_books_by_the_litres_of_its_label(fleet, sound, cause):
    """Known truth: the same world with and without it. A litre of the label is within 1.2 % of one at 15 °C."""
    fault = make_fault(0, cause, fleet.tanks[0], fleet)
    fault.params |= GROSS[cause] or {}
    fault.start_s, fault.end_s = 3.0 * DAY_S, 3.0 * DAY_S + 1200.0 if cause == "bulk_theft" else None
    frames = simulate_world(fleet, [fault], SOUND)
    label = frames["labels"].row(0, named=True)
    tank = label["tank_id"]
    # Before the fault the meter was off by its own tolerance, which is in its litres and in the sound world's too.
    own = base_litres(sound, fault) if cause == "meter_drift" else 0.0
    effect = variance_15_l(frames, tank) - variance_15_l(sound, tank)
    assert abs(label["litres"]) > 150.0
    assert effect == pytest.approx(label["litres"] - own, rel=0.012, abs=5.0)


def base_litres(sound: dict[str, pl.DataFrame], fault: Fault) -> float:
    """Recorded less true litres of the fault's meter in the sound world."""
    sales = sound["_truth_sales"].filter(pl.col("meter_id") == f"M{fault.meter_index + 1:05d}", ~pl.col("is_test"))
    during = sales.filter(pl.col("ts_start").dt.timestamp("us") / 1e6 - 1772323200.0 >= fault.start_s)
    return during.select((pl.col("recorded_l") - pl.col("true_l")).sum()).item()


def test_what_a_wrong_feed_books_to_one_tank_another_one_lost(fleet, sound):
    """Known truth: equal and opposite."""
    fault = make_fault(0, "wrong_feed", fleet.tanks[0], fleet)
    fault.start_s, fault.end_s = 0.0, None
    frames = simulate_world(fleet, [fault], SOUND)
    booked, true = (fleet.tanks[int(fault.params[name])].tank_id for name in ("booked", "true"))
    gain, loss = (variance_15_l(frames, tank) - variance_15_l(sound, tank) for tank in (booked, true))
    assert gain == pytest.approx(fault.litres, rel=0.012, abs=5.0)
    assert loss == pytest.approx(-fault.litres, rel=0.012, abs=5.0)


def test_a_fault_leaves_every_other_site_as_it_was():
    """Property: parts draw from streams of their own."""
    fleet = draw_fleet(Window(date(2026, 3, 1), 8), 9, 6, FleetSettings())
    fault = make_fault(0, "tank_leak", fleet.tanks[0], fleet)
    plain, leaky = simulate_world(fleet, [], FleetSettings()), simulate_world(fleet, [fault], FleetSettings())
    others = [tank.tank_id for tank in fleet.tanks if tank.site_index > 0]
    for table in ("readings", "deliveries", "strapping"):
        there = pl.col("tank_id").is_in(others)
        assert plain[table].filter(there).equals(leaky[table].filter(there))
    assert plain["sales"].equals(leaky["sales"])


def test_a_leak_grows_with_the_head_above_its_hole_and_stops_at_it(fleet):
    """Known truth: rate ∝ √head by the label's own parameters; a hole above the surface lets nothing out."""
    high = make_fault(0, "tank_leak", fleet.tanks[0], fleet)
    high.start_s, high.end_s = 0.0, None
    high.params = {"rate_l_per_h": 2.0, "hole_mm": 5000.0, "head_mm": 1000.0}
    low = replace(high, params={"rate_l_per_h": 2.0, "hole_mm": 0.0, "head_mm": 1000.0}, litres=None)
    simulate_world(fleet, [high], SOUND)
    simulate_world(fleet, [low], SOUND)
    assert high.litres == 0.0
    hours = DAYS * 24.0
    depth = fleet.tanks[0].shape.depth_mm
    assert 0.0 > low.litres > -2.0 * np.sqrt(depth / 1000.0) * hours
    assert low.litres < -2.0 * np.sqrt(0.05 * depth / 1000.0) * hours


def test_missing_sales_move_the_totaliser_alone(fleet, sound):
    """Known truth: totalisers as in the sound world, sales fewer by the label's litres."""
    fault = make_fault(0, "missing_sales", fleet.tanks[0], fleet)
    fault.params |= {"share": 0.7, "shift_lasts_h": 24.0}
    frames = simulate_world(fleet, [fault], SOUND)
    assert frames["meter_totals"].equals(sound["meter_totals"])
    fewer = frames["sales"]["volume_l"].sum() - sound["sales"]["volume_l"].sum()
    assert fewer == pytest.approx(fault.litres, abs=0.01)


@pytest.mark.parametrize("on_till", [0.0, 1.0])
def test_a_clock_that_is_wrong_shifts_the_till_or_the_gauge(fleet, sound, on_till):
    """Known truth: rows keep their values, instants move by the fault's seconds."""
    fault = make_fault(0, "clock_skew", fleet.tanks[0], fleet)
    fault.start_s, fault.end_s, fault.params = 0.0, None, {"shift_s": -1800.0, "till": on_till}
    frames = simulate_world(fleet, [fault], SOUND)
    moved, still = ("sales", "readings") if on_till else ("readings", "sales")
    assert frames[still].equals(sound[still])
    time = "ts_end" if on_till else "ts"
    key = ["meter_id", "volume_l"] if on_till else ["tank_id", "level_mm", "temp_c"]
    pairs = (
        sound[moved]
        .join(frames[moved], on=key, suffix="_moved")
        .with_columns(shift=pl.col(f"{time}_moved") - pl.col(time))
    )
    assert pairs["shift"].mode().first().total_seconds() == -1800.0


@pytest.mark.parametrize(("cause", "expected"), [("short_delivery", -600.0), ("over_delivery", 600.0)])
def test_a_drop_is_off_its_ticket_by_the_litres_of_its_fault(fleet, cause, expected):
    """Known truth: the same load with and without the fault; 5 % of the ticket."""
    load = Load(
        0.0, ((0.0, 600.0),), 12_000.0, 15.0, 0.001, 4.0, 0.0, fleet.hauliers[0], 900.0, True, True, "A-1"
    )  # fmt: skip
    fault = Fault(0, cause, 0, 0, 0.0, None, {"share": 0.05})
    plain, odd = (load.dropped(0, 1.0, fleet.tanks[0].true, f) for f in (None, fault))
    assert odd.ticket_volume_l == plain.ticket_volume_l == 12_000.0
    assert odd.volume_l - plain.volume_l == pytest.approx(expected)
    odd.settle(fault)
    assert (fault.litres, fault.end_s) == (pytest.approx(expected), 600.0)


def test_a_drop_without_a_ticket_is_a_gain_of_all_that_dropped(fleet, sound):
    """Known truth: a drop more in the tank than in the books."""
    fault = make_fault(0, "missing_ticket", fleet.tanks[0], fleet)
    fault.start_s = 0.0
    frames = simulate_world(fleet, [fault], SOUND)
    assert frames["deliveries"].height == sound["deliveries"].height - 1
    lost = sound["deliveries"].join(frames["deliveries"], on=["tank_id", "ts_ticket"], how="anti")
    assert fault.litres == pytest.approx(lost["ticket_volume_l"].item(), rel=0.01)
