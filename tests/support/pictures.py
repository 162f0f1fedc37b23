"""Takes the pictures in docs/images from a report, with the browser that the tests use.

Run: ``make pictures``, or python -m tests.support.pictures OUT after ``tankdrift run sample_lake --out OUT``; with
`charts` in place of OUT it takes that of a tank's chart alone, from a lake of its own.
"""

import shutil
import sys
import tempfile
from pathlib import Path

import polars as pl
from playwright.sync_api import Page, sync_playwright

from pipeline.chart_review import Asked, review_charts, write_review
from pipeline.stages import Run, run_all
from tests.support.browser import chromium, drawn, follow, opened
from tests.support.charts import lake_of_the_docs
from tests.support.desks import desk
from tests.support.runs import ROOT

IMAGES = ROOT / "docs" / "images"
SIZE = {"width": 1200, "height": 820}
TALL = {"width": 1200, "height": 1500}
CAUSE = "line_leak"
"""The case whose tank is shown."""


def main(out: Path) -> None:
    """Write worklist.png, tank.png, desk.png, case.png and chart.png."""
    of_the_report(out)
    of_the_desk(out)
    of_a_chart()


def of_the_report(out: Path) -> None:
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


def of_the_desk(out: Path) -> None:
    """Write case.png, a case in hand with a note, and desk.png, the worklist then; what is said is said of a copy."""
    tank = pl.read_parquet(out / "cases.parquet").filter(pl.col("cause") == CAUSE)["tank_id"][0]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        copy = Path(shutil.copytree(out, Path(folder) / "out"))
        browser = chromium(playwright)
        with desk(copy, "--name", "M. Orr") as address, browser.new_context(color_scheme="light") as own:
            page = own.new_page()
            page.set_viewport_size(SIZE)
            page.goto(f"{address}/tanks/{tank}.html")
            _say(page, "Take in hand", owner="Ines", due="2026-06-03")
            _say(page, "Write a note", note="Line of pump 2 shut off; tester is here on Thursday.")
            drawn(page)
            page.locator("article.case").first.scroll_into_view_if_needed()
            page.evaluate("document.querySelector('article.case .history').scrollIntoView({block: 'center'})")
            page.wait_for_timeout(400)
            page.screenshot(path=IMAGES / "case.png")
            page.goto(f"{address}/")
            row = page.locator("#worklist tbody tr").filter(has_text="in hand").first
            row.evaluate("row => row.scrollIntoView({block: 'center', behavior: 'instant'})")
            page.wait_for_timeout(400)
            page.screenshot(path=IMAGES / "desk.png")
        browser.close()


def _say(page: Page, what: str, **fields: str) -> None:
    """Fill in and send a form of the first case on a tank's page at the desk."""
    drawn(page)
    form = page.locator("article.case").first.locator("details.say").filter(has=page.locator("summary", has_text=what))
    form.locator("summary").click()
    for name, value in fields.items():
        form.locator(f"[name={name}]").fill(value)
    follow(form.locator("button"))


def of_a_chart() -> None:
    """Write chart.png: the page of the tank whose chart is wrong in the docs' example."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        lake, out = Path(folder) / "lake", Path(folder) / "out"
        lake_of_the_docs(lake)
        run_all(Run(lake, out))
        index = write_review(review_charts(out, Asked()), out)
        browser = chromium(playwright)
        with opened(browser, index.parent / "tanks" / "T0001.html", viewport=TALL, color_scheme="light") as page:
            page.wait_for_timeout(400)
            page.screenshot(path=IMAGES / "chart.png")
        browser.close()


def _shown(page: Page) -> None:
    """Scroll to the charts and let them be drawn in full."""
    page.locator("#chart-section").scroll_into_view_if_needed()
    page.evaluate("document.querySelector('#chart-section').scrollIntoView()")
    page.wait_for_timeout(400)


if __name__ == "__main__":
    if sys.argv[1] == "charts":
        of_a_chart()
    else:
        main(Path(sys.argv[1]).resolve())
