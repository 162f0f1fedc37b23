"""Kind of evidence: contract, and known truth by construction. What ships is read, fires on what it is for, and stays
silent without it; a header that is wanting is refused."""

import polars as pl
import pytest

from pipeline.backtest.replay import replay
from pipeline.backtest.rule import sql_rule
from pipeline.backtest.rules import rule_of, shipped_rules
from pipeline.contract.vocabulary import CAUSES
from pipeline.errors import ArgumentError, RefusedRuleError
from tests.support.backtests import at, day, fleet, seen, table, variance_days

GOOD = """-- rule: A rule
-- looks for: something
-- cause: tank_leak, line_leak
-- parameter: threshold = 3 [1, 10] l
select tank_id, day, variance_l as score from tank_days where variance_l > $threshold
"""
CALM = [4.0, -3.0, 1.0, -6.0, 5.0, 2.0, -4.0, 0.0, 3.0, -2.0] * 9
AT_LAST = [day(99)]
"""Asked once, when all is known: that a rule says the same day by day is held elsewhere."""


def quiet_nights(rate_l_per_h, *, nights=40):
    """Nights of four quiet hours; rates that scatter by exactly ±0.2 l/h."""
    rows = [
        {
            "tank_id": "T1", "ts_start": at(n, 1.0), "ts_end": at(n, 5.0), "day": day(n), "is_quiet": True,
            "residual_l": -4.0 * (rate_l_per_h + (0.2 if n % 2 else -0.2)), "sold_l": 0.0, "delivered_l": 0.0,
        }
        for n in range(nights)
    ]  # fmt: skip
    return table("ledger", rows)


def drop(**values):
    base = {"tank_id": "T1", "drop_id": "T1@1", "ts_start": at(20, 9.0), "ts_end": at(20, 9.5), "gain_l": 9000.0,
            "sold_during_l": 10.0, "delivery_id": "D1", "ticket_volume_l": 9000.0, "mismatch_l": 0.0,
            "mismatch_sd_l": 40.0}  # fmt: skip
    return table("drops", [base | values])


def health(**values):
    base = {"tank_id": "T1", "readings": 1440, "bad_share": 0.0, "gap_hours": 0.1, "is_stuck": False,
            "clock_skew_s": 2.0}  # fmt: skip
    return table("health", [base | {"day": day(n)} | (values if n == 20 else {}) for n in range(40)])


def feature(name, value, z=1.0):
    rows = [{"tank_id": "T1", "trading_day": day(n), "name": name, "value": 0.0, "z": 0.1} for n in range(20)]
    return table("features", [*rows, {"tank_id": "T1", "trading_day": day(20), "name": name, "value": value, "z": z}])


def days_with(**values):
    frame = variance_days({"T1": CALM})
    odd = pl.col("trading_day") == day(20)
    return frame.with_columns(pl.when(odd).then(pl.lit(value)).alias(name) for name, value in values.items())


def water(rise):
    frame = variance_days({"T1": CALM})
    later = pl.col("trading_day") >= day(20)
    return frame.with_columns(water_mm=pl.when(later).then(12.0 + rise).otherwise(12.0))


def case(probability):
    row = {
        "case_id": "C1", "cause": "missing_sales", "site_id": "S1", "tank_id": "T1", "meter_id": "M1",
        "raised_on": day(20), "ts_start": at(18), "probability": probability, "urgency": "today", "action": "",
        "summary": "",
    }  # fmt: skip
    return table("cases", [row])


def meter(error, low, high):
    row = {"tank_id": "T1", "meter_id": "M1", "day": day(20), "sold_l": 9000.0, "error_pct": error,
           "error_low_pct": low, "error_high_pct": high}  # fmt: skip
    return table("meter_estimates", [row])


def draw(litres, sd):
    rows = {
        "tank_id": "T1",
        "ts_start": at(20, 2.0),
        "ts_end": at(20, 2.3),
        "litres": litres,
        "sd_l": sd,
        "kind": "at rest",
    }
    return table("draws", [rows])


