"""Looks over settings, secrets, connections, clocks, contract and space, and says how to mend what is not well."""

import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit
from urllib.request import urlopen

from pipeline.dry_run import KEYS, Limits, judged, known_ids, read_dry, told_otherwise, untold
from pipeline.errors import ArgumentError, TankdriftError
from pipeline.freshness import freshness
from pipeline.lake import find_parts, read_parts
from pipeline.messages.sending import is_address
from pipeline.messages.words import read_words
from pipeline.settings import settings_from
from pipeline.sources.config import ModbusConfig, OpcuaConfig, Operations, SourceConfig, SqlConfig, read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.secrets import hidden, in_short, looked_up
from pipeline.store import FILE, open_store

_BUILT: Final = datetime(2025, 1, 1, tzinfo=UTC)
"""No machine that runs this stands before it."""

_USUAL_LIMIT_PCT: Final = 5.0
"""More refused than this is told even where the settings allow more. No source."""


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
        return [Finding("settings", False, str(error), f"mend {config}; docs/settings.md has every key")]
    found = [Finding("settings", True, f"{config}, {len(operations.sources)} sources")]
    found += _places(operations)
    found += _clock(now)
    found += _sources(operations, now)
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


def _sources(operations: Operations, now: datetime) -> Iterator[Finding]:
    """Every source read dry; one that is not well has a finding for all that ails it."""
    settings = settings_from(operations.run)
    lake = Landing(operations.lake)
    runs = [read_dry(config, lake, now=now) for config in operations.sources if _missing_library(config) is None]
    known = known_ids(runs, {key: _known(operations.lake, table, key) for table, key in KEYS.items()})
    limits = Limits(
        min(settings.max_quarantine_pct, _USUAL_LIMIT_PCT),
        latest=now + timedelta(hours=settings.max_ahead_hours),
        earliest=now - timedelta(hours=operations.stale_after_hours),
    )
    done = {run.config.name: run for run in runs}
    for config in operations.sources:
        what, run = f"source {config.name}", done.get(config.name)
        if run is None:
            yield Finding(
                what, False, f"{_missing_library(config)} is not installed", "pip install 'tankdrift[sources]'"
            )
            continue
        ailments = [*run.ailments, *judged(run, known, limits), *told_otherwise(run, runs)]
        for said, mend in ailments:
            yield Finding(what, False, said, mend)
        if not ailments:
            yield Finding(what, True, f"{config.kind}, answers in {run.seconds:.1f} s: {run.said}")
    for table in untold(runs, lake):
        said = f"no source tells {table}, which a lake must have"
        yield Finding("contract", False, said, "add it to a source; where there are none, a file with its heading does")


def _missing_library(config: SourceConfig) -> str | None:
    wanted = None
    if isinstance(config, SqlConfig):
        wanted = f"adbc_driver_{config.driver}"
    elif isinstance(config, OpcuaConfig):
        wanted = "asyncua"
    elif isinstance(config, ModbusConfig):
        wanted = "pymodbus"
    return wanted if wanted is not None and find_spec(wanted) is None else None


def _secrets(operations: Operations) -> Iterator[Finding]:
    sites = _known(operations.lake, "sites", "site_id")
    yield from _heartbeat(operations)
    for recipient in operations.notices.to:
        what = f"notices to {recipient.role}"
        for trouble, more in _first(read_words(recipient.words)[1]):
            yield Finding(what, False, f"{trouble}{more}", "mend it; until then English stands for what is wrong in it")
        try:
            looked_up(recipient.url)
        except TankdriftError as error:
            yield Finding(what, False, str(error), "set the secret, or take the recipient out")
            continue
        told = f"{', '.join(recipient.at_once) or 'nothing'} at once; address by {recipient.url}"
        strangers = sorted(set(recipient.site_ids) - sites) if sites else []
        if not (recipient.at_once or recipient.digest or recipient.night):
            said = "it is never told: at_once, digest and night are all empty"
            yield Finding(what, False, said, "name urgencies in one, or news of the night")
        elif not is_address(recipient):
            yield Finding(what, False, f"{recipient.url} is no address that apprise knows", "see its list of addresses")
        elif strangers:
            yield Finding(what, False, f"the lake has no site {strangers[0]}", "mend site_ids of this recipient")
        elif recipient.quiet_from is not None:
            held = f"from {recipient.quiet_from} to {recipient.quiet_to} held until tankdrift notify runs afterwards"
            yield Finding(what, True, f"{told}; {held}")
        else:
            yield Finding(what, True, told)
    if operations.notices.to and not any("failed" in recipient.night for recipient in operations.notices.to):
        said = "nobody is told when a night fails"
        yield Finding("notices of the night", False, said, 'set night = ["failed", "late"] of who keeps it running')


def _heartbeat(operations: Operations) -> Iterator[Finding]:
    for reference in (operations.watch.heartbeat_url, operations.watch.heartbeat_fail_url):
        try:
            is_web = reference is None or looked_up(reference).startswith(("http://", "https://"))
        except TankdriftError as error:
            yield Finding("heartbeat", False, str(error), "set the secret, or take the setting out")
            continue
        if reference is not None:
            said = f"address by {reference}" if is_web else f"{reference} is no address"
            mend = None if is_web else "it begins with http:// or https://"
            yield Finding("heartbeat", is_web, said, mend)


def _first(lines: list[str]) -> list[tuple[str, str]]:
    """The first of some lines, with how many more there are; nothing where there is none."""
    return [(line, f" (and {len(lines) - 1} more)" if lines[1:] else "") for line in lines[:1]]


def _known(lake: Path, table: str, key: str) -> set[str]:
    """Sites, tanks or meters of the lake; none where it cannot be read, which another finding says."""
    try:
        return set(read_parts(lake, table, find_parts(lake, tables=[table]))[key].to_list())
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
            if not store.has_table("_parts"):
                said = "no night has taken in the lake yet"
                return Finding("contract", False, said, "run tankdrift nightly, and see what it says")
            worst = store.query("ingest/quarantine_share").row(0, named=True)
    except TankdriftError as error:
        return Finding("contract", False, str(error), "wait until the other run is done")
    limit = min(settings_from(operations.run).max_quarantine_pct, _USUAL_LIMIT_PCT)
    share = worst["refused_pct"]
    mend = None if share <= limit else f"table quarantine in {operations.out / FILE} says which rows, and why"
    return Finding("contract", share <= limit, f"at most {share:.2g} % refused ({worst['table']})", mend)
