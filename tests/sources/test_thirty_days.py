"""Kind of evidence: contract, against real counterparts. The same thirty days through every source end alike.

The expected tables are those of a plain lake that was written by hand and loaded without any source.
"""

import sqlite3
import struct
from datetime import timedelta
from zoneinfo import ZoneInfo

import adbc_driver_postgresql.dbapi
import obstore
import polars as pl
import pytest
from obstore.store import S3Store
from pymodbus.client import ModbusTcpClient

from pipeline.contract.lake import BY_DAY
from pipeline.sources.by_kind import source_of
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.record import record
from tests.sources.conftest import DAYS, assert_same, store_tables, thirty_days
from tests.support.lakes import START, write
from tests.support.opc_ua import serve
from tests.support.servers import Loop, free_port, object_store, postgres

NOW = START + timedelta(days=DAYS, hours=3)
BERLIN = ZoneInfo("Europe/Berlin")
STATUS = {"good": 0x00000000, "uncertain": 0x40900000, "bad": 0x808A0000}
COUNTED = ("readings", "meter_totals")
"""Tables that tags and registers tell."""


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return write(tmp_path_factory.mktemp("plain") / "lake", thirty_days())


@pytest.fixture(scope="module")
def expected(plain):
    return store_tables(plain, plain.parent / "out")


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


def _filled(tmp_path, settings: str):
    """Tables of the lake that the settings' sources fill, loaded; a second collection changes nothing."""
    file = tmp_path / "tankdrift.toml"
    file.write_text('lake = "landed"\nmin_free_gb = 0.0\n' + settings)
    operations = read_operations(file)
    done = collect(operations, now=NOW)
    assert [entry.error for entry in done if entry.error] == []
    tables = store_tables(tmp_path / "landed", tmp_path / "out")
    again = collect(operations, now=NOW)
    assert [(entry.error, entry.merged.new, entry.merged.corrected) for entry in again] == [(None, 0, 0)] * len(again)
    return tables


SINCE = f"since = {START:%Y-%m-%dT%H:%M:%SZ}\nlookback_hours = 30\n"


def _lake_source(place, tables=None) -> str:
    wanted = "" if tables is None else f"tables = {list(tables)!r}\n"
    return f'[[sources]]\nname = "yard"\nkind = "lake"\nplace = "{place}"\n{wanted}'


def test_a_lake_here(tmp_path, plain, expected):
    assert_same(_filled(tmp_path, _lake_source(plain)), expected)


def test_a_lake_here_through_the_object_store_s_library(tmp_path, plain, expected):
    assert_same(_filled(tmp_path, _lake_source(f"file://{plain}")), expected)


def test_a_lake_on_an_object_store(tmp_path, plain, expected, monkeypatch):
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "key-of-the-test")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "linden-harbour-93")
    with object_store("depot") as endpoint:
        store = S3Store(
            "depot", prefix="fleet", endpoint=endpoint, region="us-east-1", client_options={"allow_http": True}
        )
        for path in plain.rglob("*.parquet"):
            obstore.put(store, path.relative_to(plain).as_posix(), path.read_bytes())
        options = f'options = {{ endpoint = "{endpoint}", region = "us-east-1", allow_http = "true" }}\n'
        found = _filled(tmp_path, _lake_source("s3://depot/fleet") + options)
    assert_same(found, expected)
    assert not any(b"linden-harbour-93" in path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())


def _local(column: str) -> pl.Expr:
    return pl.col(column).dt.convert_time_zone("Europe/Berlin").dt.strftime("%d.%m.%Y %H:%M:%S")


DROPS = """
[[sources]]
name = "till"
kind = "files"
place = "drops"
[sources.tables.readings]
pattern = "dips-*.csv"
separator = ";"
decimal = ","
timezone = "Europe/Berlin"
time_format = "%d.%m.%Y %H:%M:%S"
[sources.tables.readings.columns]
tank_id = "Tank"
ts = "When"
level_mm = { column = "Dip", unit = "in" }
water_mm = { column = "Water", unit = "in" }
temp_c = { column = "Temp", unit = "degF" }
quality = { column = "Ok", words = { A = "good", B = "uncertain", C = "bad" } }
[sources.tables.sales]
pattern = "sales-*.csv"
timezone = "Europe/Berlin"
time_format = "%d.%m.%Y %H:%M:%S"
[sources.tables.sales.columns]
volume_l = { column = "gallons", unit = "gal_us" }
kind = { value = "sale" }
[sources.tables.meter_totals]
pattern = "totals.parquet"
[sources.tables.meter_totals.columns]
total_l = { column = "m3", unit = "m3" }
"""