SHIFT = [*CALM[:30], *(value - 12.0 for value in CALM[30:])]
FIRES = {
    "cases": ({"cases": case(0.8)}, {"cases": case(0.3)}, "missing_sales"),
    "clock_skew": ({"health": health(clock_skew_s=-600.0)}, {"health": health()}, "clock_skew"),
    "cusum": ({"tank_days": variance_days({"T1": SHIFT})}, {"tank_days": variance_days({"T1": CALM})}, "tank_leak"),
    "ewma": ({"tank_days": variance_days({"T1": SHIFT})}, {"tank_days": variance_days({"T1": CALM})}, "tank_leak"),
    "daily_variance": (
        {"tank_days": variance_days({"T1": [*CALM[:20], -140.0]})}, {"tank_days": variance_days({"T1": CALM})},
        "bulk_theft",
    ),
    "delivery_mismatch": (
        {"drops": drop(mismatch_l=-300.0)}, {"drops": drop(mismatch_l=-90.0)}, "short_delivery",
    ),
    "density_off": (
        {"features": feature("density_change_kg_m3", -8.0)}, {"features": feature("density_change_kg_m3", -1.0)},
        "wrong_product",
    ),
    "forest_score": (
        {"tank_days": days_with(forest_score=0.9)}, {"tank_days": days_with(forest_score=0.35)}, "unexplained",
    ),
    "idle_slope": ({"ledger": quiet_nights(0.5)}, {"ledger": quiet_nights(0.0)}, "tank_leak"),
    "meter_residual": (
        {"meter_estimates": meter(0.8, 0.4, 1.2)}, {"meter_estimates": meter(0.8, -0.1, 1.7)}, "meter_drift",
    ),
    "missing_ticket": (
        {"drops": drop(delivery_id=None, ticket_volume_l=None, mismatch_l=None)}, {"drops": drop()}, "missing_ticket",
    ),
    "monthly_allowance": (
        {"tank_days": variance_days({"T1": [value - 40.0 for value in CALM]})},
        {"tank_days": variance_days({"T1": CALM})}, "unexplained",
    ),
    "odd_feature": ({"features": feature("scatter_mm", 9.0, z=20.0)}, {"features": feature("scatter_mm", 1.0)},
                    "unexplained"),
    "physics_score": (
        {"tank_days": days_with(physics_score=9.0)}, {"tank_days": days_with(physics_score=1.0)}, "unexplained",
    ),
    "rolling_variance": (
        {"tank_days": variance_days({"T1": SHIFT})}, {"tank_days": variance_days({"T1": CALM})}, "slow_theft",
    ),
    "silent_gauge": ({"health": health(gap_hours=11.0)}, {"health": health()}, "probe_fault"),
    "stuck_gauge": ({"health": health(is_stuck=True)}, {"health": health()}, "probe_fault"),
    "sudden_draw": ({"draws": draw(-400.0, 9.0)}, {"draws": draw(-400.0, 200.0)}, "bulk_theft"),
    "totaliser_gap": (
        {"features": feature("totaliser_excess_l", 60.0)}, {"features": feature("totaliser_excess_l", 5.0)},
        "missing_sales",
    ),
    "water_rise": ({"tank_days": water(9.0)}, {"tank_days": water(2.0)}, "water_ingress"),
}  # fmt: skip
"""For each rule: a history on which it must speak, one on which it must not, and the cause that it must point at."""


def test_every_shipped_rule_is_tried_here():
    assert sorted(FIRES) == shipped_rules()
    assert len(FIRES) >= 12


@pytest.mark.parametrize("name", sorted(FIRES))
def test_a_rule_speaks_of_what_it_is_for_and_of_nothing_else(name):
    odd, calm, cause = FIRES[name]
    rule = rule_of(name)
    alarms = replay(rule, rule.settled({}), seen(**odd), AT_LAST)
    assert alarms.height > 0
    assert alarms["cause"].unique().to_list() == [cause]
    assert alarms["site_id"].unique().to_list() == ["S1"]
    assert alarms["day"].min() >= day(13)
    assert replay(rule, rule.settled({}), seen(**calm), AT_LAST).height == 0


@pytest.mark.parametrize("name", shipped_rules())
def test_a_shipped_rule_says_what_it_is_and_is_silent_on_nothing(name):
    rule = rule_of(name)
    assert rule.title and rule.looks_for.endswith(".") and set(rule.causes) <= set(CAUSES)
    assert "threshold" in rule.settled({})
    assert replay(rule, rule.settled({}), seen(), AT_LAST).height == 0


def test_water_under_an_ethanol_blend_points_at_a_split():
    tanks = fleet(["T1"])["tanks"].with_columns(product=pl.lit("gasoline_e10"))
    rule = rule_of("water_rise")
    alarms = replay(rule, rule.settled({}), seen(tank_days=water(9.0), tanks=tanks), AT_LAST)
    assert alarms["cause"].unique().to_list() == ["phase_separation"]


def test_a_monthly_rule_speaks_when_the_month_is_over_and_not_before():
    rule = rule_of("monthly_allowance")
    frames = {"tank_days": variance_days({"T1": [-50.0] * 70})}
    alarms = replay(rule, rule.settled({}), seen(**frames), AT_LAST)
    # 40 CFR 280.43(a): 1 % of throughput and 130 US gallons. March has 30 of its days
    # here, 1500 l of 60,000 l; April is whole.
    assert alarms["day"].to_list() == [day(31), day(61)]
    assert alarms["score"].to_list() == pytest.approx([1500.0 / (600.0 + 492.1035)] * 2, rel=1e-6)


def test_parameters_are_settled_within_their_ranges():
    rule = sql_rule("good", GOOD)
    assert rule.settled({}) == {"threshold": 3.0}
    assert rule.settled({"threshold": 10}) == {"threshold": 10.0}
    with pytest.raises(ArgumentError, match=r"threshold = 11 is not within 1 to 10"):
        rule.settled({"threshold": 11})
    with pytest.raises(ArgumentError, match="has no parameter treshold; it has threshold"):
        rule.settled({"treshold": 3})


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("-- rule: A rule\n", "", "one line '-- rule"),
        ("-- looks for: something\n", "-- looks for: a\n-- looks for: b\n", "one line '-- looks for"),
        ("-- cause: tank_leak, line_leak\n", "-- cause: gremlins\n", "gremlins is no cause"),
        ("= 3 [1, 10] l", "= 30 [1, 10] l", "is not: name = default"),
        ("= 3 [1, 10] l", "between 1 and 10", "is not: name = default"),
        ("> $threshold", "> 3", "threshold is declared and not used"),
        ("> $threshold", "> $threshold + $more", "more is used and has no line"),
    ],
)
def test_a_header_that_is_wanting_is_refused(old, new, says):
    with pytest.raises(RefusedRuleError, match=says):
        sql_rule("bad", GOOD.replace(old, new))


def test_a_rule_is_found_by_name_or_by_file(tmp_path):
    assert rule_of("idle_slope").digest == rule_of("queries/rules/idle_slope.sql").digest
    (tmp_path / "own.sql").write_text(GOOD, encoding="utf-8")
    assert rule_of(str(tmp_path / "own.sql")).name == "own"
    with pytest.raises(ArgumentError, match="there is no rule nosuch"):
        rule_of("nosuch")
