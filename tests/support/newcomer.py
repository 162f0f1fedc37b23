"""The exports of docs/example-csv-chain.md and docs/example-sql-historian.md, written from the simulator's own fleets.

A fleet of two sites and three tanks, twenty days up to a midnight (UTC), one gross fault. What the simulator has in
millimetres, litres, °C and UTC is written as the pages say that it lies there, by factors of NIST SP 811 and API MPMS
11.1 that stand here once more.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.physics.base_15 import density_60_kg_m3
from pipeline.simulate.layout import SitePlan, fleet_of
from pipeline.simulate.model import Fault, Window
from pipeline.simulate.places import REGIONS
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings

DAYS = 20
START = date(2026, 3, 1)
MIDNIGHT = datetime(2026, 11, 30, tzinfo=UTC)
"""The fleet is drawn from the one on, and moved to end at the other: no clock changes in those days."""
STANDING = ("sites", "tanks", "strapping", "meters", "meter_feeds")
HAPPENED = ("readings", "sales", "deliveries")
"""Tables that the exports have; neither company reads totalisers or keeps a log."""
Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class World:
    """A fleet's tables under the keys that a lake of its exports has, and what befell it."""

    tables: Tables
    fault: Fault
    tank_id: str
    zone: str


def _world(plans: Sequence[SitePlan], fault: Fault, sites: Mapping[str, str], tank: str, meter: Sequence[str]) -> World:
    """A fleet whose first tank has the fault; `tank` and `meter` say how keys are made of a row's columns."""
    settings = FleetSettings(quirks=False, density_share=0.0, no_water_share=0.0)
    drawn = fleet_of(list(plans), Window(START, DAYS), 7, settings)
    open_always = tuple(replace(site, opens_h=0.0, closes_h=24.0) for site in drawn.sites)
    fleet = replace(drawn, sites=open_always)
    frames = simulate_world(fleet, [fault], settings)
    tables = {name: frames[name] for name in (*STANDING, *HAPPENED)}
    moved = MIDNIGHT - timedelta(days=DAYS) - datetime(START.year, START.month, START.day, tzinfo=UTC)
    for name in HAPPENED:
        tables[name] = tables[name].with_columns(pl.selectors.datetime() + moved)
    place = pl.col("site_id").replace_strict(dict(sites))
    nth = pl.int_range(1, pl.len() + 1).over("site_id").cast(pl.String)
    tanks = tables["tanks"].select("tank_id", key=pl.format(tank, place, nth))
    meters = tables["meters"].select("meter_id", key=pl.concat_str([place, *map(pl.col, meter)], separator="-"))
    keys = {
        "site_id": dict(sites),
        "tank_id": dict(tanks.iter_rows()),
        "meter_id": dict(meters.iter_rows()),
    }
    for old, new in sites.items():
        for name, paper in (("sales", "sale_id"), ("deliveries", "delivery_id")):
            tables[name] = tables[name].with_columns(pl.col(paper).str.replace(f"^{old}-", f"{new}-"))
    return World(
        {name: _with_keys(frame, keys) for name, frame in tables.items()},
        fault,
        tanks["key"][0],
        plans[0].region.timezone,
    )


def _with_keys(frame: pl.DataFrame, keys: Mapping[str, Mapping[str, str]]) -> pl.DataFrame:
    return frame.with_columns(
        pl.col(name).replace_strict(dict(known)) for name, known in keys.items() if name in frame.columns
    )


def _half(column: str, nth: int) -> pl.Expr:
    """The site of a key, or what comes after it."""
    return pl.col(column).str.splitn("-", 2).struct.field(f"field_{nth}")


def _local(column: str, form: str, zone: str) -> pl.Expr:
    return pl.col(column).dt.convert_time_zone(zone).dt.strftime(form)


def _weeks(frame: pl.DataFrame, column: str) -> list[pl.DataFrame]:
    """A table's rows as three files have them, one after the other."""
    week = (pl.col(column) - pl.col(column).min()).dt.total_days() // 7
    return frame.with_columns(_week=week).partition_by("_week", maintain_order=True, include_key=False)


# An American chain: docs/example-csv-chain.md

CHICAGO = "America/Chicago"
_GAL, _IN, _FT = 3.785411784, 25.4, 304.8  # NIST SP 811, exact
_GRADES = {"gasoline_e10": "Regular", "gasoline_e0": "Premium", "diesel_b20": "Diesel"}
_HEADS = {"torispherical": "Dished", "flat": "Flat", "elliptical_2_1": "Elliptical", "spherical_cap": "Dome"}
_MONTH_FIRST, _DAY_FIRST = "%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %H:%M:%S"
_TANK_NO = (_half("tank_id", 0).alias("Site No"), _half("tank_id", 1).alias("Tank No"))


