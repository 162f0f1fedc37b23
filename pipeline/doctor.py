"""Looks over settings, secrets, connections, clocks, contract and space, and says how to mend what is not well."""

import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit
from urllib.request import urlopen

from pipeline.errors import ArgumentError, TankdriftError
from pipeline.freshness import freshness
from pipeline.lake import find_parts, read_parts
from pipeline.settings import settings_from
from pipeline.sources.collect import source_of
from pipeline.sources.config import ModbusConfig, OpcuaConfig, Operations, SourceConfig, SqlConfig, read_operations
from pipeline.sources.secrets import hidden, in_short, looked_up
from pipeline.store import FILE, open_store

_BUILT: Final = datetime(2025, 1, 1, tzinfo=UTC)
"""No machine that runs this stands before it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was looked at, what was found, and how to mend it where it is not well."""

    what: str
    is_well: bool
    said: str
    mend: str | None = None


def examine(config: Path, *, now: datetime, prefect: str | None = None, wait_s: float = 0.0) -> list[Finding]:
    """Return a finding about everything that a night's work leans on.

    Parameters
    ----------
    config : Path
    now : datetime
    prefect : str, optional
        Address of the Prefect server's API; none is looked for when left out.
    wait_s : float
        So long to wait for it, where it is still coming up.
    """
    try:
        operations = read_operations(config)
        settings_from(operations.run)
    except ArgumentError as error:
        return [Finding("settings", False, str(error), f"mend {config}; docs/operations.md shows one that is whole")]
    found = [Finding("settings", True, f"{config}, {len(operations.sources)} sources")]
    found += _places(operations)
    found += _clock(now)
    for source in operations.sources:
        found.append(_source(source))
    found += _secrets(operations)
    if prefect is not None:
        found.append(_prefect(prefect, wait_s))
    found += _lake(operations, now)
    return found


def _places(operations: Operations) -> Iterator[Finding]:
    for what, place in (("lake", operations.lake), ("out", operations.out)):
        standing = next(folder for folder in [place, *place.parents] if folder.exists())
        try:
            probe = standing / f".tankdrift-{time.monotonic_ns()}"
            probe.touch()
            probe.unlink()
        except OSError as error:
            yield Finding(f"{what} folder", False, f"{standing}: {error.strerror}", "give this user the right to write")
            continue
        free = shutil.disk_usage(standing).free / 1e9
        is_roomy = free >= operations.min_free_gb
        mend = None if is_roomy else f"make room, or move {what} to a larger disk (min_free_gb is the limit)"
        yield Finding(f"{what} folder", is_roomy, f"{place}, {free:.1f} GB free", mend)
    if operations.out.resolve().is_relative_to(operations.lake.resolve()):
        yield Finding("out folder", False, "it lies in the lake", "set out to a folder beside the lake")


def _clock(now: datetime) -> Iterator[Finding]:
    if now < _BUILT:
        yield Finding(
            "clock", False, f"this machine says {now:%Y-%m-%d %H:%M} UTC", "set the clock, start a time service"
        )
    else:
        yield Finding("clock", True, f"{now:%Y-%m-%d %H:%M} UTC")


def _source(config: SourceConfig) -> Finding:
    what = f"source {config.name}"
    missing = _missing_library(config)
    if missing:
        return Finding(what, False, f"{missing} is not installed", "pip install 'tankdrift[sources]'")
    began = time.monotonic()
    try:
        source = source_of(config)
        source.check()
    except TankdriftError as error:
        return Finding(what, False, hidden(str(error)), _mend(config))
    except Exception as error:  # whatever a driver raises is a finding
        return Finding(what, False, f"{type(error).__name__}: {in_short(error)}", _mend(config))
    return Finding(
        what, True, f"{config.kind}, answers in {time.monotonic() - began:.1f} s: {', '.join(source.tables)}"
    )


def _missing_library(config: SourceConfig) -> str | None:
    wanted = None
    if isinstance(config, SqlConfig):
        wanted = f"adbc_driver_{config.driver}"
    elif isinstance(config, OpcuaConfig):
        wanted = "asyncua"
    elif isinstance(config, ModbusConfig):
        wanted = "pymodbus"
    return wanted if wanted is not None and find_spec(wanted) is None else None


