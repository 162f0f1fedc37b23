"""A small fleet whose first night went well, and into which one thing after another is broken before its second."""

import contextlib
import ctypes
import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from tests.support.counterparts import Counterparts
from tests.support.lakes import START, tiny_lake

BEGIN = datetime(2026, 5, 6, tzinfo=UTC)
"""Where the fleet's data begins: far from any clock change."""
TODAY = BEGIN + timedelta(hours=24)
"""From here on the tills' sales are in their second file."""
FIRST, NOW = BEGIN + timedelta(hours=48), BEGIN + timedelta(hours=49)
"""The first night and the second. Between them nothing comes but what a broken thing brings: that keeps it fast."""

SETTINGS = """\
min_free_gb = 0.001
stale_after_hours = 26
[run]
max_quarantine_pct = 5.0

[[sources]]
name = "registry"
kind = "files"
place = "registry"
retries = 0
[sources.tables.sites]
pattern = "sites.csv"
[sources.tables.tanks]
pattern = "tanks.csv"
[sources.tables.strapping]
pattern = "charts.csv"
[sources.tables.meters]
pattern = "meters.csv"
[sources.tables.meter_feeds]
pattern = "feeds.csv"

[[sources]]
name = "tills"
kind = "files"
place = "tills"
retries = 0
[sources.tables.sales]
pattern = "sales-*.csv"
separator = ";"
decimal = ","
timezone = "Europe/Berlin"
time_format = "%d.%m.%Y %H:%M:%S"
[sources.tables.sales.columns]
sale_id = "No"
meter_id = "Hose"
ts_start = "Lifted"
ts_end = "Hung up"
volume_l = { column = "Litres", unit = "l" }
kind = { column = "Kind", words = { S = "sale" } }
[sources.tables.deliveries]
pattern = "tickets-*.csv"
timezone = "Europe/Berlin"

[[sources]]
name = "historian"
kind = "sql"
driver = "sqlite"
address = "PLANT_DB"
retries = 0
since = 2026-05-06T00:00:00Z
tag_file = "tags.csv"
[sources.tables.readings]
table = "dips"
layout = "narrow"
time_column = "at"
tag_column = "name"
value_column = "val"
quality_column = "q"

[[notices.to]]
role = "operations"
url = "env:MAIL_OPERATIONS"
at_once = []
digest = []
night = ["failed", "stale"]
"""

TAGS = """\
tag,tank_id,meter_id,column,unit
T1.LVL,T1,,level_mm,mm
T1.TMP,T1,,temp_c,degC
T2.LVL,T2,,level_mm,mm
T2.TMP,T2,,temp_c,degC
"""


def fleet_tables() -> dict[str, pl.DataFrame]:
    """Two tanks over two days, a reading and a sale an hour."""
    tables = tiny_lake(days=2)
    tables["readings"] = tables["readings"].gather_every(4)
    moved = BEGIN - START
    return {name: frame.with_columns(pl.col(pl.Datetime) + moved) for name, frame in tables.items()}


@dataclass
class Fleet:
    """The folder of a fleet, the servers that it may lean on, and what may be broken in it."""

    folder: Path
    others: Counterparts

    def settings(self, old: str, new: str) -> None:
        """Put other words into the settings, wherever they stand."""
        old, new = (text.replace("PLANT_DB", str(self.folder / "plant.db")) for text in (old, new))

        def changed(text: str) -> str:
            assert old in text, old
            return text.replace(old, new)

        self.file("tankdrift.toml", changed)

    def file(self, name: str, change: Callable[[str], str]) -> None:
        """Change what a file says."""
        path = self.folder / name
        path.write_text(change(path.read_text()))

    def remove(self, name: str) -> None:
        """Take a file or a folder away."""
        path = self.folder / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()

    def forbid(self, name: str) -> None:
        """Let nobody read a folder."""
        (self.folder / name).chmod(0)

    def link(self, name: str, to: str) -> None:
        """Make a link."""
        (self.folder / name).symlink_to(to)

    def database(self, *statements: str) -> None:
        """Change what the historian holds."""
        with contextlib.closing(sqlite3.connect(self.folder / "plant.db")) as plant:
            for statement in statements:
                plant.execute(statement)
            plant.commit()

    def mail_to(self, address: str) -> None:
        """Tell operations at another address."""
        self.others.env(MAIL_ELSEWHERE=address)
        self.settings("env:MAIL_OPERATIONS", "env:MAIL_ELSEWHERE")
        self.settings('"failed", "stale"', '"started", "failed"')

    def filled(self, settings: str) -> str:
        """Settings with the addresses of the counterparts that they name."""
        found = settings.replace("CLOSED", str(self.others.closed_port))
        if "env:PLANT" in found:
            assert self.others.postgres
        if "OPCUA" in found:
            found = found.replace("OPCUA", self.others.opcua.address)
        space = self.others.opcua.space if "TAG_" in found else 0
        found = re.sub(
            "TAG_(.*)", rf'tags = [{{ tag = "ns={space};s=\1", tank_id = "T1", column = "level_mm" }}]', found
        )
        found = re.sub("TABLE_(.*)", lambda name: f'{NARROW}{name[1]}"\n', found)
        if "STORE" in found:
            found = found.replace("STORE", _bucket(self.others.store))
        return found.replace("DOWN", _bucket(f"http://127.0.0.1:{self.others.closed_port}"))

    def shown(self, text: str) -> str:
        """A line without what differs from machine to machine."""
        text = text.replace(str(self.folder.resolve()), "...").replace(str(self.folder), "...")
        text = re.sub(r"""(127\.0\.0\.1(?::|', |", port ))\d+""", r"\1PORT", text)
        return re.sub(r"\d+\.\d GB free", "... GB free", text)