def _comma(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.String).str.replace(".", ",", literal=True)


def test_drops_in_inches_gallons_fahrenheit_and_local_time(tmp_path, plain, expected):
    tables = thirty_days()
    drops = tmp_path / "drops"
    drops.mkdir()
    dips = (
        tables["readings"]
        .with_columns(
            Dip=pl.col("level_mm") / 25.4, Water=pl.col("water_mm") / 25.4, Temp=pl.col("temp_c") * 1.8 + 32.0
        )
        .select(
            pl.col("tank_id").alias("Tank"),
            _local("ts").alias("When"),
            _comma("Dip"),
            _comma("Water"),
            _comma("Temp"),
            pl.col("quality").replace({"good": "A", "uncertain": "B", "bad": "C"}).alias("Ok"),
            pl.col("ts").dt.date().alias("day"),
        )
    )
    for (day,), part in dips.partition_by("day", as_dict=True, include_key=False).items():
        part.write_csv(drops / f"dips-{day}.csv", separator=";")
    sales = tables["sales"].select(
        "sale_id",
        "meter_id",
        _local("ts_start").alias("ts_start"),
        _local("ts_end").alias("ts_end"),
        "unit_price",
        gallons=pl.col("volume_l") / 3.785411784,
    )
    for number, part in enumerate(sales.iter_slices(500)):
        part.write_csv(drops / f"sales-{number:03}.csv")
    tables["meter_totals"].with_columns(m3=pl.col("total_l") / 1000).drop("total_l").write_parquet(
        drops / "totals.parquet"
    )
    others = _lake_source(plain, [name for name in tables if name not in BY_DAY])
    assert_same(_filled(tmp_path, DROPS + others), expected)


def _tags() -> list[tuple[str, str, str]]:
    """Tag, tank and column."""
    columns = {"LVL": "level_mm", "WTR": "water_mm", "TMP": "temp_c"}
    return [(f"{tank}.{short}", tank, column) for tank in ("T1", "T2") for short, column in columns.items()]


TANK_TAGS = "".join(
    f'[[sources.tags]]\ntag = "{tag}"\ntank_id = "{tank}"\ncolumn = "{column}"\n' for tag, tank, column in _tags()
)
METER_TAGS = "".join(
    f'[[sources.tags]]\ntag = "{t}.TOT"\nmeter_id = "M-{t}"\ncolumn = "total_l"\n' for t in ("T1", "T2")
)
TAGS = TANK_TAGS + METER_TAGS


def _values(tables, codes) -> pl.DataFrame:
    """A row a tag and time: what a historian keeps."""
    parts = [
        tables["readings"]
        .filter(pl.col("tank_id") == tank)
        .select(
            pl.lit(tag).alias("tag"),
            "ts",
            pl.col(column).alias("value"),
            pl.col("quality").replace_strict(codes, return_dtype=pl.Int64).alias("quality"),
        )
        for tag, tank, column in _tags()
    ]
    parts += [
        tables["meter_totals"]
        .filter(pl.col("meter_id") == f"M-{t}")
        .select(
            pl.lit(f"{t}.TOT").alias("tag"),
            "ts",
            pl.col("total_l").alias("value"),
            pl.lit(codes["good"], pl.Int64).alias("quality"),
        )
        for t in ("T1", "T2")
    ]
    return pl.concat(parts)


POSTGRES = f"""
[[sources]]
name = "historian"
kind = "sql"
driver = "postgresql"
address = "env:TEST_HISTORIAN"
{SINCE}
[sources.tables.readings]
table = "plant.values"
layout = "narrow"
time_column = "at"
tag_column = "name"
value_column = "val"
quality_column = "q"
[sources.tables.meter_totals]
table = "plant.values"
layout = "narrow"
time_column = "at"
tag_column = "name"
value_column = "val"
quality_column = "q"
[sources.tables.sales]
table = "sales"
time_column = "ts_end"
[sources.tables.deliveries]
table = "tickets"
time_column = "written_local"
timezone = "Europe/Berlin"
[sources.tables.deliveries.columns]
ts_ticket = "written_local"
"""


@pytest.fixture(scope="module")
def database():
    """A PostgreSQL server; its address."""
    with postgres() as address:
        yield address


