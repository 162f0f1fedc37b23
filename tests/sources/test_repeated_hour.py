"""Kind of evidence: known truth by construction. Rows of the hour that a clock change repeats, told apart or left open.

Berlin, 27 October 2024: at 01:00 UTC the clock goes from 03:00 back to 02:00. Wall-clock times are zoneinfo's.
"""

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.sources.mapping import to_contract
from pipeline.sources.table_config import FileTable
from tests.support.hand_site import START as HAND_START
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

BERLIN = ZoneInfo("Europe/Berlin")
MIDNIGHT = datetime(2024, 10, 26, 22, 0, tzinfo=UTC)
MAPPED = FileTable(pattern="*", timezone="Europe/Berlin")


def _wall(instant):
    return f"{instant.astimezone(BERLIN):%Y-%m-%d %H:%M:%S}"


def _told(table, rows):
    """What a file with rows becomes; an instant in them is written as the wall clock shows it."""
    written = [
        {name: _wall(cell) if isinstance(cell, datetime) else cell for name, cell in row.items()} for row in rows
    ]
    return to_contract(table, pl.DataFrame(written), MAPPED, where="till")


def _sales(count, seed, *, name="{:06d}"):
    """Sales of a site from 22:00 to 04:00 UTC, as its till numbers them: when the hose is hung up."""
    rng = random.Random(seed)
    found = []
    for _ in range(count):
        start = MIDNIGHT + timedelta(seconds=rng.randrange(6 * 3600))
        end = start + timedelta(seconds=rng.randrange(40, 240))
        found.append({"meter_id": f"M{rng.randrange(3)}", "ts_start": start, "ts_end": end, "volume_l": 40.0})
    found.sort(key=lambda row: row["ts_end"])
    return [row | {"sale_id": name.format(number), "kind": "sale"} for number, row in enumerate(found, start=4711)]


def _truth(rows):
    return {row["sale_id"]: (row["ts_start"], row["ts_end"]) for row in rows}


def _found(told):
    return {row["sale_id"]: (row["ts_start"], row["ts_end"]) for row in told.rows.iter_rows(named=True)}


@pytest.mark.parametrize("seed", range(6))
def test_sales_stand_where_their_numbers_say(seed):
    """Fifty-two sales of three meters, in a file that somebody put in order by the local time."""
    rows = _sales(52, seed)
    told = _told("sales", sorted(rows, key=lambda row: (_wall(row["ts_end"]), row["meter_id"])))
    assert (_found(told), told.spread) == (_truth(rows), 0)


@pytest.mark.parametrize("seed", range(6))
def test_sales_without_numbers_stand_where_the_file_says(seed):
    """The till's one clock goes back for all of its meters at once, though a single meter's may never be seen to."""
    rows = [row | {"sale_id": f"{hash_of:032x}x"} for row, hash_of in _with_random_ids(_sales(52, seed), seed)]
    told = _told("sales", rows)
    assert (_found(told), told.spread) == (_truth(rows), 0)


def _with_random_ids(rows, seed):
    rng = random.Random(seed + 100)
    return [(row, rng.getrandbits(120)) for row in rows]


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("count", [5, 12, 30])
def test_a_sale_is_in_its_true_hour_or_spans_both(seed, count):
    """Few sales, numbered from when the hose was lifted, in disorder: what is told is true, the rest is left open."""
    rng = random.Random(seed)
    rows = sorted(_sales(count, seed), key=lambda row: row["ts_start"] + timedelta(seconds=rng.randrange(60)))
    rows = [row | {"sale_id": f"A-{number}"} for number, row in enumerate(rows)]
    told = _told("sales", sorted(rows, key=lambda row: row["meter_id"]))
    found, truth = _found(told), _truth(rows)
    assert set(found) == set(truth)
    spread = {name for name, (start, end) in found.items() if end - start >= timedelta(hours=1)}
    assert len(spread) == told.spread
    for name, (start, end) in truth.items():
        assert found[name][0] <= start <= end <= found[name][1]
        assert name in spread or found[name] == (start, end)


def test_two_sales_that_nothing_orders_span_both_passes():
    """One at each half of the hour, each a time that either pass shows: no clock is seen to go back."""
    rows = [
        {"sale_id": "a", "meter_id": "M1", "ts_start": MIDNIGHT.replace(day=27, hour=0, minute=m), "volume_l": 40.0,
         "ts_end": MIDNIGHT.replace(day=27, hour=0, minute=m + 2), "kind": "sale"} | {"sale_id": f"{m}x"}
        for m in (10, 50)
    ]  # fmt: skip
    told = _told("sales", rows)
    assert told.spread == 2
    assert [end - start for start, end in _found(told).values()] == [timedelta(minutes=62)] * 2


