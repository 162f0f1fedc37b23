"""What the report's pages weigh and how soon they are seen, at other numbers of tanks, of a run's results.

`python -m tests.benchmarks.pages OUT [--tanks 60 500]` multiplies what the run in OUT left under other names, writes
the report of that into a folder of its own, and opens each kind of page in a browser. Prints; asserts nothing.
"""

import argparse
import statistics
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

from pipeline.report.site import write_report
from pipeline.store import read_snapshot
from tests.support.browser import chromium, drawn
from tests.support.many_tanks import many_tanks

TRIES = 3
PAINT = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN"


def main(arguments: Sequence[str] | None = None) -> None:
    """Print page weights, times and folder size for each number of tanks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--tanks", type=int, nargs="+", default=[60, 500])
    options = parser.parse_args(arguments)
    frames = read_snapshot(options.out)
    as_of = frames["as_of"]["day"][0]
    with sync_playwright() as playwright:
        browser = chromium(playwright)
        for tanks in options.tanks:
            many = many_tanks(frames, tanks)
            with TemporaryDirectory() as folder:
                started = time.perf_counter()
                index = write_report(many, Path(folder), as_of=as_of)
                took_s = time.perf_counter() - started
                size = sum(path.stat().st_size for path in index.parent.rglob("*") if path.is_file())
                print(f"{many['tanks'].height} tanks: written in {took_s:.1f} s, the folder has {size / 1e6:.1f} MB")
                _print_pages(browser, index.parent)
        browser.close()


def _print_pages(browser: Browser, report: Path) -> None:
    print(f"{'page':<32}{'KB':>8}{'seen after s':>14}{'all there after s':>20}")
    for name, path in _kinds(report):
        seen, whole = zip(*(_times_s(browser, path) for _ in range(TRIES)), strict=True)
        row = (path.stat().st_size / 1e3, statistics.median(seen), statistics.median(whole))
        print(f"{name:<32}{row[0]:>8.0f}{row[1]:>14.2f}{row[2]:>20.2f}")


def _kinds(report: Path) -> list[tuple[str, Path]]:
    """The heaviest page of each folder's kind, and all that stand alone."""
    alone = sorted(report.glob("*.html"))
    folders = sorted({path.parent for path in report.rglob("*/*.html")})
    heaviest = [max(folder.glob("*.html"), key=lambda path: path.stat().st_size) for folder in folders]
    return [(path.name, path) for path in alone] + [(f"{path.parent.name}/, the heaviest", path) for path in heaviest]


def _times_s(browser: Browser, path: Path) -> tuple[float, float]:
    """When a page from disk first shows something, and when its charts are there. [s]"""
    with browser.new_context() as context:
        page = context.new_page()
        started = time.perf_counter()
        page.goto(path.as_uri())
        drawn(page)
        return page.evaluate(PAINT) / 1e3, time.perf_counter() - started


if __name__ == "__main__":
    main()