NARROW = """\
[sources.tables.readings]
layout = "narrow"
time_column = "at"
tag_column = "name"
value_column = "val"
quality_column = "q"
table = \""""


def _bucket(endpoint: str) -> str:
    return f'''options = {{ endpoint = "{endpoint}", region = "us-east-1", allow_http = "true" }}
[sources.tables.events]
pattern = "*.csv"
'''


@contextlib.contextmanager
def as_anybody() -> Iterator[None]:
    """Without the right to read what nobody may read, which the machine's administrator has."""
    if os.getuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    version = (ctypes.c_uint32 * 2)(0x20080522, 0)
    before = (ctypes.c_uint32 * 6)()
    assert libc.capget(version, before) == 0
    without = (ctypes.c_uint32 * 6)(*before)
    without[0] &= ~0b110  # CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH, of what is in effect
    assert libc.capset(version, without) == 0
    try:
        yield
    finally:
        assert libc.capset(version, before) == 0


def sound_fleet(folder: Path, others: Counterparts) -> Fleet:
    """Write the fleet as it is before its first night."""
    tables = fleet_tables()
    (folder / "registry").mkdir(parents=True)
    (folder / "tills").mkdir()
    for table, name in {
        "sites": "sites", "tanks": "tanks", "strapping": "charts", "meters": "meters", "meter_feeds": "feeds",
    }.items():  # fmt: skip
        tables[table].write_csv(folder / "registry" / f"{name}.csv", datetime_format="%Y-%m-%d %H:%M:%S")
    sales_file(tables["sales"].filter(pl.col("ts_end") < TODAY), folder / "tills" / "sales-1.csv")
    tables["deliveries"].write_csv(folder / "tills" / "tickets-1.csv")
    values = narrow(tables["readings"])
    with contextlib.closing(sqlite3.connect(folder / "plant.db")) as plant:
        plant.execute("create table dips (at text, name text, val real, q integer)")
        plant.executemany("insert into dips values (?, ?, ?, ?)", values.rows())
        plant.commit()
    (folder / "tags.csv").write_text(TAGS)
    (folder / "tankdrift.toml").write_text(SETTINGS.replace("PLANT_DB", str(folder / "plant.db")))
    return Fleet(folder, others)


def narrow(readings: pl.DataFrame) -> pl.DataFrame:
    """A row a tag and time, as the historian keeps them."""
    parts = [
        readings.select(
            pl.col("ts").dt.strftime("%Y-%m-%d %H:%M:%S").alias("at"),
            (pl.col("tank_id") + f".{short}").alias("name"),
            pl.col(column).alias("val"),
            pl.lit(192).alias("q"),
        )
        for short, column in (("LVL", "level_mm"), ("TMP", "temp_c"))
    ]
    return pl.concat(parts).sort("at", "name")


def sales_file(sales: pl.DataFrame, path: Path) -> None:
    """A till's file, with a till's words, decimals and wall clock."""
    local = {
        name: pl.col(column).dt.convert_time_zone("Europe/Berlin").dt.strftime("%d.%m.%Y %H:%M:%S")
        for name, column in (("Lifted", "ts_start"), ("Hung up", "ts_end"))
    }
    told = sales.select(
        pl.col("sale_id").alias("No"),
        pl.col("meter_id").alias("Hose"),
        **local,
        Litres=pl.col("volume_l").cast(pl.String).str.replace(".", ",", literal=True),
        Kind=pl.lit("S"),
    )
    told.write_csv(path, separator=";")


def put_back(kept: Path, fleet: Fleet) -> None:
    """Have the fleet as it was kept, in its own folder: a run knows its lake by where it lies."""
    if fleet.folder.exists():
        for path in fleet.folder.iterdir():
            path.chmod(0o755)
        shutil.rmtree(fleet.folder)
    shutil.copytree(kept, fleet.folder)
