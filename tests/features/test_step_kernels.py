"""The compiled loop over a unit's steps. Evidence: naive twin from the definition."""

import numpy as np

from pipeline.features.kernels import differences

SIDE, FEW = 4, 2
WIDTHS = (1, 3, 8)


def twin(moved, rest, block, width: int, place: int):
    """Litres from one place to `width` steps on, whether that was at rest, and the last step that it took."""
    size = len(moved)
    after = [step for step in range(place + width, place + width + SIDE) if step < size]
    is_few = FEW <= len(after) < SIDE
    after = after[:FEW] if is_few else after
    before = [step for step in range(place - SIDE + 1, place + 1) if step >= 0]
    spanned = range(before[0], after[-1] + 1)
    quiet = all(rest[step] for step in spanned)
    whole = len(before) == SIDE and (len(after) == SIDE or (is_few and quiet))
    if not whole or block[after[-1]] != block[before[0]]:
        return np.nan, quiet, after[-1]
    return moved[after].mean() - moved[before].mean(), quiet, after[-1]


def test_differences_are_those_of_the_definition():
    rng = np.random.default_rng(11)
    size = 60
    moved = np.cumsum(rng.normal(0.0, 3.0, size))
    rest = rng.uniform(size=size) > 0.1
    rest[-12:] = True
    block = np.cumsum(np.arange(size) == 33)
    litres, quiet, last = differences(moved, rest, block, np.array(WIDTHS), (SIDE, FEW))
    assert litres.shape == quiet.shape == last.shape == (len(WIDTHS), size)
    for number, width in enumerate(WIDTHS):
        for place in range(size - width):
            expected = twin(moved, rest, block, width, place)
            ours = litres[number, place], quiet[number, place], last[number, place]
            np.testing.assert_allclose(ours, expected, rtol=1e-9)
        assert np.isnan(litres[number, size - width :]).all()
    assert np.isfinite(litres).sum() > 100


def test_fewer_steps_than_a_side_say_nothing():
    none = differences(np.zeros(3), np.ones(3, bool), np.zeros(3, np.int64), np.array(WIDTHS), (SIDE, FEW))
    assert np.isnan(none[0]).all()
