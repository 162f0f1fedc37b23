"""Takes the pictures in docs/images from a report, with the browser that the tests use.

Run: ``make pictures``, or python -m tests.support.pictures OUT after ``tankdrift run sample_lake --out OUT``.
"""

import sys
from pathlib import Path

import polars as pl
from playwright.sync_api import Page, sync_playwright

from tests.support.browser import chromium, opened
from tests.support.runs import ROOT

IMAGES = ROOT / "docs" / "images"
SIZE = {"width": 1200, "height": 820}
CAUSE = "line_leak"
"""The case whose tank is shown."""


def main(out: Path) -> None:
    """Write worklist.png and tank.png."""
    cases = pl.read_parquet(out / "cases.parquet")
    tank = cases.filter(pl.col("cause") == CAUSE)["tank_id"][0]
    with sync_playwright() as playwright:
        browser = chromium(playwright)
        with opened(browser, out / "report" / "index.html", viewport=SIZE, color_scheme="light") as page:
            page.screenshot(path=IMAGES / "worklist.png")
        with opened(browser, out / "report" / "tanks" / f"{tank}.html", viewport=SIZE, color_scheme="light") as page:
            _shown(page)
            page.screenshot(path=IMAGES / "tank.png")
        browser.close()


def _shown(page: Page) -> None:
    """Scroll to the charts and let them be drawn in full."""
    page.locator("#chart-section").scroll_into_view_if_needed()
    page.evaluate("document.querySelector('#chart-section').scrollIntoView()")
    page.wait_for_timeout(400)


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
