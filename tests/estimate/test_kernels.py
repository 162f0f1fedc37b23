"""The compiled loops against the same Kalman filter in whole matrices. Evidence: naive twin."""

import numpy as np
import pytest

from pipeline.estimate.kernels import innovations, kalman_gains

NOISES, DIPS, STATES, COLUMNS = 2, 12, 7, 3
RATE, SLOW = 3, 2


@pytest.fixture(scope="module")
def parts():
    """Fading, carrying, seeing and growing of states; at some dips nothing carries."""
    rng = np.random.default_rng(9)
    keep = rng.uniform(0.4, 1.0, (NOISES, DIPS, STATES))
    carry = rng.uniform(0.0, 5.0, DIPS) * (np.arange(DIPS) % 3 > 0)
    seen = rng.uniform(0.0, 2.0, (NOISES, DIPS, STATES))
    added = np.concatenate([rng.uniform(0.1, 1.0, (NOISES, DIPS, STATES + 2))], axis=2)
    added[..., STATES] = 0.05
    first = np.stack([np.diag(rng.uniform(0.5, 9.0, STATES)) for _ in range(NOISES)])
    first[:, SLOW, RATE] = first[:, RATE, SLOW] = 0.2
    return keep, carry, seen, added, first


def moved_by(keep: np.ndarray, carry: float) -> np.ndarray:
    """What the states become: each fades, and what state 3 was before is carried into state 2."""
    matrix = np.diag(keep)
    matrix[SLOW, RATE] = carry
    return matrix


def twin(parts, one: int):
    """Gains and SDs of the innovations by the textbook's matrices."""
    keep, carry, seen, added, first = parts
    cov, gains, sds = first[one].copy(), [], []
    for dip in range(DIPS):
        grow = np.diag(added[one, dip, :STATES])
        grow[SLOW, RATE] = grow[RATE, SLOW] = added[one, dip, STATES]
        matrix = moved_by(keep[one, dip], carry[dip])
        cov = matrix @ cov @ matrix.T + grow
        shown = cov @ seen[one, dip]
        total = float(seen[one, dip] @ shown) + added[one, dip, STATES + 1]
        gains.append(shown / total)
        sds.append(np.sqrt(total))
        cov = cov - np.outer(gains[-1], shown)
    return np.array(gains), np.array(sds)


def test_gains_are_the_textbook_s(parts):
    gain, sd = kalman_gains(*parts)
    for one in range(NOISES):
        gains, sds = twin(parts, one)
        np.testing.assert_allclose(gain[one], gains, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(sd[one], sds, rtol=1e-9)


def test_innovations_are_what_the_states_did_not_foretell(parts):
    keep, carry, seen, _, _ = parts
    gain, sd = kalman_gains(*parts)
    columns = np.random.default_rng(2).normal(size=(DIPS, COLUMNS))
    left = np.random.default_rng(3).normal(size=(NOISES, STATES, COLUMNS))
    begun = left.copy()
    rows = innovations(columns, keep, carry, seen, gain, sd, left)
    for one in range(NOISES):
        for column in range(COLUMNS):
            state = begun[one, :, column]
            for dip in range(DIPS):
                state = moved_by(keep[one, dip], carry[dip]) @ state
                away = columns[dip, column] - seen[one, dip] @ state
                state = state + gain[one, dip] * away
                assert rows[one, dip, column] == pytest.approx(away / sd[one, dip], rel=1e-9, abs=1e-12)
            np.testing.assert_allclose(left[one, :, column], state, rtol=1e-9, atol=1e-12)
