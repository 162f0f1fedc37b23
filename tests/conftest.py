"""What holds for every test: the same examples each time, on any machine, and one way to a browser."""

import pytest
from hypothesis import HealthCheck, settings
from playwright.sync_api import sync_playwright

from tests.support.browser import chromium

# `derandomize`: the same examples in every run. Deadlines measure the machine, not the code.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("repeatable"), max_examples=1000)
settings.load_profile("repeatable")


@pytest.fixture(scope="module")
def browser():
    """A browser for one file's tests: while it is open an event loop runs, which no other file may meet."""
    with sync_playwright() as playwright:
        found = chromium(playwright)
        yield found
        found.close()
