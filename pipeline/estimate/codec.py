"""Frozen dataclasses of arrays, numbers and words as JSON and one run of bytes, and back by their annotations.

Arrays come back bit for bit, in the order in which they lay: what is multiplied with them comes out the same. Floats go
through JSON by their shortest name, which is exact.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

T = TypeVar("T")
Bytes = bytes | memoryview


def packed(value: object) -> tuple[str, list[Bytes]]:
    """A value as JSON, and the bytes of its arrays, which are to stand one after the other; none is copied.

    Raises
    ------
    TypeError
        If it holds something else than dataclasses, arrays, numbers, words, None, and collections of them.
    """
    parts: list[Bytes] = []
    told = _told(value, parts, [0])
    return json.dumps(told, separators=(",", ":")), parts


def _told(value: Any, parts: list[Bytes], size: list[int]) -> Any:
    if isinstance(value, np.ndarray):
        return _array_told(value, parts, size)
    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, np.generic):
        return _told(value.item(), parts, size)
    if is_dataclass(value):
        return [_told(getattr(value, one.name), parts, size) for one in fields(value)]
    if isinstance(value, (tuple, list)):
        return [_told(one, parts, size) for one in value]
    if isinstance(value, (set, frozenset)):
        return [_told(one, parts, size) for one in sorted(value)]
    if isinstance(value, dict) and all(isinstance(name, str) for name in value):
        return {name: _told(one, parts, size) for name, one in value.items()}
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def _array_told(value: np.ndarray[Any, Any], parts: list[Bytes], size: list[int]) -> list[Any]:
    if value.dtype.hasobject:
        raise TypeError("an array of objects cannot be kept")
    by_columns = value.flags.f_contiguous and not value.flags.c_contiguous
    lying = np.ascontiguousarray(value.T if by_columns else value)
    parts.append(lying.data.cast("B") if lying.size else b"")
    start = size[0]
    size[0] += lying.nbytes
    return [value.dtype.str, list(value.shape), "F" if by_columns else "C", start]


def unpacked(kind: type[T], text: str, data: Bytes) -> T:
    """The value of a kind that was packed as `text` and `data`, the bytes of its arrays.

    Raises
    ------
    ValueError
        If text or bytes are not what that kind is packed as.
    """
    try:
        found: T = _reader(kind)(json.loads(text), data)
    except (TypeError, KeyError, IndexError, AttributeError) as error:
        raise ValueError(f"not a {kind.__name__}: {error}") from error
    return found


Reader = Callable[[Any, Bytes], Any]


def _reader(kind: Any) -> Reader:
    """What brings back a value of an annotated kind."""
    origin, args = get_origin(kind), get_args(kind)
    if origin is np.ndarray:
        return _array
    if origin in (Union, UnionType):
        (wanted,) = (_reader(one) for one in args if one is not NoneType)
        return lambda told, data: None if told is None else wanted(told, data)
    if origin is tuple and args[-1] is not Ellipsis:
        parts = [_reader(one) for one in args]
        return lambda told, data: tuple(read(one, data) for read, one in zip(parts, told, strict=True))
    if origin in (list, set, tuple):
        each = _reader(args[0])
        return lambda told, data: origin(each(one, data) for one in told)
    if origin is dict:
        value = _reader(args[1])
        return lambda told, data: {name: value(one, data) for name, one in told.items()}
    return _dataclass(kind) if is_dataclass(kind) else _plain(kind)


def _dataclass(kind: Any) -> Reader:
    hints = get_type_hints(kind)
    names = [one.name for one in fields(kind)]
    parts = [_reader(hints[name]) for name in names]

    def read(told: Any, data: Bytes) -> Any:
        return kind(**{name: part(one, data) for name, part, one in zip(names, parts, told, strict=True)})

    return read


def _plain(kind: Any) -> Reader:
    """Of a number or words as they stand; what says which words it may be is taken at its word."""
    allowed = {float: (float, int)}.get(kind, (kind,))

    def read(told: Any, data: Bytes) -> Any:
        if get_origin(kind) is None and type(told) not in allowed:
            raise TypeError(f"{told!r} is no {kind.__name__}")
        return told

    return read


def _array(told: Any, data: Bytes) -> Any:
    dtype, shape, order, start = told
    count = int(np.prod(shape, dtype=np.int64))
    if not count:
        return np.empty(shape, dtype)
    return np.frombuffer(data, dtype, count, start).reshape(shape, order=order).copy(order)