def test_totals_stand_where_the_totaliser_says():
    """A quarter hour apart, put in order by local time and total, and one pass of some."""
    ticks = [MIDNIGHT + timedelta(minutes=15 * k) for k in range(24)]
    rows = [
        {"meter_id": "M1", "ts": ts, "total_l": 1000.0 + 40.0 * k} for k, ts in enumerate(ticks) if k not in (9, 13)
    ]
    told = _told("meter_totals", sorted(rows, key=lambda row: (_wall(row["ts"]), -row["total_l"])))
    assert told.refused.is_empty()
    assert {row["ts"]: row["total_l"] for row in told.rows.iter_rows(named=True)} == {
        row["ts"]: row["total_l"] for row in rows
    }


def _dips(tank, step_min, *, without=()):
    ticks = [MIDNIGHT + timedelta(minutes=step_min * k) for k in range(6 * 60 // step_min)]
    return [
        {"tank_id": tank, "ts": ts, "level_mm": 900.0 - k, "quality": "good"}
        for k, ts in enumerate(ticks)
        if k not in without
    ]


@pytest.mark.parametrize("order", ["as written", "by tank", "by local time"])
@pytest.mark.parametrize("step_min", [5, 30, 60])
def test_readings_stand_where_the_file_says(order, step_min):
    rows = [*_dips("T1", step_min), *_dips("T2", step_min)]
    if order == "as written":
        rows.sort(key=lambda row: row["ts"])
    if order == "by local time":
        rows.sort(key=lambda row: _wall(row["ts"]))
    told = _told("readings", rows)
    found = sorted(told.rows.select("tank_id", "ts", "level_mm").rows())
    assert found == sorted((row["tank_id"], row["ts"], row["level_mm"]) for row in rows)
    assert told.refused.is_empty()


def test_readings_that_nothing_orders_are_refused_with_the_reason():
    """Half an hour apart, 02:30 of the first pass and 02:00 of the second missing: 02:00 and 02:30 come once each."""
    rows = _dips("T1", 30, without=(5, 6))
    told = _told("readings", rows)
    assert told.refused["reason"].to_list() == ["ts_in_repeated_hour"] * 2
    assert told.rows["ts"].to_list() == [
        row["ts"] for row in rows if not 2 <= (row["ts"] - MIDNIGHT).total_seconds() / 3600 < 4
    ]


def test_a_time_that_the_change_skips_is_no_time():
    rows = pl.DataFrame({"tank_id": ["T1"], "ts": ["2024-03-31 02:30:00"], "level_mm": [900.0], "quality": ["good"]})
    assert to_contract("readings", rows, MAPPED, where="gauge").rows["ts"].to_list() == [None]


def _changing_site(lost):
    """A hand-made site whose seventh day is the one whose clocks change; two sales of 130 l of its second pass."""
    sales = [*steady_sales(12, litres=60.0), Poured(6 * 24 + 1.2, 130.0, 4.0), Poured(6 * 24 + 1.7, 130.0, 4.0)]
    drops = [Poured(24.0 * day + 23.0, 1920.0, 20.0) for day in range(12)]
    tickets = [(f"D{number}", "T1", one.hour, one.litres) for number, one in enumerate(drops)]
    site = HandSite([HandTank(sales=sales, drops=drops, lost=lost)], days=12, noise_mm=0.15, tickets=tickets)
    moved = MIDNIGHT.replace(day=27, hour=0) - HAND_START - timedelta(days=6)
    return {name: frame.with_columns(pl.selectors.datetime() + moved) for name, frame in site.tables().items()}


@pytest.mark.parametrize("is_lost", [False, True])
def test_no_draw_is_found_where_the_hour_of_sales_is_open(is_lost):
    """By a till that numbers nothing; 400 l that are lost at noon are found."""
    tables = _changing_site([Poured(6 * 24 + 12.1, 400.0, 8.0)] if is_lost else [])
    rows = [row | {"sale_id": f"{row['sale_id']}x"} for row in tables["sales"].iter_rows(named=True)]
    told = _told("sales", sorted(rows, key=lambda row: row["ts_end"]))
    assert told.spread == 2
    found = analyse(tables | {"sales": told.rows})["cases"]
    assert found["cause"].to_list() == ["bulk_theft"] * is_lost
