"""Parts of the simulator one by one. Evidence: known truth by construction, property, naive twin."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.chart import strapping_rows, true_shape, wrong_chart
from pipeline.simulate.demand import Sales, to_true_seconds
from pipeline.simulate.draws import open_times
from pipeline.simulate.heat import ground_c
from pipeline.simulate.historian import _reported, readings_frame
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.metering import totaliser_readings
from pipeline.simulate.model import DAY_S, Fault, Historian, Window
from pipeline.simulate.probe_faults import with_probe_faults
from pipeline.simulate.sensors import Moves, Signals, envelope, level_signal, siphon_lag_l
from pipeline.simulate.water import water_path

SOUND = FleetSettings(quirks=False)
WINDOW = Window(date(2026, 3, 1), 60)


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(WINDOW, 30, 8, FleetSettings())


@pytest.fixture(scope="module")
def month():
    return simulate_fleet(12, 30, seed=14, causes=[], settings=SOUND)


def regular(**changes: object) -> Historian:
    plain = Historian(60.0, 0.0, "regular", 0.0, 900.0, 0.0, 0.0, False, False, 0.0)
    return replace(plain, **changes)


def signals(level: np.ndarray, step_s: float = 60.0) -> Signals:
    at_s = np.arange(level.size) * step_s
    return Signals(at_s, level, np.zeros_like(level), np.full_like(level, 12.0), np.full_like(level, np.nan))


def test_a_meters_error_shows_in_what_it_records(month):
    """Known truth: recorded ÷ true − 1 over a month against the meter's own error and wear."""
    sums = month["_truth_sales"].group_by("meter_id").agg(pl.len(), pl.col("recorded_l", "true_l").sum())
    meters = sums.join(month["_truth_meters"], on="meter_id")
    events = month["events"].filter(pl.col("kind") == "meter_calibrated")["meter_id"]
    meters = meters.filter((pl.col("len") > 60) & ~pl.col("meter_id").is_in(events.to_list()))
    found = meters["recorded_l"] / meters["true_l"] - 1.0
    expected = meters["error"] + meters["wear_per_m3"] * meters["recorded_l"] / 2_000.0
    assert meters.height > 20
    # Repeatability of 0.1 % a sale over 60 sales and more.
    assert np.allclose(found, expected, atol=4.0 * 0.001 / np.sqrt(60.0))


def test_sound_meters_keep_within_service_tolerance(month):
    """Known truth: 0.5 %, common practice."""
    assert month["_truth_meters"]["error"].abs().max() < 0.005
    assert abs(month["_truth_meters"]["error"].mean()) < 0.001


def test_nobody_is_served_at_two_hoses_of_a_side_at_once(month):
    """Property."""
    sales = month["sales"].join(month["meters"], on="meter_id").with_columns(side=pl.col("hose").str.slice(0, 1))
    ordered = sales.sort("ts_start").with_columns(before=pl.col("ts_end").shift(1).over("site_id", "dispenser", "side"))
    assert (ordered["ts_start"] >= ordered["before"]).drop_nulls().all()


def test_a_site_sells_nothing_while_it_is_closed():
    """Property: by the site's own clock, through the change to summer time; the last customer may take his time."""
    frames = simulate_fleet(9, 35, seed=8, causes=[], settings=SOUND)
    fleet = draw_fleet(Window(date(2026, 3, 1), 35), 9, 8, SOUND)
    closing = [site for site in fleet.sites if not site.is_open_always]
    assert closing
    for site in closing:
        meters = frames["meters"].filter(pl.col("site_id") == site.site_id)["meter_id"].to_list()
        sales = frames["sales"].filter(pl.col("meter_id").is_in(meters) & (pl.col("kind") == "sale"))
        local = sales["ts_start"].dt.convert_time_zone(site.timezone)
        hour = (local.dt.hour() + local.dt.minute() / 60.0).to_numpy()
        hour = np.where(hour < site.opens_h - 0.1, hour + 24.0, hour)
        assert hour.max() <= site.closes_h + 0.4
        assert hour.min() >= site.opens_h - 0.1