def _mend(config: SourceConfig) -> str:
    where = {
        "lake": "place", "files": "place and pattern", "sql": "address, table and column names",
        "opcua": "address, user and tags", "modbus": "host, port and registers",
    }[config.kind]  # fmt: skip
    return f"see {where} of [[sources]] {config.name}, and whether the network and its rights let this machine in"


def _secrets(operations: Operations) -> Iterator[Finding]:
    sites = _known_sites(operations.lake)
    for recipient in operations.notices.to:
        what = f"notices to {recipient.role}"
        try:
            looked_up(recipient.url)
        except TankdriftError as error:
            yield Finding(what, False, str(error), "set the secret, or take the recipient out")
            continue
        told = f"{', '.join(recipient.at_once) or 'nothing'} at once; address by {recipient.url}"
        strangers = sorted(set(recipient.site_ids) - sites) if sites else []
        if not recipient.at_once and not recipient.digest:
            yield Finding(what, False, "it is never told: at_once and digest are both empty", "name urgencies in one")
        elif strangers:
            yield Finding(what, False, f"the lake has no site {strangers[0]}", "mend site_ids of this recipient")
        elif recipient.quiet_from is not None:
            held = f"from {recipient.quiet_from} to {recipient.quiet_to} held until tankdrift notify runs afterwards"
            yield Finding(what, True, f"{told}; {held}")
        else:
            yield Finding(what, True, told)


def _known_sites(lake: Path) -> set[str]:
    """Sites of the lake; none where it cannot be read, which another finding says."""
    try:
        return set(read_parts(lake, "sites", find_parts(lake, tables=["sites"]))["site_id"].to_list())
    except TankdriftError:
        return set()


def _prefect(address: str, wait_s: float) -> Finding:
    shown = hidden(urlsplit(address)._replace(query="").geturl().rpartition("@")[2])
    end = time.monotonic() + wait_s
    while True:
        try:
            with urlopen(f"{address.rstrip('/')}/health", timeout=5):
                return Finding("prefect", True, f"{shown} answers")
        except (OSError, ValueError) as error:
            if time.monotonic() >= end:
                mend = "start it (prefect server start --background), or mend PREFECT_API_URL"
                return Finding("prefect", False, f"{shown}: {in_short(error)}", mend)
            time.sleep(0.2)


def _lake(operations: Operations, now: datetime) -> Iterator[Finding]:
    if not operations.lake.exists():
        yield Finding("contract", True, "nothing was collected yet; tankdrift nightly does, or tankdrift collect alone")
        return
    try:
        found = freshness(operations.lake, now=now, stale_after_hours=operations.stale_after_hours)
    except TankdriftError as error:
        yield Finding("contract", False, str(error), "run tankdrift collect; a table that no source tells is missing")
        return
    ahead = found.filter(found["state"] == "ahead")
    names = ", ".join(f"{row['site_id']} {row['tank_id'] or 'till'}" for row in ahead.head(3).iter_rows(named=True))
    if ahead.height:
        yield Finding(
            "clocks of sites", False, f"ahead of this machine: {names}", "set their clocks, or their timezone here"
        )
    else:
        yield Finding("clocks of sites", True, "none is ahead of this machine")
    stale = found.filter(found["state"].is_in(["stale", "silent"])).height
    how = "tankdrift watch says which; ask why they send nothing" if stale else None
    yield Finding("freshness", stale == 0, f"{stale} of {found.height} stale or silent", how)
    if (operations.out / FILE).is_file():
        yield _refused(operations)


def _refused(operations: Operations) -> Finding:
    try:
        with open_store(operations.out, read_only=True) as store:
            worst = store.query("ingest/quarantine_share").row(0, named=True)
    except TankdriftError as error:
        return Finding("contract", False, str(error), "wait until the other run is done")
    limit = operations.run.get("max_quarantine_pct", 5.0)
    share = worst["refused_pct"]
    mend = None if share <= limit else f"table quarantine in {operations.out / FILE} says which rows, and why"
    return Finding("contract", share <= limit, f"at most {share:.2g} % refused ({worst['table']})", mend)
