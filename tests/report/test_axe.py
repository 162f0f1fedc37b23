"""Kind of evidence: a published checker, axe-core (Deque Systems, MPL 2.0; WCAG 2 A and AA), on each kind of page."""

import pytest

from tests.support.browser import grave_findings, opened


def kinds_of(report):
    """One page of each kind: those at the top, and the first of each folder."""
    pages = sorted(report.glob("*.html"))
    return pages + [sorted(folder.glob("*.html"))[0] for folder in sorted({p.parent for p in report.glob("*/*.html")})]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_finding(report, browser, scheme):
    pages = kinds_of(report)
    assert len(pages) > 10
    grave = {}
    for path in pages:
        with opened(browser, path, bypass_csp=True, color_scheme=scheme) as page:
            grave[path.name] = grave_findings(page)
    assert {name: found for name, found in grave.items() if found} == {}