def test_local_hours_become_utc_as_the_standard_library_has_it():
    """Naive twin: zoneinfo, over the change to summer time; the hour that does not exist is left out."""
    hours = np.arange(0.0, 24.0 * 40, 5.25)
    found = to_true_seconds(hours, "Europe/Berlin", WINDOW)
    start = datetime(2026, 3, 1, tzinfo=UTC)
    naive = []
    for hour in hours:
        local = (datetime(2026, 3, 1) + timedelta(hours=float(hour))).replace(tzinfo=ZoneInfo("Europe/Berlin"))
        naive.append((local.astimezone(UTC) - start).total_seconds())
    known = np.isfinite(found)
    assert np.array_equal(found[known], np.array(naive)[known])
    assert np.isnan(to_true_seconds(np.array([28 * 24.0 + 2.5]), "Europe/Berlin", WINDOW)).all()


def test_soil_is_warmest_late_in_the_year_and_six_months_later_in_the_south(fleet):
    """Property: damped and late against the surface."""
    year = np.arange(0.0, 365.0) * DAY_S
    north = ground_c(replace(fleet.sites[0], latitude=50.0), Window(date(2026, 1, 1), 365), year)
    south = ground_c(replace(fleet.sites[0], latitude=-50.0), Window(date(2026, 1, 1), 365), year)
    assert 220 < north.argmax() < 300
    assert abs(abs(int(north.argmax()) - int(south.argmax())) - 182) < 5
    assert 5.0 < north.max() - north.min() < 14.0


def test_open_times_are_the_union_of_sales():
    """Naive twin: second by second."""
    rng = np.random.default_rng(5)
    start = np.sort(rng.integers(0, 900, 40)).astype(float)
    end = start + rng.integers(1, 60, 40)
    union = np.zeros(1000, dtype=bool)
    for s, e in zip(start, end, strict=True):
        union[int(s) : int(e)] = True
    opened, closed = open_times(start, end)
    assert (closed - opened).sum() == union.sum()
    assert (opened[1:] > closed[:-1]).all()


def test_the_true_shape_and_its_chart_agree_as_a_sound_ones_do(fleet):
    """Known truth: scale SD 0.3 %, slope SD 0.3 %, probe within millimetres; volumes rise."""
    off = []
    for tank in fleet.tanks:
        shape = true_shape(tank, fleet.seed)
        levels, volumes = strapping_rows(tank, 10.0)
        assert (np.diff(shape.volume_l) > 0.0).all()
        assert (np.diff(volumes) >= 0.0).all()
        half = tank.shape.depth_mm / 2.0
        true = float(shape.volume_at(np.array([half]))[0])
        off.append(true / float(np.interp(half, levels, volumes)) - 1.0)
    assert 0.001 < np.std(off) < 0.008
    assert np.abs(off).max() < 0.02


def test_a_wrong_chart_is_off_by_its_size(fleet):
    """Known truth: a scale everywhere, a dent's slope at its centre."""
    levels, volumes = strapping_rows(fleet.tanks[0], 10.0)
    scale = Fault(0, "chart_error", 0, 0, 0.0, None, {"kind": 2.0, "size": 0.02})
    assert wrong_chart(levels, volumes, scale)[-1] == pytest.approx(1.02 * volumes[-1], rel=1e-4)
    dent = replace(scale, params={"kind": 3.0, "size": -0.05, "centre": 1000.0, "width": 200.0})
    slope = np.diff(wrong_chart(levels, volumes, dent)) / np.diff(volumes)
    assert slope[np.abs(levels[1:] - 1000.0).argmin()] == pytest.approx(0.95, abs=0.01)
    assert slope[-1] == pytest.approx(1.0, abs=0.01)


def test_a_report_on_exception_lets_through_only_changes_and_long_silences():
    """Naive twin of the rule: between two reports no value is further than the deadband from the one that holds."""
    rng = np.random.default_rng(3)
    level = np.round(1000.0 + np.cumsum(rng.normal(0.0, 0.1, 2000)), 2)
    at_s = np.arange(2000) * 60.0
    rows = _reported(level, at_s, 0.25, 3600.0)
    held = level[rows[np.searchsorted(rows, np.arange(2000), side="right") - 1]]
    assert np.abs(level - held).max() <= 0.25 + 1e-9
    assert np.diff(at_s[rows]).max() <= 3600.0
    assert 20 < rows.size < 1000


def test_a_gap_leaves_no_row_and_what_follows_is_uncertain():
    """Known truth."""
    frame = readings_frame(
        "T1", signals(np.full(600, 800.0)), regular(), WINDOW, [(6_000.0, 12_000.0)],
        shift_s=np.zeros(600), rng=np.random.default_rng(1),
    )  # fmt: skip
    since = frame["ts"].dt.timestamp("us") / 1e6 - WINDOW.start_us / 1e6
    assert frame.height == 500
    assert not ((since >= 6_000.0) & (since < 12_000.0)).any()
    assert since.filter(frame["quality"] == "uncertain").to_list() == [12_000.0, 12_060.0]


