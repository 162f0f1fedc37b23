"""A real browser for the report's tests, and pages that write down whatever goes wrong in them."""

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Page, Playwright

ARGUMENTS = (
    "--no-sandbox",
    "--headless=new",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def chromium(playwright: Playwright) -> Browser:
    """Debian's chromium, or the one that CHROMIUM names; a machine without one fails the test."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium")
    assert path, "these tests need chromium: install it, or name it in CHROMIUM"
    return playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))


@contextmanager
def opened(browser: Browser, path: Path, fragment: str = "", **context: Any) -> Iterator[Page]:
    """A page opened from disk, its charts drawn; at the end nothing may have gone wrong, nor left the disk."""
    wrong: list[str] = []
    asked: list[str] = []
    with browser.new_context(**context) as own:
        page = own.new_page()
        page.on("console", lambda m: wrong.append(f"{m.type}: {m.text}") if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda e: wrong.append(f"thrown: {e}"))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(path.as_uri() + fragment)
        drawn(page)
        yield page
    assert wrong == []
    assert [u for u in asked if not u.startswith(("file:", "data:", "blob:"))] == []


def until(page: Page, expression: str, arg: Any = None) -> None:
    """Wait until a JavaScript expression holds, asked from outside: the page's policy lets it evaluate no text."""
    last = time.monotonic() + 15.0
    while not page.evaluate(expression, arg):
        assert time.monotonic() < last, f"never came true: {expression}"
        page.wait_for_timeout(40)


def drawn(page: Page) -> None:
    """Wait until the page's charts, if it has any, are there."""
    if page.locator("#chart-data").count():
        page.wait_for_selector("html[data-charts=drawn]")


def all_drawn(page: Page) -> None:
    """Look at each chart of the page, which is drawn when it comes near what is shown; the page is at its top then."""
    plots = page.locator(".plot")
    for number in range(plots.count()):
        plots.nth(number).scroll_into_view_if_needed()
        until(page, "n => document.querySelectorAll('.plot')[n]._fullLayout !== undefined", number)
    page.evaluate("scrollTo(0, 0)")


def follow(link: Locator) -> None:
    """Click what leads to another page, and wait until that page has come whole: a click alone waits for its start."""
    with link.page.expect_navigation():
        link.click()
    drawn(link.page)


def grave_findings(page: Page) -> list[str]:
    """What axe-core calls serious or critical on a page whose policy is lifted, each with the first place it is at."""
    told = Axe().run(page, options={"preload": False, "resultTypes": ["violations"]}).response
    assert len(told["passes"]) > 5, "axe-core looked at next to nothing"
    grave = [one for one in told["violations"] if one["impact"] in {"serious", "critical"}]
    return [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in grave]
