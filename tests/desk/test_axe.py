"""Kind of evidence: a published checker, axe-core (Deque Systems, MPL 2.0; WCAG 2 A and AA), on what a desk adds."""

import polars as pl
import pytest

from tests.support.browser import drawn, grave_findings


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_case_with_its_forms_open_has_no_serious_finding(browser, address, frames, scheme):
    tank = frames["cases"].filter(pl.col("tank_id").is_not_null())["tank_id"][0]
    with browser.new_context(bypass_csp=True, color_scheme=scheme) as own:
        page = own.new_page()
        page.goto(f"{address}/tanks/{tank}.html")
        drawn(page)
        forms = page.locator("article.case").first.locator("details.say summary")
        assert forms.count() > 2
        for number in range(forms.count()):
            forms.nth(number).click()
        assert grave_findings(page) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["shifts/S02.html", "shifts/S02.html?from=x", "days/S02.html"])
def test_a_span_between_two_instants_has_no_serious_finding(browser, address, path, scheme):
    with browser.new_context(bypass_csp=True, color_scheme=scheme) as own:
        page = own.new_page()
        page.goto(f"{address}/{path}")
        for summary in page.locator("main details summary").all():
            summary.click()
        assert page.locator("#shift-form").is_visible()
        assert grave_findings(page) == []
