"""Kind of evidence: a published checker, axe-core (Deque Systems, MPL 2.0; WCAG 2 A and AA), on each kind of page."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.support.browser import opened

GRAVE = {"serious", "critical"}
FEW = 2
"""Pages of a folder that stand for all of it: they are made from one template."""


def kinds_of(report):
    """One page of each kind: those at the top, and some of each folder."""
    pages = sorted(report.glob("*.html"))
    for folder in sorted({page.parent for page in report.glob("*/*.html")}):
        pages += sorted(folder.glob("*.html"))[:FEW]
    return pages


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_finding(report, browser, scheme):
    pages = kinds_of(report)
    assert len(pages) > 10
    grave = {}
    for path in pages:
        with opened(browser, path, bypass_csp=True, color_scheme=scheme) as page:
            found = Axe().run(page, options={"preload": False}).response["violations"]
        named = [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in found if one["impact"] in GRAVE]
        if named:
            grave[str(path.relative_to(report))] = named
    assert grave == {}
