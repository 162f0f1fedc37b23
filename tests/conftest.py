"""What holds for every test: the same examples each time, on any machine, one way to a browser, long files first."""

import gc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from playwright.sync_api import sync_playwright

from pipeline.workers import keep_to_one_thread
from tests.support.browser import chromium

keep_to_one_thread()

# `derandomize`: the same examples in every run. Deadlines measure the machine, not the code.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("repeatable"), max_examples=1000)
settings.load_profile("repeatable")

TESTS = Path(__file__).parent
LONGEST_FIRST = (TESTS / "longest_first.txt").read_text(encoding="utf-8").split()
"""Files that take many seconds, the longest first: no worker is left with a long one when the other is done."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    assert all((TESTS / name).is_file() for name in LONGEST_FIRST)
    place = {TESTS / name: number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))


def pytest_collection_finish():
    """What was collected stays to the end: no search for garbage need go through it."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="module")
def browser():
    """A browser for one file's tests: while it is open an event loop runs, which no other file may meet."""
    with sync_playwright() as playwright:
        found = chromium(playwright)
        yield found
        found.close()
