"""Kind of evidence: known truth by construction. The catalogue's other half: types, units, files, a site's mistakes."""

import pytest

from tests.edges.test_catalogue import GROUPS, OF_CELLS
from tests.support.catalogue_page import PAGE, outcome_of

OTHERS = [name for name in GROUPS if name not in OF_CELLS]


@pytest.mark.parametrize("group", OTHERS)
def test_a_bad_file_or_unit_costs_what_the_page_says_and_nobody_else_anything(sound, group):
    told = outcome_of(group, sound)
    assert told.faults == ()
    assert told.line() in PAGE.read_text().splitlines()
