"""Kind of evidence: contract. A night killed at any moment and run again leaves what one never killed leaves."""

import random

from tests.support.kills import NIGHTS, KilledNights

KILLS = 20


def test_twenty_nights_killed_at_random_moments_and_run_again_end_as_if_never_killed(tmp_path):
    """First nights and second ones in turn; `tests.benchmarks.kills` does it a thousand times."""
    nights, rng = KilledNights(tmp_path), random.Random(20)
    ends = [nights.once(number % NIGHTS, rng) for number in range(KILLS)]
    nights.close()
    assert [unlike for _, unlike in ends if unlike] == []
    assert sum(is_at_work for is_at_work, _ in ends) >= KILLS // 2
