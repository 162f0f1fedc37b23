"""Keys of contents and what is found by them. Evidence: property, for values that Hypothesis draws; round trips."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as drawn
from numpy.typing import NDArray

from pipeline.estimate.codec import packed, unpacked
from pipeline.estimate.kept import Digest, Shelf, key_of

ARRAYS = drawn.arrays(np.float64, drawn.array_shapes(max_dims=2, max_side=6), elements=st.floats(width=64))
PLAIN = st.one_of(st.none(), st.booleans(), st.integers(-9, 9), st.floats(), st.text(max_size=4))


@given(ARRAYS, st.data())
def test_one_changed_bit_is_another_key(values, data):
    place = data.draw(st.integers(0, values.nbytes - 1))
    bit = data.draw(st.integers(0, 7))
    changed = values.copy()
    changed.view(np.uint8).reshape(-1)[place] ^= 1 << bit
    assert key_of(values) == key_of(values.copy())
    assert key_of(values) != key_of(changed)


@given(PLAIN, PLAIN)
def test_plain_values_have_one_key_where_they_are_one(one, other):
    is_same = type(one) is type(other) and repr(one) == repr(other)
    assert (key_of(one) == key_of(other)) is is_same


@given(st.lists(st.lists(PLAIN, max_size=3), max_size=3), st.lists(st.lists(PLAIN, max_size=3), max_size=3))
def test_what_is_nested_otherwise_is_another_content(one, other):
    assert (key_of(one) == key_of(other)) is (repr(one) == repr(other))


def test_a_key_knows_shape_type_and_where_one_value_ends():
    zeros = np.zeros(6)
    different = [zeros, zeros.reshape(2, 3), zeros.reshape(3, 2), zeros.astype(np.float32), zeros.astype(np.int64)]
    different += [-zeros, [zeros], (zeros[:3], zeros[3:])]
    assert len({key_of(one) for one in different}) == len(different)
    assert key_of("ab", "c") != key_of("a", "bc")
    assert key_of({"a": 1}) != key_of({"b": 1})
    assert key_of(zeros[::2]) == key_of(np.zeros(3)), "how it lies is no content"


def test_what_has_no_content_of_its_own_has_no_key():
    for value in (object(), {1}, np.array([object()])):
        with pytest.raises(TypeError):
            key_of(value)


def test_a_running_hash_is_that_of_all_so_far():
    running, keys = Digest("head"), []
    for number in range(3):
        keys.append(running.add(number).key)
    assert keys == [key_of("head", 0), key_of("head", 0, 1), key_of("head", 0, 1, 2)]


def test_a_shelf_gives_what_was_kept_and_keeps_only_what_was_asked_for():
    shelf = Shelf({"a": 1, "old": 2})
    assert [shelf.of("a", lambda: 7), shelf.of("b", lambda: 8), shelf.of("b", lambda: 9)] == [1, 8, 8]
    assert shelf.used == {"a": 1, "b": 8}


@dataclass(frozen=True)
class Part:
    name: str
    size: float
    flag: bool = True


@dataclass(frozen=True)
class Whole:
    rows: NDArray[np.float64]
    flags: NDArray[np.bool_]
    part: Part | None
    pairs: list[tuple[int, float]]
    numbers: tuple[int, ...]
    by_name: dict[str, Part]
    chosen: set[int]
    word: Literal["start", "end"]


def there_and_back(whole: Whole) -> Whole:
    text, parts = packed(whole)
    return unpacked(Whole, text, b"".join(parts))


ROW = {"part": None, "numbers": (), "chosen": set(), "word": "end"}


@given(ARRAYS, st.floats(), st.text(max_size=5), st.lists(st.tuples(st.integers(), st.floats()), max_size=3))
def test_what_is_packed_comes_back_to_the_bit(rows, size, name, pairs):
    part = Part(name, size)
    whole = Whole(rows, rows > 0.5, part, pairs, (3, 1), {name: part, "": Part("", np.inf, False)}, {4, 2}, "start")
    back = there_and_back(whole)
    assert repr(back) == repr(whole)
    assert back.rows.tobytes() == rows.tobytes()
    assert back.rows.flags.writeable


def test_an_array_lies_as_it_lay():
    rows = np.arange(12.0).reshape(3, 4)
    whole = Whole(np.asfortranarray(rows), rows[:, ::2] > 3.0, pairs=[], by_name={}, **ROW)
    back = there_and_back(whole)
    assert back.rows.flags.f_contiguous and not back.rows.flags.c_contiguous
    assert np.array_equal(back.rows, rows) and np.array_equal(back.flags, rows[:, ::2] > 3.0)
    empty = replace(whole, rows=np.zeros((0, 5)))
    assert there_and_back(empty).rows.shape == (0, 5)


@pytest.mark.parametrize("text", ["", "{", "[]", "7", "null", "[1,2,3,4,5,6,7,8]", '{"rows":[]}'])
def test_what_is_no_such_value_is_refused(text):
    with pytest.raises(ValueError):
        unpacked(Whole, text, b"")


def test_an_array_whose_bytes_are_missing_is_refused():
    whole = Whole(np.arange(5.0), np.zeros(1, dtype=bool), pairs=[], by_name={}, **ROW)
    text, parts = packed(whole)
    with pytest.raises(ValueError):
        unpacked(Whole, text, b"".join(parts)[:-2])


@pytest.mark.parametrize("value", [object(), np.array([object()]), {1: "a"}])
def test_what_cannot_be_kept_is_refused_at_once(value):
    with pytest.raises(TypeError):
        packed([value])
