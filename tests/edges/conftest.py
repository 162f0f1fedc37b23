"""What the tests of bad lakes go by."""

import pytest

from tests.support.catalogue_page import right_site


@pytest.fixture(scope="module")
def sound():
    """What a run over a right lake says of its second site."""
    found = right_site()
    assert len(found["tank_days"]) >= 3
    return found
