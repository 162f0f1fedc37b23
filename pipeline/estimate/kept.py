"""Results of past days that are kept, each found again by the content of all that it was computed from.

Nothing is ever declared invalid: late or corrected rows, or another chart, are other content and so another key, and
what was kept under the old one is found no more. What a run neither finds nor makes, it does not keep.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Generic, TypeVar

import numpy as np

T = TypeVar("T")

KEY_BYTES = 16
"""Two contents with one key are then less likely than a broken memory."""


class Digest:
    """A running hash of values, by type, shape and every bit; NaN equals itself, and 0.0 is not -0.0."""

    def __init__(self, *values: object) -> None:
        self._hash = hashlib.blake2b(digest_size=KEY_BYTES)
        self.add(*values)

    def add(self, *values: object) -> Digest:
        """Takes in arrays, numbers, words, None, and tuples, lists, mappings and dataclasses of them.

        Raises
        ------
        TypeError
            If a value is of another kind.
        """
        for value in values:
            self._add(value)
        return self

    def _add(self, value: Any) -> None:
        if isinstance(value, np.ndarray):
            if value.dtype.hasobject:
                raise TypeError("an array of objects has no content of its own")
            self._hash.update(f"a{value.dtype.str}{value.shape};".encode())
            self._hash.update(np.ascontiguousarray(value).data)
        elif isinstance(value, np.generic):
            self._add(np.asarray(value))
        elif value is None or isinstance(value, (bool, int, float)):
            said = value.hex() if isinstance(value, float) else repr(value)
            self._hash.update(f"{type(value).__name__[0]}{said};".encode())
        elif isinstance(value, str):
            self._hash.update(f"s{len(value.encode())};{value}".encode())
        else:
            self._add_parts(value)

    def _add_parts(self, value: Any) -> None:
        parts: list[tuple[Any, Any]]
        if is_dataclass(value):
            parts = [(one.name, getattr(value, one.name)) for one in fields(value)]
        elif isinstance(value, Mapping):
            parts = list(value.items())
        elif isinstance(value, (tuple, list)):
            parts = [(None, one) for one in value]
        else:
            raise TypeError(f"a {type(value).__name__} has no key")
        self._hash.update(f"{type(value).__name__}{len(parts)};".encode())
        for name, part in parts:
            self.add(name, part)

    @property
    def key(self) -> str:
        """The hash of all that was taken in so far."""
        return self._hash.hexdigest()


def key_of(*values: object) -> str:
    """The key of what is computed from some values."""
    return Digest(*values).key


class Shelf(Generic[T]):
    """Results of one kind by their keys: what was kept, and in `used` what this run found or made."""

    def __init__(self, kept: Mapping[str, T] | None = None) -> None:
        self._kept = kept or {}
        self.used: dict[str, T] = {}
        self.made = 0

    def of(self, key: str, make: Callable[[], T]) -> T:
        """What was kept under a key, or else what is made now."""
        if key not in self.used:
            is_kept = key in self._kept
            self.made += not is_kept
            self.used[key] = self._kept[key] if is_kept else make()
        return self.used[key]
