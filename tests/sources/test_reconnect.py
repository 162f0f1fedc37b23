"""Kind of evidence: contract, against real servers. A broken connection is made again, and nothing is lost for it."""

import threading
import time
from datetime import timedelta

import polars as pl

from pipeline.sources.collect import collect
from pipeline.sources.config import ModbusConfig, OpcuaConfig, read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.opcua import OpcuaSource
from pipeline.sources.record import record
from pipeline.sources.table_config import Register, Tag
from tests.sources.test_thirty_days import _Device
from tests.support.lakes import START
from tests.support.opc_ua import serve
from tests.support.servers import Loop, free_port


def _values(count: int) -> pl.DataFrame:
    ts = [START + timedelta(minutes=n) for n in range(count)]
    return pl.DataFrame(
        {"tag": ["LVL"] * count, "ts": ts, "value": [1000.0 + n for n in range(count)], "quality": [0] * count},
        schema={"tag": pl.String, "ts": pl.Datetime("us", "UTC"), "value": pl.Float64, "quality": pl.Int64},
    )


def test_an_opc_ua_server_that_comes_up_late_is_asked_again():
    port, loop = free_port(), Loop()
    config = OpcuaConfig(
        name="plant", kind="opcua", address=f"opc.tcp://127.0.0.1:{port}/plant", retries=20, retry_wait_s=0.2,
        timeout_s=5, values_a_request=50, tags=(Tag(tag="ns=2;s=LVL", tank_id="T1", column="level_mm"),),
    )  # fmt: skip
    found = []
    asked = threading.Thread(
        target=lambda: found.append(OpcuaSource(config).fetch("readings", START, START + timedelta(days=1)))
    )
    asked.start()
    threading.Event().wait(0.7)
    server, space = loop.run(serve(port, _values(300)))
    asked.join(timeout=60)
    loop.run(server.stop())
    loop.close()
    assert space == 2
    assert found[0].rows["level_mm"].to_list() == [1000.0 + n for n in range(300)]


def test_a_database_that_refuses_is_asked_again_after_longer_and_longer_waits(tmp_path, caplog):
    (tmp_path / "tankdrift.toml").write_text(
        'min_free_gb = 0.0\n[[sources]]\nname = "plant"\nkind = "sql"\ndriver = "postgresql"\nretries = 3\n'
        f'retry_wait_s = 0.05\naddress = "postgresql://127.0.0.1:{free_port()}/x"\n'
        '[sources.tables.events]\ntable = "log"\ntime_column = "ts"\n'
    )
    caplog.set_level("INFO", logger="tankdrift")
    began = time.monotonic()
    (done,) = collect(read_operations(tmp_path / "tankdrift.toml"), now=START)
    assert time.monotonic() - began > 0.05 + 0.1 + 0.2
    assert "Connection refused" in str(done.error)
    said = [line for line in caplog.messages if "trying again" in line]
    assert [line.split(" s:")[0] for line in said] == [f"plant: trying again in {s}" for s in ("0.05", "0.1", "0.2")]


def test_a_modbus_device_that_goes_away_leaves_a_gap_and_no_more(tmp_path):
    port, loop = free_port(), Loop()
    register = Register(address=0, tank_id="T1", column="level_mm")
    config = ModbusConfig(
        name="probe", kind="modbus", host="127.0.0.1", port=port, timeout_s=0.5, registers=(register,)
    )
    devices = [_Device(port)]
    loop.run(devices[0].start())

    def instants():
        for minute in range(9):
            if minute == 3:
                loop.run(devices[0].server.shutdown())
            if minute == 6:
                devices.append(_Device(port))
                loop.run(devices[1].start())
            yield START + timedelta(minutes=minute)

    counts = record(ModbusSource(config), Landing(tmp_path / "lake"), instants())
    loop.run(devices[1].server.shutdown())
    loop.close()
    kept = pl.read_parquet(tmp_path / "lake" / "readings" / "**" / "*.parquet", hive_partitioning=False)
    minutes = ((kept["ts"] - START).dt.total_minutes()).to_list()
    assert counts.new == len(minutes)
    assert set(minutes) <= {0, 1, 2, 6, 7, 8}
    assert {0, 1, 2, 8} <= set(minutes)
