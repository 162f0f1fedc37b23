"""One tree of random numbers: every part of every site draws from a stream of its own.

A part keeps its draws whatever the other parts do, so a fleet with faults and the same fleet without them differ by
the faults alone.
"""

from __future__ import annotations

from enum import IntEnum
from zlib import crc32

import numpy as np


class Part(IntEnum):
    """What a stream is drawn for."""

    LAYOUT = 0
    TANKS = 1
    METERS = 2
    DEMAND = 3
    METER_NOISE = 4
    STOCK = 5
    TICKETS = 6
    LEVEL = 7
    TEMPERATURE = 8
    WATER = 9
    DENSITY = 10
    HISTORIAN = 11
    EVENTS = 12
    FAULTS = 13
    FAULT_DETAIL = 14
    HAULIERS = 15
    CHART = 16
    LAWS = 17


def stream(seed: int, part: Part, *keys: int) -> np.random.Generator:
    """Return the generator of one part; `keys` name the site, tank or fault that it belongs to."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(int(part), *keys)))


def named_stream(seed: int, *keys: str | int) -> np.random.Generator:
    """Return the generator of a family's law, by names and numbers; no part of the plain simulator shares it."""
    numbers = (crc32(key.encode()) if isinstance(key, str) else key for key in keys)
    return stream(seed, Part.LAWS, *numbers)