def chain() -> World:
    """Two sites in Illinois; 900 l leave the first tank one night, past every meter."""
    plans = [
        SitePlan("Tarrow Creek", "rural", REGIONS[4], ("gasoline_e10", "diesel_b20"), 600.0, blends=False),
        SitePlan("Oxbow Landing", "rural", REGIONS[4], ("gasoline_e0",), 600.0, blends=False),
    ]
    start_s = (DAYS - 6) * 86_400.0 + 7.5 * 3_600.0
    theft = Fault(0, "bulk_theft", 0, 0, start_s, start_s + 1_500.0, {"litres": 900.0})
    return _world(plans, theft, {"S001": "101", "S002": "102"}, "{}-{}", ("dispenser", "hose"))


def write_chain(world: World, place: Path) -> None:
    """The chain's exports, below a folder."""
    for folder in ("exports/till-101", "exports/till-102"):
        (place / folder).mkdir(parents=True)
    files = _chain_registry(world.tables) | _chain_weeks(world.tables)
    for name, frame in files.items():
        frame.write_csv(place / "exports" / f"{name}.csv")


def _chain_registry(tables: Tables) -> Tables:
    parts = pl.col("meter_id").str.split("-").list
    hose = [parts.get(nth).alias(head) for nth, head in enumerate(("Site No", "Pump", "Hose"))]
    yes = pl.when("buried").then(pl.lit("Yes")).otherwise(pl.lit("No"))
    return {
        "sites": tables["sites"].select(
            pl.col("site_id").alias("Site No"), pl.col("name").alias("Site Name"),
            pl.col("timezone").alias("Time Zone"), pl.col("trading_day_start").alias("Day Starts"),
            pl.col("currency").alias("Currency"),
        ),
        "tanks": tables["tanks"].select(
            *_TANK_NO, pl.col("product").replace_strict(_GRADES).alias("Grade"),
            (pl.col("capacity_l") / _GAL).round(1).alias("Capacity Gal"),
            (pl.col("safe_fill_l") / _GAL).round(1).alias("Safe Fill Gal"),
            pl.col("shape").str.head(1).replace_strict({"h": "Horizontal", "v": "Vertical"}).alias("Shape"),
            pl.col("end_shape").replace_strict(_HEADS).alias("Heads"),
            (pl.col("end_depth_mm") / _IN).round(2).alias("Head Depth In"),
            (pl.col("diameter_mm") / _IN).round(2).alias("Diameter In"),
            (pl.col("length_mm") / _FT).round(3).alias("Length Ft"),
            yes.alias("Underground"), pl.col("wall_count").alias("Walls"),
            pl.col("commissioned_on").dt.strftime("%m/%d/%Y").alias("Installed"),
        ),
        "charts": tables["strapping"].select(
            *_TANK_NO, (pl.col("level_mm") / _IN).round(3).alias("Inches"),
            (pl.col("volume_l") / _GAL).round(2).alias("Gallons"),
        ),
        "hoses": tables["meters"].select(*hose),
        "feeds": tables["meter_feeds"].select(*hose, _TANK_NO[1], pl.col("share").alias("Share")),
    }  # fmt: skip


def _chain_weeks(tables: Tables) -> Tables:
    files = {}
    for nth, part in enumerate(_weeks(tables["readings"].sort("ts", "tank_id"), "ts"), 1):
        files[f"inventory-{nth}"] = part.select(
            *_TANK_NO, _local("ts", "%m/%d/%Y", CHICAGO).alias("Date"),
            _local("ts", "%I:%M:%S %p", CHICAGO).alias("Time"),
            (pl.col("level_mm") / _IN).round(3).alias("Product Height In"),
            (pl.col("water_mm") / _IN).round(3).alias("Water In"),
            (pl.col("temp_c") * 1.8 + 32).round(1).alias("Temp F"),
        )  # fmt: skip
    for site, form in (("101", _MONTH_FIRST), ("102", _DAY_FIRST)):
        own = tables["sales"].filter(_half("meter_id", 0) == site).sort("sale_id")
        for nth, part in enumerate(_weeks(own, "ts_end"), 1):
            files[f"till-{site}/sales-{nth}"] = _till(part, site, form)
    density = tables["deliveries"]["ticket_density_15_kg_m3"]
    api = 141.5 * 999.016 / pl.Series(density_60_kg_m3(density.to_numpy(), 15.0), nan_to_null=True) - 131.5
    files["bol-1"] = tables["deliveries"].select(
        pl.col("delivery_id").alias("BOL No"), *_TANK_NO,
        _local("ts_ticket", "%m/%d/%Y %I:%M %p", CHICAGO).alias("Loaded"),
        (pl.col("ticket_volume_l") / _GAL).round(1).alias("Gallons"),
        (pl.col("ticket_temp_c") * 1.8 + 32).round(1).alias("Temp F"), api.round(1).alias("API Gravity"),
        pl.col("carrier").alias("Carrier"), pl.col("vehicle").alias("Truck"), pl.col("terminal").alias("Terminal"),
    )  # fmt: skip
    return files