def test_repeated_and_late_rows_are_the_same_rows_in_another_order():
    """Known truth."""
    level = 800.0 + np.arange(3000) / 10.0
    plain, odd = (
        readings_frame(
            "T1", signals(level), historian, WINDOW, [], shift_s=np.zeros(3000), rng=np.random.default_rng(1)
        )
        for historian in (regular(), regular(repeats=True, late=True))
    )
    assert odd.unique().sort("ts").equals(plain)
    assert odd.height > plain.height
    assert not odd["ts"].is_sorted()


def test_a_held_value_repeats_at_regular_times():
    """Known truth: changes below the deadband never show."""
    level = 800.0 + np.arange(1000) / 100.0
    frame = readings_frame(
        "T1", signals(level), regular(mode="snapshot", deadband_mm=1.0), WINDOW, [],
        shift_s=np.zeros(1000), rng=np.random.default_rng(1),
    )  # fmt: skip
    assert frame.height == 1000
    assert frame["level_mm"].n_unique() <= 11


def test_bad_rows_say_so():
    """Known truth: nonsense is marked, the rest is untouched."""
    level = np.full(20_000, 800.0)
    frame = readings_frame(
        "T1", signals(level), regular(bad_share=0.01), WINDOW, [],
        shift_s=np.zeros(20_000), rng=np.random.default_rng(1),
    )  # fmt: skip
    bad = frame.filter(pl.col("quality") == "bad")
    assert 100 < bad.height < 300
    assert not (bad["level_mm"] == 800.0).any()
    assert (frame.filter(pl.col("quality") == "good")["level_mm"] == 800.0).all()


@pytest.mark.parametrize("kind", range(4))
def test_a_probe_sticks_jumps_falls_silent_or_turns_noisy_in_its_time_alone(fleet, kind):
    """Known truth."""
    rng = np.random.default_rng(2)
    plain = signals(900.0 - np.arange(600) / 10.0 + rng.normal(0.0, 0.01, 600))
    params = {"kind": float(kind), "jump_mm": 12.0, "noise_times": 20.0, "dropped_share": 0.5}
    fault = Fault(0, "probe_fault", 0, 0, 6_000.0, 12_000.0, params)
    odd = with_probe_faults(plain, fleet.tanks[0], [fault], seed=1)
    during = (plain.at_s >= 6_000.0) & (plain.at_s < 12_000.0)
    assert np.array_equal(odd.level_mm[~during], plain.level_mm[~during])
    change = (odd.level_mm - plain.level_mm)[during]
    checks = [
        np.ptp(odd.level_mm[during]) == 0.0,
        np.allclose(change, 12.0),
        0.3 < np.isnan(change).mean() < 0.7,
        np.nanstd(change) > 0.5 and abs(np.nanmean(change)) < 1.0,
    ]
    assert checks[kind]


def test_waves_fade_after_pumping():
    """Known truth: 1 while it runs, then an exponential."""
    at_s = np.arange(0.0, 1_000.0, 10.0)
    found = envelope(at_s, np.array([100.0]), np.array([200.0]), 120.0)
    assert (found[at_s < 100.0] == 0.0).all()
    assert (found[(at_s >= 100.0) & (at_s < 200.0)] == 1.0).all()
    assert found[at_s == 320.0][0] == pytest.approx(np.exp(-1.0))


def test_a_siphon_levels_out_what_one_pump_draws():
    """Known truth: a steady difference of 1 l/s leaves tau litres; none leaves nothing after a while."""
    at_s = np.arange(0.0, 20_000.0, 10.0)
    apart = np.minimum(at_s, 10_000.0)
    lag = siphon_lag_l(at_s, apart, 360.0)
    assert lag[at_s == 9_000.0][0] == pytest.approx(360.0, rel=0.02)
    assert abs(lag[-1]) < 1e-6