def _ingest(address: str, schema: str = "public", **tables: pl.DataFrame) -> None:
    with adbc_driver_postgresql.dbapi.connect(address) as connection:
        with connection.cursor() as cursor:
            cursor.execute(f"create schema if not exists {schema}")
            for name, frame in tables.items():
                cursor.adbc_ingest(name, frame.to_arrow(), mode="create", db_schema_name=schema)
        connection.commit()


WIDE = f"""
[[sources]]
name = "historian"
kind = "sql"
driver = "postgresql"
address = "env:TEST_HISTORIAN"
quality = "opc_ua"
{SINCE}
[sources.tables.readings]
table = "plant.wide"
layout = "wide"
time_column = "local"
timezone = "America/New_York"
quality_column = "status"
[sources.tables.meter_totals]
table = "plant.counters"
layout = "rows"
time_column = "ts"
"""


def test_postgresql_wide(tmp_path, plain, expected, database, monkeypatch):
    """A column a tag, in a wall clock's time without its zone: New York's does not change in these days."""
    tables = thirty_days()
    each = {tank: tables["readings"].filter(pl.col("tank_id") == tank).sort("ts") for tank in ("T1", "T2")}
    first = each["T1"]
    wide = pl.DataFrame(
        {
            "local": first["ts"].dt.convert_time_zone("America/New_York").dt.replace_time_zone(None),
            "status": first["quality"].replace_strict(STATUS, return_dtype=pl.Int64),
            **{tag: each[tank][column] for tag, tank, column in _tags()},
        }
    )
    _ingest(database, "plant", wide=wide, counters=tables["meter_totals"])
    monkeypatch.setenv("TEST_HISTORIAN", database)
    others = _lake_source(plain, [name for name in tables if name not in COUNTED])
    assert_same(_filled(tmp_path, WIDE + TANK_TAGS + others), expected)


def test_postgresql_narrow(tmp_path, plain, expected, database, monkeypatch):
    tables = thirty_days()
    values = _values(tables, {"good": 192, "uncertain": 64, "bad": 0})
    tickets = (
        tables["deliveries"]
        .with_columns(
            written_local=pl.col("ts_ticket").dt.convert_time_zone("Europe/Berlin").dt.replace_time_zone(None)
        )
        .drop("ts_ticket")
    )
    narrow = values.rename({"tag": "name", "ts": "at", "value": "val", "quality": "q"})
    _ingest(database, "plant", values=narrow)
    _ingest(database, sales=tables["sales"], tickets=tickets)
    monkeypatch.setenv("TEST_HISTORIAN", database)
    others = _lake_source(plain, [n for n in tables if n not in (*BY_DAY, "deliveries")])
    assert_same(_filled(tmp_path, POSTGRES + TAGS + others), expected)


SQLITE = f"""
[[sources]]
name = "controller"
kind = "sql"
driver = "sqlite"
address = "PLACE/plant.db"
quality = "words"
quality_words = {{ fine = "good", so-so = "uncertain", broken = "bad" }}
{SINCE}
[sources.tables.readings]
table = "wide"
layout = "wide"
time_column = "at"
time_kind = "epoch_s"
quality_column = "state"
[sources.tables.sales]
table = "sales"
time_column = "ts_end"
time_kind = "text"
timezone = "Europe/Berlin"
time_format = "%Y-%m-%d %H:%M:%S"
"""


def test_sqlite_wide(tmp_path, plain, expected):
    tables = thirty_days()
    words = {"good": "fine", "uncertain": "so-so", "bad": "broken"}
    with sqlite3.connect(tmp_path / "plant.db") as plant:
        names = [tag for tag, _, _ in _tags()]
        quoted = ", ".join(f'"{name}" real' for name in names)
        plant.execute(f"create table wide (at integer, state text, {quoted})")
        each = {tank: tables["readings"].filter(pl.col("tank_id") == tank) for tank in ("T1", "T2")}
        columns = [each[tank][column].to_list() for _, tank, column in _tags()]
        at = (each["T1"]["ts"].dt.epoch("s")).to_list()
        state = [words[word] for word in each["T1"]["quality"]]
        marks = ",".join("?" * (2 + len(names)))
        plant.executemany(f"insert into wide values ({marks})", zip(at, state, *columns, strict=True))
        form = "%Y-%m-%d %H:%M:%S"
        sales = [
            (*row[:2], row[2].astimezone(BERLIN).strftime(form), row[3].astimezone(BERLIN).strftime(form), *row[4:])
            for row in tables["sales"].iter_rows()
        ]
        plant.execute(f"create table sales ({', '.join(tables['sales'].columns)})")
        plant.executemany(f"insert into sales values ({','.join('?' * len(sales[0]))})", sales)
    plant.close()
    others = _lake_source(plain, [name for name in tables if name not in ("readings", "sales")])
    assert_same(_filled(tmp_path, SQLITE.replace("PLACE", str(tmp_path)) + TANK_TAGS + others), expected)


