"""Kind of evidence: known truth. What is put in is what the ledger shows gone, and nothing else is touched.

The ledger that judges shares no code with what puts in, but for how drops are found.
"""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.backtest.injection.fault import CannotHoldError, Injection
from pipeline.backtest.injection.lake import inject_lake
from pipeline.backtest.injection.levels import gauge_of, habit_of, moved_levels, rounded, within_cell
from pipeline.backtest.injection.plan import Wanted, planned
from pipeline.backtest.injection.run import inject
from pipeline.backtest.injection.sizes import SIZE_OF
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.vocabulary import CAUSES, CAUSES_WITHOUT_LITRES
from pipeline.errors import ArgumentError
from pipeline.ledger.gauge import Strapping
from pipeline.simulate.run import simulate_fleet
from pipeline.simulate.settings import FleetSettings
from tests.support.injected import DAY_S, SIZES, both_z, course, faults, moved, pools, sound_courses, sound_fleet
from tests.support.lakes import digest, write

START_S = 12.4 * DAY_S


@pytest.fixture(scope="module")
def fleet():
    return sound_fleet(6, 24, seed=21)


def instant(frames, after_s):
    return frames["readings"]["ts"].min().timestamp() + after_s


def put(frames, cause, size, *, tank="T0001", after_s=START_S, lasts_s=None, seed=1):
    start = instant(frames, after_s)
    end = None if lasts_s is None else start + lasts_s
    return inject(frames, [Injection(cause, tank, start, size, end)], seed=seed)


USUAL = {"l/h": 1.5, "l": 300.0, "%": 30.0, "kg/m³": 20.0, "mm": 9.0, "s": 900.0}


@pytest.fixture(scope="module")
def judged():
    """Over five hundred faults: by cause, how far the ledger is from what was put in, and from none without it [SD]."""
    frames = sound_fleet(8, 45, seed=503)
    sound = sound_courses(frames)
    found = {cause: faults(frames, sound, cause, every_s=3.7 * DAY_S, seed=place) for place, cause in enumerate(SIZES)}
    return {cause: np.array([both_z(one) for one in rows]).T for cause, rows in found.items()}


def test_what_is_put_in_is_what_the_ledger_shows_gone(judged):
    """Within the noise that the tank has without it: z-scores against stretches of the same tank, at the same hour."""
    z, without = np.concatenate(list(judged.values()), axis=1)
    assert len(z) > 500
    assert abs(z.mean()) < 0.15 and 0.85 < z.std() < 1.2
    assert np.mean(np.abs(z) < 2.0) > 0.92 and np.mean(np.abs(z) < 3.0) > 0.975
    # The scale is right: without a fault the same stretches are of the same spread, and the two are not told apart.
    assert abs(without.mean()) < 0.15 and 0.85 < without.std() < 1.2
    assert stats.ks_2samp(z, without).pvalue > 0.05


@pytest.mark.parametrize("cause", SIZES)
def test_of_each_cause_what_is_put_in_is_gone(judged, cause):
    z = judged[cause][0]
    assert len(z) > 30
    assert abs(z.mean()) < 3.5 / np.sqrt(len(z)) and 0.7 < z.std() < 1.4


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_can_be_put_in_and_leaves_the_rest_alone(fleet, cause):
    unit = SIZE_OF[cause][0]
    tank = next(
        (row["tank_id"] for row in fleet["tanks"].iter_rows(named=True) if row["product"].startswith("gasoline_e")),
        "T0001",
    ) if cause in ("phase_separation", "water_ingress", "wrong_product") else "T0001"  # fmt: skip
    before = {name: frame.clone() for name, frame in fleet.items()}
    made = put(fleet, cause, USUAL[unit], tank=tank)
    assert made.refused == []
    assert all(before[name].equals(fleet[name]) for name in before)
    label = made.frames["labels"].row(0, named=True)
    assert (label["cause"], label["verdict"], label["site_id"]) == (cause, "confirmed", "S001")
    assert (label["litres"] is None) == (cause in CAUSES_WITHOUT_LITRES)
    assert made.sizes.rows() == [(label["label_id"], USUAL[unit], unit)]
    # Nothing before the start, and no reading of another tank.
    start = (
        label["ts_start"]
        if cause.endswith("delivery")
        else fleet["readings"]["ts"].min() + pl.duration(seconds=START_S)
    )
    early = pl.col("ts") < start
    assert made.frames["readings"].filter(early).equals(fleet["readings"].filter(early))
    others = pl.col("tank_id") != tank
    assert made.frames["readings"].filter(others).equals(fleet["readings"].filter(others))
    changed = [name for name in LAKE_TABLES if not made.frames[name].equals(fleet[name])]
    assert "labels" in changed and len(changed) >= 2
    for name, frame in made.frames.items():
        assert frame.schema == fleet[name].schema


