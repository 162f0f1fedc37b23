"""What the tests of a lake's edges share."""

import pytest

from pipeline.store import open_store


@pytest.fixture
def refused_of():
    """How many rows a run refused, by table and reason."""

    def count(out):
        with open_store(out, read_only=True) as store:
            found = store.table("quarantine").group_by("table", "reason").len()
        return {(table, reason): n for table, reason, n in found.iter_rows()}

    return count