def _till(part: pl.DataFrame, site: str, form: str) -> pl.DataFrame:
    heads = {
        "101": ("Site No", "Receipt", "Pump", "Hose", "Started", "Ended", "Gallons", "Price/Gal", "Test"),
        "102": ("Store", "Transaction", "Dispenser", "Nozzle", "Lifted", "Hung Up", "Volume (gal)", "PPG", "Type"),
    }[site]
    is_test = pl.col("kind") == "test_return"
    words = ("Yes", "No") if site == "101" else ("T", "S")
    columns = [
        *(_half("sale_id", nth) for nth in (0, 1)),
        *(pl.col("meter_id").str.split("-").list.get(nth) for nth in (1, 2)),
        *(_local(one, form, CHICAGO) for one in ("ts_start", "ts_end")),
        (pl.col("volume_l") / _GAL).round(3), (pl.col("unit_price") * _GAL).round(3),
        pl.when(is_test).then(pl.lit(words[0])).otherwise(pl.lit(words[1])),
    ]  # fmt: skip
    return part.select(column.alias(head) for column, head in zip(columns, heads, strict=True))


# A European company: docs/example-sql-historian.md

BERLIN = "Europe/Berlin"
_HISTORY = "history"
_SIGNALS = {
    "samples": {"LVL": ("level_mm", 1.0), "WTR": ("water_mm", 1.0), "TMP": ("temp_c", 1.0)},
    "sued": {"LEVEL": ("level_mm", 10.0), "WATER": ("water_mm", 1.0), "TEMP": ("temp_c", 1.0)},
}
"""Of each table of the historian, its signals: the column that each is, and how much of its unit one of theirs is."""


def company() -> World:
    """Two sites in Hesse; the first tank leaks four litres an hour in its second half of the days."""
    plans = [
        SitePlan("Ulverfeld", "rural", REGIONS[3], ("gasoline_e5", "diesel_b7"), 600.0, blends=False),
        SitePlan("Wexhausen", "rural", REGIONS[3], ("diesel_b7",), 600.0, blends=False),
    ]
    leak = Fault(0, "tank_leak", 0, 0, 8.5 * 86_400.0, None, {"rate_l_per_h": 4.0, "hole_mm": 0.0, "head_mm": 1_000.0})
    return _world(plans, leak, {"S001": "NORD", "S002": "SUED"}, "{}-TK0{}", ("dispenser", "hose"))


def write_company(world: World, place: Path) -> None:
    """The company's files, below a folder: semicolons between, commas in numbers, Berlin's clock."""
    for folder in ("masterdata", "tills"):
        (place / folder).mkdir(parents=True)
    files = _company_registry(world.tables) | _company_weeks(world.tables)
    for name, frame in files.items():
        commas = frame.with_columns(pl.selectors.float().cast(pl.String).str.replace(".", ",", literal=True))
        commas.write_csv(place / f"{name}.csv", separator=";")


