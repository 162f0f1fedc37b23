"""Kind of evidence: property, and naive twins: what a chart draws is what the frames hold."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.contract.vocabulary import PARTS
from pipeline.report import fleet_figures
from pipeline.report.drawing import thinned
from pipeline.report.figures import PART_LOOKS, tank_charts
from pipeline.report.fleet import Fleet
from pipeline.report.tables import Tables

LIMIT = 4_000
TANK = {"tank_id": "T", "safe_fill_l": 20_000.0}


@given(arrays(float, st.integers(1, 300), elements=st.floats(-1e6, 1e6)), st.integers(4, 60))
def test_thinning_keeps_order_and_extremes_and_no_more_than_asked(values, limit):
    at = thinned(values, limit)
    assert len(at) <= max(limit, len(values) if len(values) <= limit else limit)
    assert (np.diff(at) > 0).all()
    assert values[at].max() == values.max()
    assert values[at].min() == values.min()


@given(st.integers(1, 200), st.integers(4, 20))
def test_thinning_passes_over_what_is_not_known(n, limit):
    values = np.where(np.arange(n) % 3 == 0, np.nan, np.arange(n, dtype=float))
    at = thinned(values, limit)
    if n > 2:
        assert np.nanmax(values[at]) == np.nanmax(values)


def charts_of(frames, *, windows=(), points=LIMIT, tz="UTC", tank=TANK):
    made = tank_charts(Tables.of(frames), tank, windows, tz=ZoneInfo(tz), points=points)
    return {c["key"]: c for c in made}


def ledger(n=100, start=datetime(2026, 3, 1, tzinfo=UTC), step=timedelta(minutes=30)):
    ts = [start + step * i for i in range(n + 1)]
    return pl.DataFrame(
        {
            "tank_id": ["T"] * n, "ts_start": ts[:-1], "ts_end": ts[1:], "gauge_end_l": np.linspace(9000.0, 8000.0, n),
            "residual_l": np.zeros(n), "noise_sd_l": np.ones(n),
        }
    )  # fmt: skip


def test_the_bars_of_a_day_add_up_to_its_diamond(frames):
    (tank,) = frames["tanks"].filter(pl.col("tank_id") == "S02-T1").to_dicts()
    chart = charts_of(frames, tank=tank)["parts"]
    *bars, total = chart["traces"]
    sums: dict[str, float] = {}
    for bar in bars:
        for x, y in zip(bar["x"], bar["y"], strict=True):
            sums[x] = sums.get(x, 0.0) + y
    # Bars are written to a hundredth of a litre.
    assert [sums[x] for x in total["x"]] == pytest.approx(total["y"], abs=0.04)


def test_the_added_up_variance_ends_at_the_sum_of_all_days(frames):
    (tank,) = frames["tanks"].filter(pl.col("tank_id") == "S02-T1").to_dicts()
    days = frames["tank_days"].filter(pl.col("tank_id") == "S02-T1")
    trace = charts_of(frames, tank=tank)["cumulative"]["traces"][0]
    assert trace["y"][-1] == pytest.approx(sum(days["variance_l"]), abs=0.06)
    assert len(trace["y"]) == days.height


def test_a_day_that_is_not_known_is_a_gap_and_not_nought():
    days = pl.DataFrame(
        {"tank_id": ["T"] * 3, "trading_day": [date(2026, 3, d) for d in (1, 2, 3)], "variance_l": [5.0, None, -2.0]}
    )
    assert charts_of({"tank_days": days})["cumulative"]["traces"][0]["y"] == [5.0, None, 3.0]


def test_a_line_breaks_where_the_data_does():
    whole = ledger(100)
    cut = pl.concat([whole.head(40), whole.tail(30)])
    trace = charts_of({"ledger": cut})["stock"]["traces"][0]
    assert trace["y"].count(None) == 1
    assert trace["y"][40] is None
    assert charts_of({"ledger": whole})["stock"]["traces"][0]["y"].count(None) == 0


def test_no_line_has_more_points_than_allowed_and_a_spike_stays():
    spiked = ledger(5_000).with_columns(
        gauge_end_l=pl.when(pl.int_range(pl.len()) == 3_333).then(1.0).otherwise("gauge_end_l")
    )
    trace = charts_of({"ledger": spiked}, points=1_000)["stock"]["traces"][0]
    assert len(trace["x"]) <= 1_000
    assert min(trace["y"]) == 1.0


def test_times_are_those_of_the_site():
    lisbon = charts_of({"ledger": ledger(2, datetime(2026, 7, 1, tzinfo=UTC))}, tz="Europe/Lisbon")
    assert lisbon["stock"]["traces"][0]["x"] == ["2026-07-01 01:30", "2026-07-01 02:00"]


def test_what_lies_beyond_its_noise_is_marked():
    odd = ledger(50).with_columns(residual_l=pl.when(pl.int_range(pl.len()) == 7).then(-9.0).otherwise(0.5))
    inside, outside = charts_of({"ledger": odd})["residual"]["traces"]
    assert (len(inside["y"]), outside["y"]) == (49, [-9.0])
    assert outside["text"] == ["9.0 times its noise"]


def test_cases_are_shaded_in_every_chart_and_named_in_one():
    windows = [
        {"letter": "A", "label": "Tank leak", "start": "2026-03-02 00:00", "end": "2026-03-03 00:00"},
        {"letter": "B", "label": "Water in", "start": "2026-03-01 00:00", "end": "2026-03-03 00:00"},
    ]
    days = pl.DataFrame({"tank_id": ["T"], "trading_day": [date(2026, 3, 1)], "variance_l": [5.0]})
    charts = charts_of({"ledger": ledger(), "tank_days": days}, windows=windows)
    for chart in charts.values():
        spans = [(s["x0"], s["x1"]) for s in chart["layout"]["shapes"] if s["type"] == "rect"]
        assert spans == [("2026-03-01 00:00", "2026-03-03 00:00"), ("2026-03-02 00:00", "2026-03-03 00:00")]
    assert [a["text"] for a in charts["cumulative"]["layout"]["annotations"]] == ["B Water in", "A Tank leak"]
    assert [a["text"] for a in charts["residual"]["layout"]["annotations"]] == ["B", "A"]


def test_labels_that_would_overlap_stand_on_rows_of_their_own():
    starts = ["2026-03-01 00:00", "2026-03-01 02:00", "2026-03-20 00:00", "2026-03-20 01:00", "2026-03-20 02:00"]
    windows = [
        {"letter": k, "label": "x", "start": s, "end": "2026-03-30 00:00"} for k, s in zip("ABCDE", starts, strict=True)
    ]
    month = ledger(48 * 30)
    notes = charts_of({"ledger": month}, windows=windows)["residual"]["layout"]["annotations"]
    assert [n["yshift"] for n in notes] == [0, 14, 0, 14, 28]


def test_a_drop_is_marked_on_the_stock_that_it_made():
    rows = ledger(4).with_columns(gauge_end_l=pl.Series([1000.0, 900.0, 9000.0, 8900.0]))
    # It ends within the interval that settles at 9000 l, nearer to the reading before it.
    end = rows["ts_end"][1] + timedelta(minutes=5)
    drops = pl.DataFrame(
        {
            "tank_id": ["T", "T"],
            "ts_start": [end] * 2,
            "ts_end": [end, end + timedelta(days=3)],
            "gain_l": [8100.0, 1.0],
        }
    )
    trace = charts_of({"ledger": rows, "drops": drops})["stock"]["traces"][1]
    assert trace["y"] == [9000.0, 8900.0]


def test_a_draw_is_said_without_a_sign_whichever_way_it_is_kept():
    draws = pl.DataFrame(
        {"tank_id": ["T", "T"], "ts_end": ledger()["ts_end"].head(2), "litres": [-50.0, 50.0], "sd_l": [2.0, 2.0]}
    )
    trace = charts_of({"ledger": ledger(), "draws": draws})["stock"]["traces"][1]
    assert [t.replace("\u202f", " ") for t in trace["text"]] == ["50 l drawn (SD 2 l)"] * 2


def test_of_many_meters_those_furthest_from_zero_are_drawn():
    errors = [0.1, -0.9, 0.2, 0.8, -0.3, 0.4, 0.5, 0.05]
    estimates = pl.DataFrame(
        {
            "tank_id": ["T"] * 8,
            "meter_id": [f"M{i}" for i in range(8)],
            "day": [date(2026, 3, 1)] * 8,
            "error_pct": errors,
        }
    )
    traces = charts_of({"meter_estimates": estimates})["meters"]["traces"]
    assert {t["name"] for t in traces if t["mode"] == "lines"} == {"M1", "M2", "M3", "M4", "M5", "M6"}


def test_no_data_is_no_chart():
    assert charts_of({}) == {}


def test_every_part_has_a_look_of_its_own():
    assert set(PART_LOOKS) == set(PARTS)
    assert len(set(PART_LOOKS.values())) == len(PARTS)


def test_a_heat_map_holds_every_day_of_every_tank(frames, as_of):
    fleet = Fleet.of(Tables.of(frames), as_of)
    chart, notes = fleet_figures.heat_map(fleet, fleet.tanks)
    litres = np.array(chart["traces"][1]["z"], dtype=float)
    assert len(notes) == 1
    assert litres.shape == (frames["tanks"].height, frames["tank_days"]["trading_day"].n_unique())
    # Cells are whole litres.
    assert litres.sum() == pytest.approx(frames["tank_days"]["variance_l"].sum(), abs=0.5 * litres.size**0.5 * 3)


def test_a_heat_map_of_a_large_fleet_joins_days_and_keeps_those_that_strayed(frames, as_of):
    fleet = Fleet.of(Tables.of(frames), as_of)
    chart, notes = fleet_figures.heat_map(fleet, fleet.tanks, max_tanks=5, max_cells=100)
    litres = np.array(chart["traces"][1]["z"], dtype=float)
    assert litres.shape == (5, 20)
    assert len(notes) == 3
    everything = fleet_figures.heat_map(fleet, fleet.tanks[:5], max_cells=100)[0]["traces"][1]["z"]
    daily = frames["tank_days"].filter(pl.col("tank_id") == fleet.tanks[0]["tank_id"])["variance_l"]
    assert everything[0][0] == pytest.approx(sum(daily[:3]), abs=0.5)
    assert any(name.endswith("S04-T1") for name in chart["layout"]["yaxis"]["ticktext"])