def test_opc_ua_history(tmp_path, plain, expected):
    tables = thirty_days()
    port = free_port()
    loop = Loop()
    server, space = loop.run(serve(port, _values(tables, STATUS)))
    settings = (
        f'[[sources]]\nname = "plant"\nkind = "opcua"\naddress = "opc.tcp://127.0.0.1:{port}/plant"\n'
        f"values_a_request = 40\n{SINCE}" + TAGS.replace('tag = "', f'tag = "ns={space};s=')
    )
    try:
        found = _filled(tmp_path, settings + _lake_source(plain, [n for n in tables if n not in COUNTED]))
    finally:
        loop.run(server.stop())
        loop.close()
    assert_same(found, expected)


REGISTERS = "".join(
    f'[[sources.registers]]\naddress = {address}\ntype = "{kind}"\nscale = {scale}\n'
    f'{whose} = "{who}"\ncolumn = "{column}"\n{more}'
    for address, kind, scale, whose, who, column, more in (
        (0, "float32", 1.0, "tank_id", "T1", "level_mm", ""),
        (2, "uint16", 0.1, "tank_id", "T1", "water_mm", ""),
        (3, "int16", 0.1, "tank_id", "T1", "temp_c", ""),
        (4, "uint32", 0.1, "tank_id", "T2", "level_mm", 'word_order = "little"\nbad_value = 4294967295\n'),
        (6, "uint16", 0.1, "tank_id", "T2", "water_mm", 'kind = "input"\n'),
        (7, "int16", 0.1, "tank_id", "T2", "temp_c", ""),
    )
)


class _Device:
    """A device on loopback; its probe writes the registers, as the tanks' levels go."""

    def __init__(self, port: int) -> None:
        self.port = port

    async def start(self):
        from pymodbus.server import ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        registers = SimData(0, count=20, values=0, datatype=DataType.REGISTERS)
        self.server = ModbusTcpServer(SimDevice(1, registers), address=("127.0.0.1", self.port))
        await self.server.serve_forever(background=True)

    def show(self, probe, one: dict, two: dict) -> None:
        level_1 = struct.unpack(">HH", struct.pack(">f", float("nan") if one["level_mm"] is None else one["level_mm"]))
        level_2 = 0xFFFFFFFF if two["level_mm"] is None else round(two["level_mm"] * 10)
        temps = [round(each["temp_c"] * 10) for each in (one, two)]
        written = probe.write_registers(0, [*level_1, 0, temps[0], level_2 & 0xFFFF, level_2 >> 16, 0, temps[1]])
        assert not written.isError()


def test_modbus_recorded(tmp_path):
    """The device's registers step through the thirty days; the recorder asks at each step."""
    tables = thirty_days(with_uncertain=False)
    calm = write(tmp_path / "calm", tables)
    expected = store_tables(calm, tmp_path / "calm-out")
    port = free_port()
    file = tmp_path / "tankdrift.toml"
    file.write_text(
        'lake = "landed"\nmin_free_gb = 0.0\n' + _lake_source(calm, [name for name in tables if name != "readings"])
        + f'[[sources]]\nname = "probe"\nkind = "modbus"\nhost = "127.0.0.1"\nport = {port}\n{REGISTERS}'
    )  # fmt: skip
    operations = read_operations(file)
    assert [entry.error for entry in collect(operations, now=NOW) if entry.error] == []
    probe = source_of(operations.sources[1])
    assert isinstance(probe, ModbusSource)
    device, loop = _Device(port), Loop()
    loop.run(device.start())

    def days():
        shown = ModbusTcpClient("127.0.0.1", port=port)
        each = [tables["readings"].filter(pl.col("tank_id") == tank).sort("ts").to_dicts() for tank in ("T1", "T2")]
        for one, two in zip(*each, strict=True):
            device.show(shown, one, two)
            yield one["ts"]
        shown.close()

    try:
        counts = record(probe, Landing(operations.lake), days(), batch=96)
    finally:
        loop.run(device.server.shutdown())
        loop.close()
    assert counts.new == tables["readings"].height
    assert_same(store_tables(operations.lake, tmp_path / "out"), expected)
