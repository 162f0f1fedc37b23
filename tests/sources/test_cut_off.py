"""Kind of evidence: known truth by construction, against real servers. A server is killed while it answers.

What it had said of a window is not half taken in, the mark stays before it, and the next night brings the same bytes as
if nothing had happened.
"""

import contextlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta

import adbc_driver_postgresql.dbapi
import obstore
import polars as pl
import pytest
from obstore.store import S3Store

from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from tests.support.lakes import START
from tests.support.opc_ua import serve
from tests.support.servers import Loop, free_port, object_store, postgres_server
from tests.support.wire import Wire, wire

NOW = START + timedelta(days=3)
MINUTES = 3 * 24 * 60


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


@dataclass(frozen=True)
class Plant:
    """A server at the end of a wire: the settings that ask it, and how to have it up again as it was."""

    wire: Wire
    settings: str
    start: Callable[[], object]


def _values(every: int = 1) -> pl.DataFrame:
    """A level a minute over three days, that falls; a row a tag and time."""
    ts = [START + timedelta(minutes=n) for n in range(0, MINUTES, every)]
    levels = [1900.0 - 0.1 * n for n in range(0, MINUTES, every)]
    values = pl.DataFrame({"tag": "T1.LVL", "ts": ts, "value": levels, "quality": 0})
    return values.with_columns(pl.col("ts").dt.cast_time_unit("us"))


@contextlib.contextmanager
def _database(monkeypatch) -> Iterator[Plant]:
    with postgres_server() as server:
        with adbc_driver_postgresql.dbapi.connect(server.address) as connection:
            with connection.cursor() as cursor:
                cursor.adbc_ingest("dips", _values().drop("quality").to_arrow(), mode="create")
            connection.commit()
        with wire(server.port) as between:
            between.end = server.kill
            monkeypatch.setenv("PLANT", server.address.replace(str(server.port), str(between.port)))
            settings = (
                'kind = "sql"\ndriver = "postgresql"\naddress = "env:PLANT"\nsince = 2024-03-29T00:00:00Z\n'
                'tags = [{ tag = "T1.LVL", tank_id = "T1", column = "level_mm" }]\n'
                '[sources.tables.readings]\ntable = "dips"\nlayout = "narrow"\ntime_column = "ts"\n'
            )
            yield Plant(between, settings, server.start)


@contextlib.contextmanager
def _opc_ua(monkeypatch) -> Iterator[Plant]:
    port, loop = free_port(), Loop()
    servers = []

    def start() -> int:
        server, space = loop.run(serve(port, _values(3)))
        servers.append(server)
        return space

    space = start()
    with wire(port) as between:
        between.end = lambda: loop.run(servers.pop().stop())
        settings = (
            f'kind = "opcua"\naddress = "opc.tcp://127.0.0.1:{between.port}/plant"\nsince = 2024-03-29T00:00:00Z\n'
            f"timeout_s = 5\nvalues_a_request = 100\n"
            f'tags = [{{ tag = "ns={space};s=T1.LVL", tank_id = "T1", column = "level_mm" }}]\n'
        )
        yield Plant(between, settings, start)
        loop.run(servers.pop().stop())
    loop.close()


@contextlib.contextmanager
def _file_store(monkeypatch) -> Iterator[Plant]:
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "key-of-the-test")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "linden-harbour-93")
    readings = _values().select(tank_id=pl.lit("T1"), ts="ts", level_mm="value", quality=pl.lit("good"))
    running = contextlib.ExitStack()

    def start() -> int:
        endpoint = running.enter_context(object_store("depot"))
        plain = {"allow_http": True}
        store = S3Store("depot", endpoint=endpoint, region="us-east-1", client_options=plain)
        for number, part in enumerate(readings.iter_slices(24 * 60)):
            obstore.put(store, f"dips-{number}.csv", part.write_csv().encode())
        return int(endpoint.rpartition(":")[2])

    with running, wire(start()) as between:
        between.end = running.close
        settings = (
            f'kind = "files"\nplace = "s3://depot"\n'
            f'options = {{ endpoint = "http://127.0.0.1:{between.port}", region = "us-east-1", allow_http = "true" }}\n'
            '[sources.tables.readings]\npattern = "dips-*.csv"\n'
            'timezone = "UTC"\ntime_format = "%Y-%m-%dT%H:%M:%S%.f%#z"\n'
        )
        yield Plant(between, settings, lambda: between.mend(start()))


def _night(folder, settings: str) -> list[str]:
    folder.mkdir(exist_ok=True)
    (folder / "tankdrift.toml").write_text(f'min_free_gb = 0.0\n[[sources]]\nname = "plant"\nretries = 0\n{settings}')
    return [entry.error for entry in collect(read_operations(folder / "tankdrift.toml"), now=NOW) if entry.error]


def _lake(folder) -> dict[str, bytes]:
    """Every file of a lake but how far it was read."""
    lake = folder / "lake"
    files = [path for path in sorted(lake.rglob("*")) if path.is_file() and "_tankdrift" not in path.parts]
    return {path.relative_to(lake).as_posix(): path.read_bytes() for path in files}


@pytest.mark.parametrize("kind", [_database, _opc_ua, _file_store])
def test_a_server_that_is_killed_while_it_answers_costs_nothing(tmp_path, monkeypatch, kind):
    with kind(monkeypatch) as plant:
        assert _night(tmp_path / "calm", plant.settings) == []
        calm = _lake(tmp_path / "calm")
        assert sorted(calm) == [f"readings/day=2024-03-{day}/plant.parquet" for day in (29, 30, 31)]
        all_of_it = plant.wire.said

        plant.wire.mend()
        plant.wire.cut_after = all_of_it * 6 // 10
        (said,) = _night(tmp_path / "cut", plant.settings)
        assert plant.wire.is_cut
        assert all_of_it // 2 < plant.wire.said < all_of_it
        assert "says" in said
        assert "linden" not in said
        assert "wren" not in said
        half = _lake(tmp_path / "cut")
        assert half == {name: calm[name] for name in half}
        assert len(half) == 1
        marks = json.loads((tmp_path / "cut" / "lake" / "_tankdrift" / "plant.json").read_text())
        if isinstance(marks["readings"], str):
            assert marks["readings"] == "2024-03-30T00:00:00+00:00"
        else:
            assert list(marks["readings"]) == ["dips-0.csv"]

        plant.wire.mend()
        plant.start()
        assert _night(tmp_path / "cut", plant.settings) == []
        assert _lake(tmp_path / "cut") == calm
        assert not list((tmp_path / "cut" / "lake").glob("_superseded"))