def test_the_same_seed_gives_the_same_tables(fleet):
    one, two, other = (put(fleet, "slow_theft", 40.0, seed=seed) for seed in (5, 5, 6))
    assert one.frames["readings"].equals(two.frames["readings"])
    assert not one.frames["readings"].equals(other.frames["readings"])


def test_a_leak_runs_by_the_root_of_its_head(fleet):
    """rate ∝ √head: over a day the litres are the mean of size·√(level / half the depth), by the readings alone."""
    made = put(fleet, "tank_leak", 2.0, lasts_s=DAY_S)
    label = made.frames["labels"].row(0, named=True)
    rows = fleet["readings"].filter(
        (pl.col("tank_id") == "T0001") & (pl.col("quality") == "good")
        & pl.col("ts").is_between(label["ts_start"], label["ts_end"])
    )  # fmt: skip
    half = fleet["strapping"].filter(pl.col("tank_id") == "T0001")["level_mm"].max() / 2.0
    expected = 24.0 * 2.0 * float(np.sqrt(rows["level_mm"].to_numpy() / half).mean())
    assert -label["litres"] == pytest.approx(expected, rel=0.01)


def test_a_line_leaks_only_while_a_hose_is_open(fleet):
    made = put(fleet, "line_leak", 20.0, lasts_s=2 * DAY_S)
    label = made.frames["labels"].row(0, named=True)
    meters = fleet["meter_feeds"].filter(pl.col("tank_id") == "T0001")["meter_id"]
    inside = pl.col("ts_start").is_between(label["ts_start"], label["ts_end"])
    sales = fleet["sales"].filter(pl.col("meter_id").is_in(meters.implode()) & inside & (pl.col("kind") == "sale"))
    minutes = pl.concat(
        [pl.datetime_range(a, b, "1s", eager=True) for a, b in sales.select("ts_start", "ts_end").rows()]
    )
    assert -label["litres"] == pytest.approx(20.0 * minutes.n_unique() / 3600.0, rel=0.03)


def test_a_meter_that_records_too_much_leaves_litres_in_the_tank(fleet):
    made = put(fleet, "meter_drift", 2.0, lasts_s=4 * DAY_S)
    label = made.frames["labels"].row(0, named=True)
    inside = (pl.col("ts_start") >= label["ts_start"]) & (pl.col("ts_end") <= label["ts_end"])
    sold = fleet["sales"].filter((pl.col("meter_id") == label["meter_id"]) & inside & (pl.col("kind") == "sale"))
    # Σ(recorded − true), recorded = 1.02 × true.
    assert label["litres"] == pytest.approx(sold["volume_l"].sum() * 0.02 / 1.02, abs=0.01)
    assert made.frames["sales"].equals(fleet["sales"])


def test_lost_sales_move_the_totaliser_alone(fleet):
    made = put(fleet, "missing_sales", 40.0)
    label = made.frames["labels"].row(0, named=True)
    lost = fleet["sales"].join(made.frames["sales"].select("sale_id"), on="sale_id", how="anti")
    assert lost["meter_id"].unique().to_list() == [label["meter_id"]]
    assert label["litres"] == pytest.approx(-lost["volume_l"].sum(), abs=0.01)
    assert made.frames["meter_totals"].equals(fleet["meter_totals"])


