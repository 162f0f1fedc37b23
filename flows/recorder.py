"""Asks several devices at once, a thread each."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

from pipeline.errors import ArgumentError
from pipeline.sources.config import ModbusConfig, Operations
from pipeline.sources.landing import Landing, Merged
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.record import record, ticks


def record_all(
    operations: Operations, *, names: Sequence[str] | None = None, until: datetime | None = None
) -> dict[str, Merged]:
    """Ask every device until then, or for ever; what came of each comes out.

    Raises
    ------
    ArgumentError
        If the settings have no device to ask.
    """
    wanted = [
        config
        for config in operations.sources
        if isinstance(config, ModbusConfig) and (names is None or config.name in names)
    ]
    if not wanted:
        raise ArgumentError("the settings name no source of kind modbus to record")
    landing = Landing(operations.lake)
    with ThreadPoolExecutor(len(wanted)) as pool:
        jobs = {
            config.name: pool.submit(record, ModbusSource(config), landing, ticks(config.every_s, until=until))
            for config in wanted
        }
        return {name: job.result() for name, job in jobs.items()}
