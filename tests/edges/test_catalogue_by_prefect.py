"""Kind of evidence: known truth by construction. One bad lake of each kind comes to the same end through Prefect."""

import json
import subprocess
import sys

import pytest

from tests.edges.test_catalogue import GROUPS
from tests.support.runs import ROOT

HALVES = 2


@pytest.mark.parametrize("half", range(HALVES))
def test_a_bad_lake_through_prefect_costs_nobody_else_anything_either(half):
    command = [sys.executable, "-m", "tests.support.by_prefect", str(half), str(HALVES)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == len(range(half, len(GROUPS), HALVES)) > 50
    assert [one for one in told if one[1]] == []
