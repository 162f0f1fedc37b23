"""What a page's table is saved as."""

import csv
import io

from playwright.sync_api import Page


def saved_rows(page: Page) -> list[dict[str, str]]:
    """Rows of the file that the page's first table is saved as."""
    with page.expect_download() as saved:
        page.locator("button[data-save]").first.click()
    return list(csv.DictReader(io.StringIO(saved.value.path().read_text(encoding="utf-8-sig"))))
