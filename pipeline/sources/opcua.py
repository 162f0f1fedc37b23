"""OPC UA historical access: raw values of nodes, page by page, with their status codes.

Servers have been seen to leave out a boundary value between two windows, and to stop at a limit of their own without a
word. So pages overlap: each begins at the last instant of the one before, and doubles are taken out afterwards.
"""

import asyncio
import logging
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from pipeline.errors import SourceDownError, SourceError
from pipeline.sources.config import OpcuaConfig
from pipeline.sources.opcua_security import secure, why_refused
from pipeline.sources.secrets import in_short, looked_up
from pipeline.sources.source import Fetched, in_window
from pipeline.sources.table_config import Tag
from pipeline.sources.tag_map import tags_of
from pipeline.sources.tags import VALUES, from_tags, opc_ua_quality

if TYPE_CHECKING:
    from asyncua.client.client import Client
    from asyncua.common.node import Node

_LOG = logging.getLogger("tankdrift.sources")

_HISTORY_READ: Final = 4
"""Bit of AccessLevel (OPC 10000-3, 8.57)."""

_TICK: Final = timedelta(microseconds=1)


@dataclass(frozen=True)
class OpcuaSource:
    """Nodes of an OPC UA server that keeps their history."""

    config: OpcuaConfig

    @property
    def name(self) -> str:
        """See `Source`."""
        return self.config.name

    @property
    def tags(self) -> Sequence[Tag]:
        """What its nodes are."""
        return tags_of(self.config.tags, self.config.tag_file)

    @property
    def tables(self) -> Sequence[str]:
        """See `Source`."""
        return sorted({tag.table for tag in self.tags}, reverse=True)

    def fetch(self, table: str, start: datetime, end: datetime) -> Fetched:
        """See `Source`; a connection that breaks is made again, and the tag that it was at is read again."""
        wanted = [tag for tag in self.tags if tag.table == table]
        early = start - timedelta(seconds=self.config.hold_s)
        values, missed = asyncio.run(_read_all(self.config, wanted, early, end))
        found = from_tags(table, values, self.tags, hold_s=self.config.hold_s)
        return Fetched(in_window(found.rows, "ts", start, end), found.refused, missed=missed)

    def first(self, table: str, start: datetime, end: datetime) -> datetime | None:
        """See `Historian`; what ails a node is told when it is read."""
        wanted = [tag for tag in self.tags if tag.table == table]
        return asyncio.run(_first(self.config, wanted, start, end))

    def check(self) -> None:
        """See `Source`."""
        asyncio.run(_check(self.config, self.tags))


async def _read_all(
    config: OpcuaConfig, tags: Sequence[Tag], start: datetime, end: datetime
) -> tuple[pl.DataFrame, str | None]:
    """Values of the tags, and a line about those that the server does not know or keeps no history of."""
    parts = [VALUES.to_frame()]
    missed: list[str] = []
    left = list(tags)
    tries = 0
    while left:
        try:
            async with await _client(config) as client:
                while left:
                    trouble: SourceError | None = None
                    try:
                        parts.append(await _history(client, config, left[0].tag, start, end))
                    except SourceError as error:
                        trouble = error
                    if trouble is None and parts[-1].is_empty():
                        trouble = await _why_empty(client, config, left[0].tag)
                    missed += [] if trouble is None else [str(trouble)]
                    left.pop(0)
                    tries = 0
        except _broken() as error:
            tries += 1
            if tries > config.retries or isinstance(error, _refusals()):
                raise await _trouble(config, error) from error
            of = {"stage": "collect", "source": config.name}
            _LOG.info("%s: connection lost, trying again", config.name, extra=of)
            await asyncio.sleep(config.retry_wait_s * tries)
    more = f" (and {len(missed) - 1} more nodes)" if len(missed) > 1 else ""
    return pl.concat(parts), missed[0] + more if missed else None


def _node(client: "Client", config: OpcuaConfig, tag: str) -> "Node":
    from asyncua.ua.uaerrors import UaError

    try:
        return client.get_node(tag)
    except UaError as error:
        raise SourceError(
            f"{config.name}: tag {tag} is no identifier of a node", mend="write it as in ns=2;s=LEVEL"
        ) from error


async def _why_empty(client: "Client", config: OpcuaConfig, tag: str) -> SourceError | None:
    """What ails a node that can never tell a history; None where it only had nothing to tell."""
    from asyncua.ua.attribute_ids import AttributeIds
    from asyncua.ua.uaerrors import UaStatusCodeError

    try:
        level = await _node(client, config, tag).read_attribute(AttributeIds.AccessLevel)
    except SourceError as error:
        return error
    except UaStatusCodeError as error:
        return SourceError(f"{config.name}: node {tag}: {in_short(error)}", mend="mend the tag map")
    if level.Value is not None and not level.Value.Value & _HISTORY_READ:
        said = f"{config.name}: node {tag} keeps no history that this user may read"
        return SourceError(said, mend="switch it on in the server")
    return None


