"""Kind of evidence: known truth against real counterparts. Corrections, newest instants, first rows."""

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import adbc_driver_postgresql.dbapi
import polars as pl
import pytest
from pymodbus.client import ModbusTcpClient

from flows.night_page import as_markdown
from pipeline.nightly import finish_night
from pipeline.sources.collect import collect
from pipeline.sources.config import ModbusConfig, read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.opcua import OpcuaSource
from pipeline.sources.record import record
from pipeline.sources.sql import SqlSource
from pipeline.sources.table_config import Register
from tests.sources.test_thirty_days import STATUS, _Device
from tests.support.lakes import tiny_lake, write
from tests.support.opc_ua import remember, serve
from tests.support.servers import Loop, free_port, postgres

NOW = datetime(2026, 3, 3, 12, tzinfo=UTC)
BEGUN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TIMES = [BEGUN + timedelta(hours=n) for n in range(5)]
NEWEST = TIMES[-1]
FORM = "%Y-%m-%d %H:%M:%S"


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


def _rows(night: int) -> pl.DataFrame:
    """Four readings; the night after the third is 7 mm higher than it was told first, and a fifth has come."""
    levels = [900.0, 899.0, 898.0 + 7.0 * night, 897.0, 896.0][: 4 + night]
    return pl.DataFrame(
        {"tank_id": ["T1"] * len(levels), "ts": TIMES[: len(levels)], "level_mm": levels,
         "temp_c": [15.0] * len(levels), "quality": ["good"] * len(levels)}
    )  # fmt: skip


SETTINGS = """
lake = "landed"
min_free_gb = 0.0
[[sources]]
name = "plant"
since = 2015-01-01T00:00:00Z
lookback_hours = 72
"""

LAKE = 'kind = "lake"\nplace = "yard"\ntables = ["readings"]\n'
FILES = 'kind = "files"\nplace = "drops"\n[sources.tables.readings]\npattern = "*.csv"\n'
SQL = """kind = "sql"
driver = "DRIVER"
address = "env:PLANT"
[sources.tables.readings]
table = "levels"
time_column = "ts"
"""
SQLITE = SQL.replace("DRIVER", "sqlite")


def _drop_lake(place, night):
    file = place / "yard" / "readings" / "day=2026-03-02" / "one.parquet"
    file.parent.mkdir(parents=True, exist_ok=True)
    _rows(night).write_parquet(file)


def _drop_file(place, night):
    (place / "drops").mkdir(exist_ok=True)
    _rows(night).write_csv(place / "drops" / f"dips-{night}.csv", datetime_format=FORM)


def _fill_sqlite(place, night, write_ts=lambda ts: ts.strftime(FORM)):
    with closing(sqlite3.connect(place / "plant.db")) as plant:
        plant.execute("drop table if exists levels")
        plant.execute(
            "create table levels (tank_id text, ts, level_mm real, temp_c real, quality text, written integer)"
        )
        rows = [(row[0], write_ts(row[1]), *row[2:], int(row[1].timestamp())) for row in _rows(night).iter_rows()]
        plant.executemany("insert into levels values (?, ?, ?, ?, ?, ?)", rows)
        plant.commit()


def _two_nights(tmp_path, settings, fill):
    """What came of the readings on a first night, on one with a correction and a new row, and on one without either."""
    file = tmp_path / "tankdrift.toml"
    file.write_text(SETTINGS + settings)
    nights = []
    for night in (0, 1, 1):
        fill(tmp_path, night)
        (done,) = collect(read_operations(file), now=NOW + timedelta(minutes=night))
        assert done.error is None
        nights.append((done.merged.new, done.merged.corrected, done.newest))
    levels = pl.read_parquet(tmp_path / "landed" / "readings" / "**" / "*.parquet").sort("ts")["level_mm"].to_list()
    assert levels == _rows(1)["level_mm"].to_list()
    return nights


KNOWN = [(4, 0, TIMES[3]), (1, 1, NEWEST)]
"""New, corrected and the newest instant of the first two nights; the third brings nothing new."""


@pytest.fixture
def asked(monkeypatch):
    """Windows that a source is really asked for, as they come."""
    windows = []
    for kind in (SqlSource, OpcuaSource):

        def fetch(self, table, start, end, fetch=kind.fetch):
            windows.append((start, end))
            return fetch(self, table, start, end)

        monkeypatch.setattr(kind, "fetch", fetch)
    return windows


def _assert_begun_at_its_first_row(windows):
    """Eleven years lie between `since` and the first row; a day before it is asked for, too, and none sooner."""
    assert windows[0][0] == datetime(2026, 3, 1, tzinfo=UTC)


def test_of_a_lake(tmp_path):
    assert _two_nights(tmp_path, LAKE, _drop_lake) == [*KNOWN, (0, 0, NEWEST)]


def test_of_files(tmp_path):
    """The second file tells all rows again; on the third night it has another mark, for it was written again."""
    assert _two_nights(tmp_path, FILES, _drop_file) == [*KNOWN, (0, 0, NEWEST)]


@pytest.mark.parametrize(
    ("more", "written"),
    [
        ('time_kind = "text"\n', lambda ts: ts.strftime(FORM)),
        ('time_kind = "text"\ntimezone = "Pacific/Auckland"\n', lambda ts: (ts + timedelta(hours=13)).strftime(FORM)),
        ('time_kind = "text"\ntime_format = "%Y%m%dT%H%M%S"\n', lambda ts: ts.strftime("%Y%m%dT%H%M%S")),
        ('time_kind = "epoch_s"\n', lambda ts: int(ts.timestamp())),
        ('time_kind = "epoch_ms"\n', lambda ts: int(ts.timestamp() * 1000)),
        ('time_kind = "epoch_s"\nchanged_column = "written"\n', lambda ts: int(ts.timestamp())),
    ],
)
def test_of_sqlite(tmp_path, monkeypatch, asked, more, written):
    monkeypatch.setenv("PLANT", str(tmp_path / "plant.db"))
    nights = _two_nights(tmp_path, SQLITE + more, lambda place, night: _fill_sqlite(place, night, written))
    assert nights == [*KNOWN, (0, 0, NEWEST)]
    _assert_begun_at_its_first_row(asked)