def _company_registry(tables: Tables) -> Tables:
    tank = (_half("tank_id", 0).alias("Site"), _half("tank_id", 1).alias("Tank"))
    return {
        "masterdata/sites": tables["sites"].select(
            pl.col("site_id").alias("Site"), pl.col("name").alias("Name"),
            pl.col("trading_day_start").alias("Day begins"), pl.col("currency").alias("Currency"),
        ),
        "masterdata/tanks": tables["tanks"].select(
            *tank, pl.col("product").alias("Product"), (pl.col("capacity_l") / 1000.0).round(3).alias("Capacity m3"),
            (pl.col("safe_fill_l") / 1000.0).round(3).alias("Safe fill m3"), pl.col("shape").alias("Shape"),
            pl.col("end_shape").alias("Ends"), pl.col("end_depth_mm").alias("End depth mm"),
            (pl.col("diameter_mm") / 10.0).round(1).alias("Diameter cm"),
            (pl.col("length_mm") / 10.0).round(1).alias("Length cm"),
            pl.when("buried").then(pl.lit("yes")).otherwise(pl.lit("no")).alias("Buried"),
            pl.col("wall_count").alias("Walls"),
            pl.col("commissioned_on").dt.strftime("%d.%m.%Y").alias("Commissioned"),
        ),
        "masterdata/charts": tables["strapping"].select(
            *tank, (pl.col("level_mm") / 10.0).round(2).alias("Level cm"), pl.col("volume_l").alias("Litres")
        ),
        "masterdata/meters": tables["meters"].select(
            pl.col("meter_id").alias("Meter"), pl.col("site_id").alias("Site"), pl.col("dispenser").alias("Dispenser"),
            pl.col("hose").alias("Hose"),
        ),
        "masterdata/feeds": tables["meter_feeds"].select(
            pl.col("meter_id").alias("Meter"), *tank, pl.col("share").alias("Share")
        ),
    }  # fmt: skip


def _company_weeks(tables: Tables) -> Tables:
    files = {}
    for nth, part in enumerate(_weeks(tables["sales"].sort("sale_id"), "ts_end"), 1):
        files[f"tills/sales-{nth}"] = part.select(
            pl.col("sale_id").alias("Sale"), pl.col("meter_id").alias("Meter"),
            _local("ts_start", "%d.%m.%Y %H:%M:%S", BERLIN).alias("Lifted"),
            _local("ts_end", "%d.%m.%Y %H:%M:%S", BERLIN).alias("Hung up"), pl.col("volume_l").alias("Litres"),
            pl.col("unit_price").alias("Price/Litre"),
            pl.col("kind").replace_strict({"sale": "S", "test_return": "T"}).alias("Kind"),
        )  # fmt: skip
    files["tills/tickets-1"] = tables["deliveries"].select(
        pl.col("delivery_id").alias("Ticket"), _half("tank_id", 0).alias("Site"), _half("tank_id", 1).alias("Tank"),
        _local("ts_ticket", "%d.%m.%Y %H:%M:%S", BERLIN).alias("Loaded"), pl.col("ticket_volume_l").alias("Litres"),
        pl.col("ticket_temp_c").alias("Temperature C"), pl.col("ticket_density_15_kg_m3").alias("Density 15 kg/m3"),
        pl.col("carrier").alias("Haulier"), pl.col("vehicle").alias("Truck"), pl.col("terminal").alias("Depot"),
    )  # fmt: skip
    return files


def keep_company(world: World, address: str) -> None:
    """The readings, in the company's historian: the first site's narrow in local time, the other's wide in instants."""
    import adbc_driver_postgresql.dbapi

    readings = world.tables["readings"]
    with adbc_driver_postgresql.dbapi.connect(address) as connection, connection.cursor() as cursor:
        cursor.execute(f"create schema {_HISTORY}")
        for table, frame in (("samples", _narrow(readings)), ("sued", _wide(readings))):
            cursor.adbc_ingest(table, frame.to_arrow(), mode="create", db_schema_name=_HISTORY)
        connection.commit()


def _signals(readings: pl.DataFrame, table: str) -> dict[str, pl.Expr]:
    return {word: pl.col(column) / size for word, (column, size) in _SIGNALS[table].items()}


def _narrow(readings: pl.DataFrame) -> pl.DataFrame:
    own = readings.filter(_half("tank_id", 0) == "NORD").sort("ts")
    at = pl.col("ts").dt.convert_time_zone(BERLIN).dt.replace_time_zone(None)
    name = pl.concat_str(pl.col("tank_id").str.replace("-", ".", literal=True), "signal", separator=".")
    words = _signals(own, "samples")
    long = own.select("tank_id", at.alias("at"), **words).unpivot(
        list(words), index=["tank_id", "at"], variable_name="signal", value_name="val"
    )
    return long.select(name.alias("name"), "at", "val", pl.lit(192).alias("q"))


def _wide(readings: pl.DataFrame) -> pl.DataFrame:
    own = readings.filter(_half("tank_id", 0) == "SUED").sort("ts")
    words = _signals(own, "sued")
    return own.select(pl.col("ts").alias("at"), **{f"SUED_TK01_{word}": value for word, value in words.items()})