def test_sales_booked_elsewhere_change_the_feeds_alone(fleet):
    made = put(fleet, "wrong_feed", 100.0)
    label = made.frames["labels"].row(0, named=True)
    rows = made.frames["meter_feeds"].filter(pl.col("meter_id") == label["meter_id"]).sort("valid_from")
    assert rows["tank_id"].to_list()[-1] == label["tank_id"] != "T0001"
    assert rows["valid_to"].to_list()[-2:] == [label["ts_start"], None]
    changed = {name for name in LAKE_TABLES if not made.frames[name].equals(fleet[name])}
    assert changed == {"meter_feeds", "labels"}


def test_a_till_set_ahead_stamps_later(fleet):
    made = put(fleet, "clock_skew", 900.0, lasts_s=3 * DAY_S)
    both = fleet["sales"].join(made.frames["sales"], on="sale_id", suffix="_now")
    late = both.select((pl.col("ts_end_now") - pl.col("ts_end")).dt.total_seconds()).to_series()
    assert set(late.unique()) == {0, 900}
    assert made.frames["labels"]["tank_id"].to_list() == [None]


def test_what_is_gone_is_ordered_again(fleet):
    """A leak of hundreds of litres is made up by larger tickets: the level comes back, the books do not."""
    made = put(fleet, "tank_leak", 6.0)
    extra = made.frames["deliveries"]["ticket_volume_l"] - fleet["deliveries"]["ticket_volume_l"]
    assert set(extra.filter(extra != 0.0) % 500.0) == {0.0} and extra.sum() > 0.0
    litres = made.frames["labels"]["litres"][0]
    assert abs(litres + extra.sum()) < 1000.0
    members = pools(fleet)["T0001"]
    ts, stock = course(made.frames, members)[:2]
    base_ts, base = course(fleet, members)[:2]
    shown = moved(ts, stock, instant(fleet, START_S), ts[-1]) - moved(
        base_ts, base, instant(fleet, START_S), base_ts[-1]
    )
    assert np.isnan(shown) or shown == pytest.approx(litres, abs=20.0)
    last = pl.col("ts") > fleet["readings"]["ts"].max() - pl.duration(hours=6)
    level = [
        frames["readings"]
        .filter(last & (pl.col("tank_id") == "T0001") & (pl.col("quality") == "good"))["level_mm"]
        .median()
        for frames in (made.frames, fleet)
    ]
    assert 0.0 <= level[1] - level[0] < 150.0


def test_water_lifts_the_float_and_the_product_on_it():
    frames = sound_fleet(4, 20, seed=8)
    row = frames["readings"].filter(pl.col("water_mm").is_not_null())["tank_id"][0]
    made = put(frames, "water_ingress", 1.0, tank=row, after_s=8 * DAY_S, lasts_s=6 * DAY_S)
    label = made.frames["labels"].row(0, named=True)
    assert label["litres"] == pytest.approx(144.0)
    late = (pl.col("tank_id") == row) & (pl.col("ts") > label["ts_end"]) & (pl.col("quality") == "good")
    chart = frames["strapping"].filter(pl.col("tank_id") == row).sort("level_mm")

    def litres(frame, column):
        level = frame.filter(late)[column].to_numpy()
        return float(np.median(np.interp(level, chart["level_mm"].to_numpy(), chart["volume_l"].to_numpy())))

    for column, tolerance in (("water_mm", 25.0), ("level_mm", 12.0)):
        rise = litres(made.frames["readings"], column) - litres(frames["readings"], column)
        assert rise == pytest.approx(144.0, abs=tolerance)


def test_a_level_stays_on_its_gauges_grid(fleet):
    made = put(fleet, "bulk_theft", 333.0)
    for tank in fleet["tanks"]["tank_id"]:
        was, now = (
            frames["readings"]
            .filter((pl.col("tank_id") == tank) & (pl.col("quality") == "good"))["level_mm"]
            .to_numpy()
            for frames in (fleet, made.frames)
        )
        grid = habit_of(np.arange(len(was), dtype=float), was).grid_mm
        assert np.abs(now / grid - np.round(now / grid)).max() < 1e-4
        spread = [np.std(np.diff(values[-300:])) for values in (was, now)]
        assert spread[1] == pytest.approx(spread[0], rel=0.2)


