"""Kind of evidence: known truth by construction. The catalogue's first half: wrong values in cells."""

from collections import Counter

import pytest

from tests.support.catalogue_page import PAGE, head, outcome_of
from tests.support.lake_catalogue import catalogue
from tests.support.lake_verdicts import groups

GROUPS = groups(catalogue())
OF_CELLS = [name for name in GROUPS if name.endswith((" once", " throughout"))]


@pytest.mark.parametrize("group", OF_CELLS)
def test_a_wrong_value_costs_what_the_page_says_and_nobody_else_anything(sound, group):
    told = outcome_of(group, sound)
    assert told.faults == ()
    assert told.line() in PAGE.read_text().splitlines()


def test_the_catalogue_is_large_tells_its_kinds_apart_and_has_a_row_each_on_its_page():
    names = Counter(kind.name for kind in catalogue())
    assert set(names.values()) == {1}
    assert len(names) >= 1500
    page = PAGE.read_text()
    assert page.startswith(head())
    assert [line.split(" | ")[0] for line in page[len(head()) :].splitlines()] == [f"| {group}" for group in GROUPS]
