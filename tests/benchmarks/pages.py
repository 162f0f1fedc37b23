"""What the report's pages weigh and how soon they are seen, at other numbers of tanks, of a run's results.

`python -m tests.benchmarks.pages OUT [--tanks 60 500]` multiplies what the run in OUT left under other names, writes
the report of that into a folder of its own, says something of a case as the desk does, and opens each kind of page in a
browser. Prints; asserts nothing.
"""

import argparse
import statistics
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
from playwright.sync_api import Browser, sync_playwright

from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.site import write_report
from pipeline.report.tables import Tables
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of
from pipeline.said.shown import said_frames
from pipeline.store import read_snapshot
from tests.support.browser import chromium, drawn, until
from tests.support.many_tanks import many_tanks

TRIES = 3
FOLDERS = {"tanks": "a tank", "sites": "a site", "days": "a site's days"}
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"


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
                took_s, page_s = _saying_s(many, Path(folder))
                print(f"a saying at the desk: {took_s:.2f} s of the processor, and {page_s:.2f} s for its page")
                _print_pages(browser, index.parent)
        browser.close()


def _saying_s(frames: Mapping[str, pl.DataFrame], out: Path) -> tuple[float, float]:
    """From somebody's closing a case to what every page now draws on, and to its page. [s of the processor]"""
    as_of = frames["as_of"]["day"][0]
    tables = Tables.of(frames)
    pages, took = Pages.of(Fleet.of(tables, as_of), []), []
    for number, case in enumerate(pages.fleet.cases[: TRIES + 2]):
        started = time.process_time()
        said = Saying(kind="closed", who="M. Orr", case_id=case.row["case_id"], verdict="confirmed", note=f"{number}")
        say(out, row_of(said, case.row, {}), now=datetime.now(UTC))
        pages = Pages.of(Fleet.of(tables.with_said(said_frames(out)), as_of), [])
        known = time.process_time()
        pages.render(case.href.partition("#")[0])
        took.append((known - started, time.process_time() - known))
    made, rendered = zip(*took, strict=True)
    return statistics.median(made), statistics.median(rendered)


def _print_pages(browser: Browser, report: Path) -> None:
    print(f"{'the heaviest of':<32}{'KB':>8}{'seen after s':>14}{'charts in view after s':>24}")
    for name, path in _kinds(report):
        seen, whole = zip(*(_times_s(browser, path) for _ in range(TRIES)), strict=True)
        row = (path.stat().st_size / 1e3, statistics.median(seen), statistics.median(whole))
        print(f"{name:<32}{row[0]:>8.0f}{row[1]:>14.2f}{row[2]:>24.2f}")


def _kinds(report: Path) -> list[tuple[str, Path]]:
    """Of each kind of page the heaviest, with how many there are."""
    found: dict[str, list[Path]] = {}
    for path in sorted(report.rglob("*.html")):
        kind = FOLDERS[path.parent.name] if path.parent != report else path.stem.split("-")[0]
        found.setdefault(kind, []).append(path)
    return [
        (f"{kind}, {len(paths)} pages" if len(paths) > 1 else kind, max(paths, key=lambda path: path.stat().st_size))
        for kind, paths in found.items()
    ]


def _times_s(browser: Browser, path: Path) -> tuple[float, float]:
    """When a page from disk first shows something, and when the charts in view are there. [s]"""
    with browser.new_context() as context:
        page = context.new_page()
        started = time.perf_counter()
        page.goto(path.as_uri())
        drawn(page)
        whole_s = time.perf_counter() - started
        until(page, f"({PAINT}) > 0")
        return page.evaluate(PAINT) / 1e3, whole_s


if __name__ == "__main__":
    main()