def test_a_blend_that_splits_lifts_the_float_by_far_more_than_its_water(fleet):
    """Known truth: the ethanol joins the water, what is left is lighter; the contents grow by the water alone."""
    tank = next(tank for tank in fleet.tanks if tank.product == "gasoline_e10")
    at_s = np.arange(0.0, 20.0 * DAY_S, 3_600.0)
    params = {"kind": 0.0, "water_l": 30.0, "grows_s": 5.0 * DAY_S, "splits_s": 7_200.0, "drawn_share": 0.7}
    fault = Fault(0, "phase_separation", 0, tank.index, 2.0 * DAY_S, None, params)
    path = water_path(tank, at_s, np.full_like(at_s, 15_000.0), [fault], WINDOW, seed=1)
    assert path.held_l[-1] - path.held_l[0] == pytest.approx(30.0)
    assert path.layer_l[-1] == pytest.approx(30.0 + 0.1 * 0.7 * 15_000.0)
    assert path.density_shift_kg_m3[-1] < -3.0
    assert path.layer_l[at_s < 2.0 * DAY_S].max() == 0.0


def test_a_totaliser_rises_by_what_is_recorded_and_rolls_over(fleet):
    """Known truth: modulo its last digit; with no reset."""
    meter = replace(fleet.meters[0], total_start_l=999_990.0, rollover_l=1e6)
    start = np.arange(100.0, 40_000.0, 400.0)
    sales = Sales(
        np.full(start.size, meter.index), start, start + 60.0, np.full(start.size, 10.0),
        np.full(start.size, 1.5), np.zeros(start.size, dtype=bool),
    )  # fmt: skip
    _, total = totaliser_readings(fleet.sites[0], meter, sales, WINDOW, resets=False, seed=1)
    assert total[-1] == pytest.approx(np.mod(999_990.0 + 10.0 * start.size, 1e6))
    assert (np.diff(total) < -900_000.0).sum() == 1


def test_joined_tanks_stand_on_one_level():
    """Known truth: pools of two tanks differ by their probes, their noise and the siphon's lag."""
    frames = simulate_fleet(60, 4, seed=2, causes=[], settings=SOUND)
    pools = frames["tanks"].filter(pl.col("manifold_id").is_not_null()).group_by("manifold_id").agg("tank_id")
    assert pools.height >= 2
    for one, other in pools["tank_id"]:
        levels = [frames["readings"].filter(pl.col("tank_id") == t).sort("ts")["level_mm"] for t in (one, other)]
        apart = levels[0] - levels[1]
        assert abs(apart.median()) < 12.0
        assert (apart - apart.median()).abs().quantile(0.95) < 25.0


def test_a_real_historian_shows_gaps_repeats_lateness_and_deadbands():
    """Property: a fleet of 40 tanks over ten days has some of each."""
    frames = simulate_fleet(40, 10, seed=31, causes=[], settings=FleetSettings(outages_per_month=3.0))
    rows = frames["readings"]
    assert rows.is_duplicated().any()
    assert not rows.group_by("tank_id", maintain_order=True).agg(pl.col("ts").diff().min() >= pl.duration())["ts"].all()
    assert set(rows["quality"]) == {"good", "uncertain", "bad"}
    gaps = rows.sort("tank_id", "ts").select(pl.col("ts").diff().over("tank_id").max()).item()
    assert gaps > timedelta(hours=1)
    per_tank = rows.group_by("tank_id").len()["len"]
    assert per_tank.max() > 14_000 > 3_000 > per_tank.min()


@pytest.mark.parametrize(("dof", "outliers"), [(None, (0.0005, 0.0012)), (5.0, (0.003, 0.01))])
def test_noise_of_heavy_tails_has_the_same_spread_and_more_outliers(fleet, dof, outliers):
    """Known truth: a share beyond 3.4 SD of 0.07 % for a Gaussian, 0.7 % for a Student t of 5 degrees scaled to it."""
    gauge = replace(
        fleet.tanks[0].gauge, white_mm=0.3, tail_dof=dof, coloured_mm=0.0, wander_l=0.0, shell_share=0.0, offset_mm=0.0
    )
    tank = replace(fleet.tanks[0], gauge=gauge)
    shape, none = true_shape(tank, 1), np.empty(0)
    at_s = np.arange(200_000) * 60.0
    level = level_signal(tank, shape, at_s, np.full(at_s.size, 9_000.0), Moves(none, none, none, none), seed=1)
    off = level - level.mean()
    assert off.std() == pytest.approx(0.3, rel=0.03)
    assert outliers[0] < (np.abs(off) > 1.02).mean() < outliers[1]


def test_a_deadband_may_be_set_for_every_site_that_has_one():
    """Property."""
    settings = FleetSettings(exception_share=1.0, deadband_mm=1.0)
    fleet = draw_fleet(WINDOW, 12, 4, settings)
    assert {site.historian.deadband_mm for site in fleet.sites} == {1.0}