def test_of_postgresql(tmp_path, monkeypatch, asked):
    def fill(_, night):
        with adbc_driver_postgresql.dbapi.connect(address) as connection, connection.cursor() as cursor:
            cursor.execute("drop table if exists levels")
            cursor.adbc_ingest("levels", _rows(night).to_arrow(), mode="create")
            connection.commit()

    with postgres() as address:
        monkeypatch.setenv("PLANT", address)
        nights = _two_nights(tmp_path, SQL.replace("DRIVER", "postgresql"), fill)
    assert nights == [*KNOWN, (0, 0, NEWEST)]
    _assert_begun_at_its_first_row(asked)


def test_of_opc_ua(tmp_path, asked):
    tags = {"LVL": "level_mm", "TMP": "temp_c"}
    loop, port = Loop(), free_port()

    def values(night):
        status = pl.lit(STATUS["good"], pl.Int64).alias("quality")
        columns = [pl.lit(tag).alias("tag") for tag in tags]
        parts = zip(columns, tags.values(), strict=True)
        return pl.concat([_rows(night).select(tag, "ts", pl.col(name).alias("value"), status) for tag, name in parts])

    server, space = loop.run(serve(port, values(0)))

    def fill(_, night):
        loop.run(remember(server, space, values(night)))

    settings = f'kind = "opcua"\naddress = "opc.tcp://127.0.0.1:{port}/plant"\n' + "".join(
        f'[[sources.tags]]\ntag = "ns={space};s={tag}"\ntank_id = "T1"\ncolumn = "{name}"\n'
        for tag, name in tags.items()
    )
    try:
        assert _two_nights(tmp_path, settings, fill) == [*KNOWN, (0, 0, NEWEST)]
    finally:
        loop.run(server.stop())
        loop.close()
    _assert_begun_at_its_first_row(asked)


def test_of_a_recorder(tmp_path):
    """A device that is asked again for an instant, as after a clock was set back, corrects what it said of it."""
    port, loop = free_port(), Loop()
    device = _Device(port)
    loop.run(device.start())
    register = Register(address=0, tank_id="T1", column="level_mm")
    source = ModbusSource(ModbusConfig(name="probe", kind="modbus", host="127.0.0.1", port=port, registers=(register,)))
    landing = Landing(tmp_path / "lake")
    try:
        with ModbusTcpClient("127.0.0.1", port=port) as probe:
            assert not probe.write_registers(0, [900]).isError()
            first = record(source, landing, TIMES[:3])
            assert not probe.write_registers(0, [880]).isError()
            second = record(source, landing, TIMES[2:5])
    finally:
        loop.run(device.server.shutdown())
        loop.close()
    assert [(told.new, told.corrected) for told in (first, second)] == [(3, 0), (2, 1)]


def test_a_source_without_a_row_is_asked_for_today_alone(tmp_path, monkeypatch, asked):
    monkeypatch.setenv("PLANT", str(tmp_path / "plant.db"))
    _fill_sqlite(tmp_path, 0, lambda ts: "2014-12-31 12:00:00")  # before `since`
    (tmp_path / "tankdrift.toml").write_text(SETTINGS + SQLITE + 'time_kind = "text"\n')
    (done,) = collect(read_operations(tmp_path / "tankdrift.toml"), now=NOW)
    assert (done.error, done.merged.new, done.newest) == (None, 0, None)
    assert asked == [(datetime(2026, 3, 3, tzinfo=UTC), NOW)]


def test_a_standing_row_that_is_told_otherwise_is_corrected(tmp_path):
    tables = tiny_lake()
    settings = 'kind = "lake"\nplace = "yard"\ntables = ["tanks"]\n'
    (tmp_path / "tankdrift.toml").write_text(SETTINGS + settings)
    found = []
    for tanks in (
        tables["tanks"],
        tables["tanks"].with_columns(pl.col("safe_fill_l") - 100.0 * (pl.col("tank_id") == "T2")),
    ):
        write(tmp_path / "yard", {"tanks": tanks}) if not found else tanks.write_parquet(
            tmp_path / "yard" / "tanks.parquet"
        )
        (done,) = collect(read_operations(tmp_path / "tankdrift.toml"), now=NOW)
        found.append((done.merged.new, done.merged.corrected, done.newest))
    assert found == [(2, 0, None), (0, 1, None)]


def test_what_a_night_says_of_them(tmp_path):
    """On its page and in its record: until the newest row, and how many rows others came in the place of."""
    (tmp_path / "tankdrift.toml").write_text(SETTINGS + FILES + "[watch]\nmetrics_file = 'figures.prom'\n")
    operations = read_operations(tmp_path / "tankdrift.toml")
    for night in (0, 1):
        _drop_file(tmp_path, night)
        came = collect(operations, now=NOW)
    night = finish_night(operations, came, now=NOW, outcome="not analysed here")
    assert "| plant | readings | 1 | 1 | 3 | 0 | 2026-03-02 10:00 |" in as_markdown(night)
    kept = json.loads((operations.out / "night.json").read_text())
    assert (kept["new"], kept["corrected"]) == ({"plant readings": 1.0}, {"plant readings": 1.0})
    assert 'tankdrift_rows_corrected{source="plant",table="readings"} 1.0' in (tmp_path / "figures.prom").read_text()