def test_a_gauge_that_reports_on_change_goes_on_doing_so():
    """Small steps are told only from a step on, rows come more often while the level creeps, and quiet rows may go."""
    rules = FleetSettings(exception_share=1.0, snapshot_share=0.0, deadband_mm=0.5)
    frames = simulate_fleet(2, 16, seed=4, causes=[], settings=rules)
    frames = {name: frame for name, frame in frames.items() if not name.startswith("_")}
    made = put(frames, "tank_leak", 6.0, after_s=8 * DAY_S)
    tank = pl.col("tank_id") == "T0001"
    was, now = (
        one["readings"].filter(tank & (pl.col("quality") == "good")).unique("ts").sort("ts")
        for one in (frames, made.frames)
    )
    habits = [
        habit_of(rows["ts"].dt.timestamp("us").to_numpy() / 1e6, rows["level_mm"].to_numpy()) for rows in (was, now)
    ]
    assert habits[0].is_on_change and habits[1].is_on_change
    assert habits[0].step_mm == habits[1].step_mm > habits[0].grid_mm
    assert now.height > 0.97 * was.height and now.height != was.height
    assert made.frames["readings"].filter(pl.col("tank_id") != "T0001").equals(frames["readings"].filter(~tank))


def test_a_tank_cannot_hold_just_any_fault(fleet):
    for injection, says in (
        (Injection("bulk_theft", "T0001", instant(fleet, START_S), 1e6), "does not hold"),
        (Injection("bulk_theft", "T9", instant(fleet, START_S), 1.0), "no tank T9"),
        (Injection("bulk_theft", "T0001", instant(fleet, 99 * DAY_S), 1.0), "no data at the fault's start"),
        (Injection("short_delivery", "T0001", instant(fleet, START_S), 1e6), "no fitting drop"),
        (Injection("meter_drift", "T0001", instant(fleet, START_S), 1.0, meter_id="M9"), "no meter M9"),
    ):
        made = inject(fleet, [injection], seed=1)
        assert [says in why for _, why in made.refused] == [True]
        assert made.frames["readings"].equals(fleet["readings"]) and made.frames["labels"].height == 0
    assert issubclass(CannotHoldError, ArgumentError)


@pytest.mark.parametrize("cause", ["tank_leak", "bulk_theft", "water_ingress", "phase_separation"])
def test_a_refused_fault_leaves_nothing_behind(fleet, cause):
    """Too much for the tank: no ticket, reading, float or density of any table differs, and each is told with why."""
    start = instant(fleet, START_S)
    wanted = [Injection(cause, tank, start, 4e4) for tank in pools(fleet)]
    made = inject(fleet, wanted, seed=1)
    assert len(made.refused) == len(wanted) and made.left_out()["why"].str.len_chars().min() > 10
    assert made.left_out()["tank_id"].to_list() == list(pools(fleet))
    for name in LAKE_TABLES:
        assert made.frames[name].equals(fleet[name]), name


def test_a_ticket_is_never_larger_than_its_tank(fleet):
    """Whatever is refused or not, no load that makes up for a loss is more than the tanks of its pool hold."""
    holds = fleet["strapping"].group_by("tank_id").agg(pl.col("volume_l").max())
    before = fleet["deliveries"].join(holds, on="tank_id").filter(pl.col("ticket_volume_l") > pl.col("volume_l"))
    sizes = np.geomspace(0.5, 400.0, 12)
    for number, size in enumerate(sizes):
        made = inject(
            fleet, [Injection("tank_leak", tank, instant(fleet, 6 * DAY_S), size) for tank in pools(fleet)], seed=1
        )
        late = made.frames["deliveries"].join(holds, on="tank_id")
        assert late.filter(pl.col("ticket_volume_l") > pl.col("volume_l")).height == before.height, (number, size)


