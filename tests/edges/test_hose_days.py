"""Kind of evidence: naive twin. What each hose sold on each trading day, with clocks that change and long sales."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.store import SCHEMAS, open_store
from tests.support.lakes import rows

ZONES = {"B": ("Europe/Berlin", "06:00"), "K": ("Asia/Kathmandu", "05:30"), "X": ("localtime", "06:00")}
FEEDS_FROM = datetime(2020, 1, 1, tzinfo=UTC)
CHANGED = datetime(2026, 3, 29, 12, tzinfo=UTC)


def sale(number, site, start, minutes, litres, kind="sale"):
    at = datetime.fromisoformat(start).replace(tzinfo=UTC)
    return {
        "sale_id": str(number), "meter_id": f"{site}-M", "ts_start": at, "ts_end": at + timedelta(minutes=minutes),
        "volume_l": litres, "unit_price": None, "kind": kind,
    }  # fmt: skip


SALES = (
    sale(1, "B", "2026-03-29T03:50", 20, 40.0),  # over 06:00 of summer time, 04:00 UTC, the day the clocks went on
    sale(2, "B", "2026-03-28T04:50", 20, 60.0),  # over 06:00 of winter time, 05:00 UTC
    sale(3, "B", "2026-03-29T20:00", 3, 33.0),
    sale(4, "B", "2026-03-29T20:00", 3, 99.0, "test_return"),
    sale(5, "B", "2026-03-29T04:00", 0, 7.0),  # told at one instant, that of the opening
    sale(6, "K", "2026-03-28T23:40", 10, 20.0),  # 05:25 to 05:35 in Kathmandu
    sale(7, "X", "2026-03-28T12:00", 5, 11.0),  # a zone that the database does not know
)


def by_hand():
    """Sales shared out minute by minute, which whole minutes allow."""
    found: dict[tuple[str, str, date], float] = {}
    for one in SALES:
        site = one["meter_id"][0]
        if one["kind"] != "sale" or site == "X":
            continue
        zone, opens = ZONES[site]
        minutes = max(int((one["ts_end"] - one["ts_start"]).total_seconds() // 60), 1)
        for minute in range(minutes):
            local = (one["ts_start"] + timedelta(minutes=minute)).astimezone(ZoneInfo(zone))
            day = local.date() - timedelta(days=local.time() < time.fromisoformat(opens))
            for tank, share in feeds_of(site, one["ts_end"]):
                key = one["meter_id"], tank, day
                found[key] = found.get(key, 0.0) + share * one["volume_l"] / minutes
    return found


def feeds_of(site, at):
    """Berlin's hose blends two tanks, and draws on the second alone from noon of the 29th on."""
    if site != "B":
        return [(f"{site}-T", 1.0)]
    return [("B-T", 0.25), ("B-U", 0.75)] if at < CHANGED else [("B-U", 1.0)]


def feed(meter, tank, share, since=FEEDS_FROM, until=None):
    return {"meter_id": meter, "tank_id": tank, "share": share, "valid_from": since, "valid_to": until}


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    tables = {
        "sites": rows("sites", *({"site_id": s, "name": s, "timezone": z, "trading_day_start": o}
                                 for s, (z, o) in ZONES.items())),
        "meters": rows("meters", *({"meter_id": f"{s}-M", "site_id": s, "dispenser": "1", "hose": "1"}
                                   for s in ZONES)),
        "meter_feeds": rows("meter_feeds", feed("B-M", "B-T", 0.25, until=CHANGED),
                            feed("B-M", "B-U", 0.75, until=CHANGED), feed("B-M", "B-U", 1.0, since=CHANGED),
                            feed("K-M", "K-T", 1.0), feed("X-M", "X-T", 1.0)),
        "sales": rows("sales", *SALES),
    }  # fmt: skip
    with open_store(tmp_path_factory.mktemp("hoses")) as store:
        for name, schema in SCHEMAS.items():
            store.replace(name, tables.get(name, schema.create_empty()))
        return store.query("marts/hose_days")


def test_each_hose_sold_on_each_trading_day_what_its_sales_say_minute_by_minute(found):
    told = {(r["meter_id"], r["tank_id"], r["trading_day"]): r["sold_l"] for r in found.iter_rows(named=True)}
    assert told == pytest.approx({key: litres for key, litres in by_hand().items() if litres})


def test_litres_are_those_of_the_sales(found):
    sold = sum(one["volume_l"] for one in SALES if one["kind"] == "sale" and one["meter_id"] != "X-M")
    assert found["sold_l"].sum() == pytest.approx(sold)
    assert found.schema["trading_day"] == pl.Date