def _broken() -> tuple[type[BaseException], ...]:
    from asyncua.ua.uaerrors import UaError

    return (ConnectionError, TimeoutError, OSError, UaError)


def _refusals() -> tuple[type[BaseException], ...]:
    """What a server answers to a user or password that it does not know: to ask again is of no use."""
    from asyncua.ua import uaerrors

    return (uaerrors.BadUserAccessDenied, uaerrors.BadIdentityTokenRejected, uaerrors.BadIdentityTokenInvalid)


async def _trouble(config: OpcuaConfig, error: BaseException) -> SourceError:
    """What went wrong with a connection, and how to mend it where that can be told."""
    from asyncua.ua.uaerrors import UaError

    if isinstance(error, _refusals()):
        who = "whoever gives no user" if config.user is None else f"user {config.user}"
        return SourceError(f"{config.name}: the OPC UA server refuses {who}", mend="see user and password")
    is_there = not isinstance(error, ConnectionRefusedError)
    told = await why_refused(config) if is_there and (config.policy != "None" or isinstance(error, UaError)) else None
    said = f"{config.name}: the OPC UA server says {in_short(error)}"
    return told or SourceError(said, mend="see address, and whether the server runs")


async def _client(config: OpcuaConfig) -> "Client":
    try:
        from asyncua.client.client import Client
    except ImportError as error:
        raise SourceError(f"{config.name}: OPC UA needs more", mend="pip install 'tankdrift[sources]'") from error
    client = Client(looked_up(config.address), timeout=config.timeout_s)
    if config.user is not None:
        client.set_user(config.user)
    if config.password is not None:
        client.set_password(looked_up(config.password))
    await secure(client, config)
    return client


async def _history(client: "Client", config: OpcuaConfig, tag: str, start: datetime, end: datetime) -> pl.DataFrame:
    from asyncua.ua.uaerrors import UaStatusCodeError

    node = _node(client, config, tag)
    found: dict[tuple[datetime, float | None, int], None] = {}
    at = start
    while at < end:
        try:
            page = await node.read_raw_history(at, end, numvalues=config.values_a_request, return_bounds=False)
        except UaStatusCodeError as error:
            raise SourceError(f"{config.name}: node {tag}: {in_short(error)}", mend="mend the tag map") from error
        before = len(found)
        found.update(dict.fromkeys(told for value in page if (told := _told(value)) is not None))
        last = max((told[0] for told in list(found)[before:]), default=None)
        if last is None or (len(found) == before):
            break
        # Nothing new after the last instant that is known: the next page would be empty.
        at = last if last > at else at + _TICK
    return pl.DataFrame(
        [(tag, ts, value, opc_ua_quality(status)) for ts, value, status in found], schema=VALUES, orient="row"
    )


async def _first(config: OpcuaConfig, tags: Sequence[Tag], start: datetime, end: datetime) -> datetime | None:
    from asyncua.ua.uaerrors import UaStatusCodeError

    found: list[datetime] = []
    try:
        async with await _client(config) as client:
            for tag in tags:
                with suppress(SourceError, UaStatusCodeError):
                    node = _node(client, config, tag.tag)
                    page = await node.read_raw_history(start, end, numvalues=1, return_bounds=False)
                    told = [_told(value) for value in page]
                    found += [start if one is None else one[0] for one in told]
    except _broken() as error:
        trouble = await _trouble(config, error)
        is_final = isinstance(error, _refusals())
        raise (trouble if is_final else SourceDownError(trouble.said, mend=trouble.mend)) from error
    return min(found, default=None)


def _told(value: Any) -> tuple[datetime, float | None, int] | None:
    """Instant, value and status of a value; None for a bound that the server made up."""
    ts = value.SourceTimestamp or value.ServerTimestamp
    if ts is None:
        return None
    ts = ts.replace(tzinfo=UTC) if ts.tzinfo is None else ts.astimezone(UTC)
    status = int(value.StatusCode.value) if value.StatusCode is not None else 0
    number = value.Value.Value if value.Value is not None else None
    known = float(number) if isinstance(number, int | float) and number == number else None
    return ts, known, status


async def _check(config: OpcuaConfig, tags: Sequence[Tag]) -> None:
    try:
        async with await _client(config) as client:
            for tag in tags:
                trouble = await _why_empty(client, config, tag.tag)
                if trouble is not None:
                    raise trouble
    except _broken() as error:
        raise await _trouble(config, error) from error