def test_faults_are_dealt_out_evenly(fleet):
    wanted = Wanted(("tank_leak", "bulk_theft"), (1.0, 2.0, 4.0))
    plan = planned(fleet, wanted, avoid=["T0002"], seed=3)
    assert len(plan) == len(pools(fleet)) - 1 and "T0002" not in {one.tank_id for one in plan}
    for name in ("cause", "size"):
        counts = np.unique([getattr(one, name) for one in plan], return_counts=True)[1]
        assert counts.max() - counts.min() <= 1
    starts = np.array([one.start_s for one in plan]) - instant(fleet, 0.0)
    assert (starts > 0.35 * 24 * DAY_S).all() and (starts < 0.75 * 24 * DAY_S).all()
    assert planned(fleet, wanted, seed=3) != planned(fleet, wanted, seed=4)
    assert len(planned(fleet, Wanted(("clock_skew",), (600.0,)), seed=1)) == fleet["sites"].height


def test_a_lake_is_copied_and_the_original_untouched(fleet, tmp_path):
    lake = write(tmp_path / "lake", fleet)
    before = digest(lake)
    made = inject_lake(lake, tmp_path / "lake2", Wanted(("bulk_theft",), (250.0,), ("T0003",)), seed=9)
    assert digest(lake) == before
    labels = pl.read_parquet(tmp_path / "lake2" / "labels.parquet")
    assert labels.select("label_id", "tank_id", "litres").rows() == [("INJ-00001", "T0003", -250.0)]
    assert sorted(path.name for path in (tmp_path / "lake2").iterdir()) == sorted(
        f"{name}.parquet" if (lake / f"{name}.parquet").is_file() else name for name in LAKE_TABLES
    )
    assert made.sizes.height == 1
    for out, says in ((tmp_path / "lake2", "must be a new or an empty folder"), (lake / "in", "never written to")):
        with pytest.raises(ArgumentError, match=says):
            inject_lake(lake, out, Wanted(("bulk_theft",), (250.0,), ("T0003",)), seed=9)


def test_what_was_rounded_away_is_put_back_within_its_cell():
    ts = np.arange(0.0, 20 * DAY_S, 60.0)
    part = within_cell(ts, np.random.default_rng(1))
    assert np.abs(part).max() < 0.5
    assert np.histogram(part, bins=5, range=(-0.5, 0.5))[0].min() > 0.12 * len(ts)
    level = rounded(1000.0 + 0.4 * np.sin(ts / 900.0), 0.1)
    assert (rounded(level + 0.1 * part, 0.1) == level).all()
    rows = pl.DataFrame(
        {"tank_id": ["T"] * 30, "ts": np.arange(30) * 60_000_000, "level_mm": [500.0] * 30, "quality": ["good"] * 30}
    )
    chart = Strapping(np.array([0.0]), ((np.array([0.0, 1000.0]), np.array([0.0, 9000.0])),))
    assert (
        gauge_of(rows.with_columns(pl.col("ts").cast(pl.Datetime("us", "UTC"))), chart).volume_at(np.array([60.0]))[0]
        == 4500.0
    )


def test_a_noisy_gauge_s_half_hours_move_by_what_was_put_in():
    """With noise wider than its grid a gauge tells a mean finer than the grid; a moved one no less so."""
    rng = np.random.default_rng(4)
    ts = np.arange(0.0, 20 * DAY_S, 60.0)
    level = rounded(1000.0 + rng.normal(0.0, 0.15, len(ts)), 0.1)
    rows = pl.DataFrame({"tank_id": "T", "ts": (ts * 1e6).astype(np.int64), "level_mm": level, "quality": "good"})
    chart = Strapping(np.array([0.0]), ((np.array([0.0, 2000.0]), np.array([0.0, 30_000.0])),))
    gauge = gauge_of(rows.with_columns(pl.col("ts").cast(pl.Datetime("us", "UTC"))), chart)
    assert gauge.habit.noise_mm == pytest.approx(0.15, rel=0.05)
    moved = moved_levels(gauge, lambda at: np.full(len(at), 0.03), rng)
    off = (moved.level_mm - level).reshape(-1, 30).mean(axis=1)
    assert off.mean() == pytest.approx(0.03, abs=0.001)
    assert off.std() < 1.2 * 0.1 / np.sqrt(12.0) * np.sqrt(2.0) / np.sqrt(30.0)
    assert abs(np.corrcoef(off[1:], off[:-1])[0, 1]) < 0.1
