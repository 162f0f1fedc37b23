"""A probe or controller that is asked over Modbus TCP, for sites with no historian: it tells what is, not what was."""

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from pipeline.errors import SourceError
from pipeline.sources.config import ModbusConfig
from pipeline.sources.source import Fetched, nothing
from pipeline.sources.table_config import Register, Tag
from pipeline.sources.tags import VALUES, from_tags

if TYPE_CHECKING:
    from pymodbus.client import ModbusTcpClient

_WORDS: Final = {"uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2, "float64": 4}
_MOST_WORDS: Final = 125
"""Registers in one answer at most (Modbus Application Protocol V1.1b3, 6.3)."""
_DECIMALS: Final = 9
"""A scaled count is rounded so far: 3 × 0.1 is 0.3."""

Answer = tuple[str, datetime, float | None, str]
"""A register's number, the instant, the value and its quality."""


@dataclass(frozen=True)
class ModbusSource:
    """Registers of Modbus devices behind one address."""

    config: ModbusConfig

    @property
    def name(self) -> str:
        """See `Source`."""
        return self.config.name

    @property
    def tables(self) -> Sequence[str]:
        """See `Source`."""
        return sorted({register.table for register in self.config.registers}, reverse=True)

    def fetch(self, table: str, start: datetime, end: datetime) -> Fetched:
        """See `Source`: no row, for a device keeps no past; `tankdrift record` asks it as time goes by."""
        return nothing(table)

    @contextmanager
    def opened(self) -> Iterator["ModbusTcpClient"]:
        """A connection to the device.

        Raises
        ------
        SourceError
            If the device does not answer.
        """
        try:
            from pymodbus.client import ModbusTcpClient
        except ImportError as error:
            raise SourceError(f"{self.name}: Modbus needs more", mend="pip install 'tankdrift[sources]'") from error
        client = ModbusTcpClient(self.config.host, port=self.config.port, timeout=self.config.timeout_s)
        try:
            if not client.connect():  # type: ignore[no-untyped-call]
                raise SourceError(
                    f"{self.name}: nobody answers at {self.config.host}:{self.config.port}", mend="see host and port"
                )
            yield client
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def ask(self, client: "ModbusTcpClient", ts: datetime) -> list[Answer]:
        """What each register says at the instant `ts`.

        A register that the device refuses, or that holds the value by which it says that it knows none, gives a value
        of bad quality that is null.

        Raises
        ------
        SourceError
            If the connection is lost.
        """
        read = _read_blocks(client, self.config.registers, self.name)
        return [(str(n), ts, value, "bad" if value is None else "good") for n, value in enumerate(read)]

    def rows(self, answers: Sequence[Answer]) -> dict[str, Fetched]:
        """Answers as rows of the contract, by table."""
        values = pl.DataFrame(answers, schema=VALUES, orient="row")
        tags = [
            Tag(tag=str(n), **register.model_dump(include={"column", "tank_id", "meter_id", "unit"}))
            for n, register in enumerate(self.config.registers)
        ]
        return {table: from_tags(table, values, tags) for table in self.tables}

    def check(self) -> None:
        """See `Source`."""
        with self.opened() as client:
            _read_blocks(client, self.config.registers, self.name)


def _read_blocks(client: "ModbusTcpClient", registers: Sequence[Register], name: str) -> list[float | None]:
    """Each register's value, in their order; neighbours are asked for together, and alone where that is refused."""
    found: dict[int, float | None] = {}
    for block in _blocks(registers):
        words = _words(client, registers[block[0]], _span(registers, block), name)
        for n in block:
            one = registers[n]
            own = words or _words(client, one, _WORDS[one.type], name)
            at = one.address - registers[block[0]].address if words else 0
            found[n] = _value(client, one, own[at : at + _WORDS[one.type]]) if own else None
    return [found[n] for n in range(len(registers))]


def _blocks(registers: Sequence[Register]) -> list[list[int]]:
    """Numbers of registers that can be asked for at once: of one kind and device, without a gap between them."""
    blocks: list[list[int]] = []
    for n in sorted(range(len(registers)), key=lambda n: (_where(registers[n]), registers[n].address)):
        one = registers[n]
        if blocks:
            first = registers[blocks[-1][0]]
            end = first.address + _span(registers, blocks[-1])
            fits = one.address + _WORDS[one.type] - first.address <= _MOST_WORDS
            if _where(first) == _where(one) and one.address <= end and fits:
                blocks[-1].append(n)
                continue
        blocks.append([n])
    return blocks


def _where(register: Register) -> tuple[int, str]:
    return register.device_id, register.kind


def _span(registers: Sequence[Register], block: Sequence[int]) -> int:
    end = max(registers[n].address + _WORDS[registers[n].type] for n in block)
    return end - registers[block[0]].address


def _words(client: "ModbusTcpClient", first: Register, count: int, name: str) -> list[int]:
    """Registers from the first on; none where the device refuses."""
    from pymodbus.exceptions import ModbusException

    read = client.read_holding_registers if first.kind == "holding" else client.read_input_registers
    try:
        answer: Any = read(first.address, count=count, device_id=first.device_id)
    except (ModbusException, OSError) as error:
        raise SourceError(f"{name}: connection lost at register {first.address}") from error
    return [] if answer.isError() else list(answer.registers)


def _value(client: "ModbusTcpClient", register: Register, words: Sequence[int]) -> float | None:
    kind = client.DATATYPE[register.type.upper()]
    number = client.convert_from_registers(words, kind, word_order=register.word_order)
    if not isinstance(number, int | float) or not math.isfinite(number) or number == register.bad_value:
        return None
    return number if register.scale == 1.0 else round(number * register.scale, _DECIMALS)
