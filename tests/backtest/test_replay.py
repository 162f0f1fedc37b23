"""Kind of evidence: naive twin. Walked forward in one pass, a rule says what it says when each day is asked afresh."""

import numpy as np
import polars as pl
import pytest

from pipeline.backtest.replay import KEY, replay
from pipeline.backtest.rules import rule_of, shipped_rules
from tests.support.backtests import at, day, seen, table

DAYS = 16
TANKS = ("T1", "T2", "T3")


@pytest.fixture(scope="module")
def tables():
    """Every table that a rule may read, full of noise, so that each rule speaks now and then."""
    rng = np.random.default_rng(77)
    each = [(tank, number) for tank in TANKS for number in range(DAYS)]

    def noise(scale=1.0):
        return float(rng.normal(0.0, scale))

    days = [
        {
            "tank_id": tank, "trading_day": day(number), "variance_l": noise(90.0), "sales_l": 1500.0 + noise(300.0),
            "water_mm": 9.0 + abs(noise(6.0)), "physics_score": noise(4.0), "forest_score": 0.5 + noise(0.15),
        }
        for tank, number in each
    ]  # fmt: skip
    features = [
        {"tank_id": tank, "trading_day": day(number), "name": name, "value": noise(30.0), "z": noise(5.0)}
        for tank, number in each
        for name in ("density_change_kg_m3", "totaliser_excess_l", "scatter_mm")
    ]
    ledger = [
        {
            "tank_id": tank, "ts_start": at(number, hour), "ts_end": at(number, hour + 3.0), "day": day(number),
            "residual_l": -1.5 + noise(1.5), "is_quiet": True, "delivered_l": 0.0, "sold_l": 0.0,
        }
        for tank, number in each
        for hour in (1.0, 20.5)
    ]  # fmt: skip
    drops = [
        {
            "tank_id": tank, "drop_id": f"{tank}@{number}", "ts_start": at(number, 9.0), "ts_end": at(number, 13.0),
            "gain_l": 9000.0, "sold_during_l": 0.0, "delivery_id": None if number % 5 == 0 else f"D{tank}{number}",
            "ticket_volume_l": 9000.0, "mismatch_l": noise(200.0), "mismatch_sd_l": 40.0,
        }
        for tank, number in each
    ]  # fmt: skip
    draws = [
        {"tank_id": tank, "ts_start": at(number, 22.0), "ts_end": at(number, 22.5), "litres": -abs(noise(200.0)),
         "sd_l": 9.0, "kind": "at rest"}
        for tank, number in each
    ]  # fmt: skip
    meters = [
        {"tank_id": tank, "meter_id": f"M{tank}", "day": day(number), "sold_l": 900.0,
         "error_pct": (error := noise(0.6)), "error_low_pct": error - 0.3, "error_high_pct": error + 0.3}
        for tank, number in each
    ]  # fmt: skip
    health = [
        {"tank_id": tank, "day": day(number), "readings": 1440, "bad_share": abs(noise(0.2)), "is_stuck": noise() > 1.0,
         "gap_hours": abs(noise(5.0)), "clock_skew_s": noise(80.0)}
        for tank, number in each
    ]  # fmt: skip
    cases = [
        {"case_id": f"C{number}", "cause": "meter_drift", "site_id": "S1", "tank_id": "T2", "raised_on": day(number),
         "ts_start": at(number), "probability": 0.4 + 0.05 * number, "urgency": "today", "action": "", "summary": ""}
        for number in range(0, DAYS, 2)
    ]  # fmt: skip
    made = {"tank_days": days, "features": features, "ledger": ledger, "drops": drops, "draws": draws,
            "meter_estimates": meters, "health": health, "cases": cases}  # fmt: skip
    return seen(TANKS, **{name: table(name, rows) for name, rows in made.items()})


SHORTER = {
    "cusum": {"baseline_days": 5.0}, "ewma": {"baseline_days": 5.0}, "idle_slope": {"nights": 4.0, "threshold": 1.5},
    "rolling_variance": {"days": 5.0}, "monthly_allowance": {"min_days": 5.0, "constant_l": 0.0},
    "odd_feature": {"threshold": 5.0},
}  # fmt: skip
"""So that they have something to say within so few days."""


@pytest.mark.parametrize("name", shipped_rules())
def test_a_shipped_rule_walks_forward_as_if_each_day_were_the_last(tables, name):
    rule = rule_of(name)
    told = rule.settled(SHORTER.get(name, {}))
    ends = [day(number) for number in range(DAYS + 3)]
    alarms = replay(rule, told, tables, ends)
    afresh = []
    for end in ends:
        # Asked once, in a database of its own, with all that is to come cut away.
        known = {
            table_name: frame.filter(pl.col("day") <= end) if "day" in frame.columns else frame
            for table_name, frame in tables.items()
        }
        afresh.append(replay(rule, told, known, [end]).filter(pl.col("day") == end))
    twin = pl.concat(afresh).sort("day", *KEY, nulls_last=True)
    assert alarms.drop("score").equals(twin.drop("score"))
    assert alarms["score"].to_numpy() == pytest.approx(twin["score"].to_numpy(), rel=1e-9)
    # March 2026 ends after these days, so that the monthly rule has to be silent.
    assert alarms.height == 0 if name == "monthly_allowance" else alarms.height > 0
