"""One clear fault of each cause in a fleet of its own kind, found under its own name. Evidence: known truth.

Each fault is larger than the least that can be told (the benchmarks measure those); clocks and historians are clean.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.contract.vocabulary import CAUSES, CAUSES_WITHOUT_LITRES
from pipeline.simulate import FleetSettings
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import DAY_S, Window
from pipeline.simulate.run import simulate_world
from tests.support.fleets import Tables, clean

START = date(2026, 3, 1)
DAYS = 40
FROM_S = 14.0 * DAY_S
TANKS = 34
SEED = 3
CLEAN = FleetSettings(
    fault_rate=0.5, second_fault_share=0.0, ruled_out_share=0.0, quirks=False, interval_weights=(0.0, 0.5, 0.5, 0.0),
    density_share=1.0, noise_class="good", no_water_share=0.0,
)  # fmt: skip
SLACK = timedelta(days=2)


@dataclass(frozen=True)
class Clear:
    """How large a fault is made, from which hour of its day and how long (None: to the end of the data)."""

    params: dict[str, float] = field(default_factory=dict)
    lasts_s: float | None = None
    hour: float = 0.0


FAULTS = {
    "tank_leak": Clear({"rate_l_per_h": 3.0, "hole_mm": 0.0, "head_mm": 1000.0}),
    "line_leak": Clear({"rate_l_per_h": 25.0}),
    "bulk_theft": Clear({"litres": 900.0}, lasts_s=1200.0, hour=2.0),
    "slow_theft": Clear({"litres": 45.0, "pattern": 0.0, "hour": 2.0}),
    "meter_drift": Clear({"error": -0.025, "ramp": 0.0}),
    "missing_sales": Clear({"share": 0.5, "shift_starts_h": 0.0, "shift_lasts_h": 24.0}),
    "chart_error": Clear({"kind": 2.0, "size": 0.03, "replaced": 0.0}),
    "wrong_feed": Clear(),
    "short_delivery": Clear({"share": 0.05}),
    "over_delivery": Clear({"share": 0.05}),
    "missing_ticket": Clear(),
    "wrong_product": Clear({"density_shift_kg_m3": 80.0, "ticket_shows": 1.0}),
    "water_ingress": Clear({"steady": 1.0, "rate_l_per_h": 0.5, "removed_share": 0.0}, lasts_s=15.0 * DAY_S),
    "phase_separation": Clear({"kind": 0.0, "water_l": 60.0, "grows_s": 5.0 * DAY_S, "splits_s": 10_000.0}),
    "probe_fault": Clear({"kind": 1.0, "jump_mm": 30.0, "noise_times": 15.0, "dropped_share": 0.8}),
    "clock_skew": Clear({"shift_s": 1500.0, "till": 1.0}),
    "unexplained": Clear({"litres": 150.0, "a_day": 3.0, "steady_gain_l_per_h": 0.0}, lasts_s=15.0 * DAY_S),
}


def test_every_cause_has_its_scenario():
    assert set(FAULTS) == set(CAUSES)


@cache
def world() -> tuple[Tables, pl.DataFrame]:
    """A fleet with each fault at a tank of its own, the skewed clock at a site of its own, and what is true."""
    fleet = draw_fleet(Window(START, DAYS), TANKS, SEED, CLEAN)
    faults = plan_faults(fleet, None, CLEAN)
    for fault in faults:
        clear = FAULTS[fault.cause]
        fault.start_s = 0.0 if fault.cause == "chart_error" else FROM_S + clear.hour * 3600.0
        fault.end_s = None if clear.lasts_s is None else fault.start_s + clear.lasts_s
        fault.params |= clear.params
    frames = simulate_world(fleet, faults, CLEAN)
    return clean(frames), frames["labels"].filter(pl.col("verdict") == "confirmed")


@cache
def cases() -> pl.DataFrame:
    return analyse(world()[0])["cases"]


def test_each_fault_is_at_a_place_of_its_own():
    labels = world()[1]
    assert sorted(labels["cause"]) == sorted(CAUSES)
    assert labels["tank_id"].drop_nulls().is_unique().all()
    skewed = labels.filter(pl.col("cause") == "clock_skew")["site_id"].item()
    assert labels.filter(pl.col("site_id") == skewed).height == 1


def found(label: dict[str, object]) -> pl.DataFrame:
    """The cases at the label's place (a joined tank's may name its neighbour), of its cause and about its time."""
    tables, _ = world()
    pools = tables["tanks"].with_columns(pool=pl.coalesce("manifold_id", "tank_id"))
    own = [] if label["tank_id"] is None else [label["tank_id"]]
    pool = pools.filter(pl.col("tank_id").is_in(own))["pool"]
    here = pools.filter(pl.col("pool").is_in(pool.to_list()))["tank_id"].to_list()
    end = label["ts_end"] or datetime.combine(START + timedelta(days=DAYS), time(), UTC)
    return cases().filter(
        pl.col("cause") == label["cause"],
        pl.col("site_id") == label["site_id"],
        pl.col("tank_id").is_in(here) if here else pl.col("tank_id").is_null(),
        pl.col("ts_start") <= end + SLACK,
        pl.col("ts_end").is_null() | (pl.col("ts_end") >= label["ts_start"] - SLACK),
    )


@pytest.mark.parametrize("cause", CAUSES)
def test_a_clear_fault_is_found_under_its_own_name(cause: str):
    label = world()[1].filter(pl.col("cause") == cause).row(0, named=True)
    best = found(label).sort("probability").tail(1)
    assert best.height == 1, cases().filter(pl.col("site_id") == label["site_id"]).to_dicts()
    case = best.row(0, named=True)
    assert case["probability"] > 0.5
    for name in ("meter_id", "delivery_id"):
        assert case[name] == label[name] or label[name] is None
    assert (case["litres"] is None) == (cause in CAUSES_WITHOUT_LITRES)


def test_next_to_nothing_is_found_where_nothing_is_wrong():
    """One false case in some twenty months of sound tanks is borne."""
    tables, labels = world()
    frames = (labels["tank_id"].drop_nulls(), labels.filter(pl.col("tank_id").is_null())["site_id"])
    faulty, skewed = (frame.to_list() for frame in frames)
    sound = tables["tanks"].filter(~pl.col("tank_id").is_in(faulty) & ~pl.col("site_id").is_in(skewed))["tank_id"]
    false = cases().filter(pl.col("tank_id").is_in(sound.to_list()) & (pl.col("probability") > 0.5))
    assert len(sound) >= 12
    assert false.height <= 1, false.to_dicts()
