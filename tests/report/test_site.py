"""Kind of evidence: contract. What is written, where, always the same, whole or not at all."""

import hashlib
import re
from pathlib import Path
from urllib.parse import unquote

import polars as pl
import pytest

from pipeline.errors import ArgumentError
from pipeline.report.site import write_report
from tests.support.browser import opened
from tests.support.report_frames import build_frames, last_day

DAY = last_day(10)


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture(scope="module")
def small():
    return build_frames(tank_count=3, days=10)


def test_the_same_frames_give_the_same_bytes_in_whatever_order(small, tmp_path):
    first = write_report(small, tmp_path / "a", as_of=DAY)
    shuffled = {name: frame.sample(fraction=1.0, shuffle=True, seed=1) for name, frame in reversed(small.items())}
    second = write_report(shuffled, tmp_path / "b", as_of=DAY)
    assert first == tmp_path / "a" / "report" / "index.html"
    assert digests(first.parent) == digests(second.parent)


def test_a_new_report_takes_the_place_of_the_old_one(small, tmp_path):
    write_report(small, tmp_path, as_of=DAY)
    (tmp_path / "report" / "stale.html").write_text("old")
    (tmp_path / ".report-of-a-killed-run" / "tanks").mkdir(parents=True)
    write_report(small, tmp_path, as_of=DAY)
    assert not (tmp_path / "report" / "stale.html").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_a_report_that_fails_leaves_the_old_one_whole(small, tmp_path):
    write_report(small, tmp_path, as_of=DAY)
    before = digests(tmp_path)
    broken = small | {"cases": small["cases"].with_columns(litres=pl.lit("no number"))}
    with pytest.raises(pl.exceptions.InvalidOperationError):
        write_report(broken, tmp_path, as_of=DAY)
    assert digests(tmp_path) == before


def test_a_place_that_cannot_be_written_to_is_said_in_one_line(small, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(ArgumentError, match="report cannot be written") as raised:
        write_report(small, tmp_path / "file", as_of=DAY)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize("left", ["nothing", "lake", "empty"])
def test_whatever_a_run_left_there_is_a_report(small, left, tmp_path, browser):
    frames = {
        "nothing": {},
        "lake": {n: small[n] for n in ("sites", "tanks", "meters", "meter_feeds")},
        "empty": {n: f.clear() for n, f in small.items()},
    }[left]
    index = write_report(frames, tmp_path, as_of=DAY)
    for path in sorted(index.parent.rglob("*.html")):
        with opened(browser, path) as page:
            assert page.locator("h1").count() == 1
    assert "Nothing needs anyone today." in index.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "missing",
    [
        "ledger",
        "drops",
        "draws",
        "evidence",
        "meter_estimates",
        "health",
        "prices",
        "tank_days",
        "variance_parts",
        "statements",
        "cases",
        "sites",
    ],
)
def test_each_table_may_be_missing(small, missing, tmp_path):
    index = write_report({n: f for n, f in small.items() if n != missing}, tmp_path, as_of=DAY)
    assert len(list(index.parent.rglob("tanks/*.html"))) == 3


def test_unknown_figures_are_dashes_and_never_nought(small, tmp_path):
    unknown = {
        name: frame.with_columns(pl.lit(None, t).alias(c) for c, t in frame.schema.items() if t == pl.Float64)
        for name, frame in small.items()
    }
    index = write_report(unknown, tmp_path, as_of=DAY)
    fleet = (index.parent / "fleet.html").read_text(encoding="utf-8")
    row = fleet.split('<th scope="row"><a href="tanks/S01-T1.html">')[1].split("</tr>")[0]
    assert row.count("\u2013</") == 4
    assert "not known" in index.read_text(encoding="utf-8")


def test_every_link_leads_somewhere(report):
    anchors = {p: set(re.findall(r'\bid="([^"]+)"', p.read_text(encoding="utf-8"))) for p in report.rglob("*.html")}
    links = 0
    for page in anchors:
        for href in re.findall(r'(?:href|src|data-places)="([^"]+)"', page.read_text(encoding="utf-8")):
            if href.startswith("data:"):
                continue
            name, _, fragment = unquote(href).partition("#")
            target = (page.parent / name).resolve() if name else page
            assert target.is_file(), f"{page.name}: {href}"
            is_filter = fragment.startswith("site=") and "deliveries" in name
            assert not fragment or is_filter or fragment in anchors[target], f"{page.name}: {href}"
            links += 1
    assert links > 500


def test_every_file_is_reached_from_the_first_page(report):
    seen, todo = set(), [report / "index.html"]
    while todo:
        page = todo.pop()
        if page in seen:
            continue
        seen.add(page)
        if page.suffix == ".html":
            hrefs = re.findall(r'(?:href|src|data-places)="([^"#]+)', page.read_text(encoding="utf-8"))
            todo += [(page.parent / unquote(h)).resolve() for h in hrefs if not h.startswith("data:")]
    assert seen == {p for p in report.rglob("*") if p.is_file()}


def test_a_case_of_no_known_tank_has_its_place_too(small, tmp_path):
    lost = small["cases"].head(1).with_columns(tank_id=pl.lit("gone"), site_id=pl.lit("gone"))
    index = write_report(small | {"cases": lost}, tmp_path, as_of=DAY)
    href = re.search(r'href="(other\.html#[^"]+)"', index.read_text(encoding="utf-8"))
    assert href
    other = (index.parent / "other.html").read_text(encoding="utf-8")
    assert f'id="{href[1].split("#")[1]}"' in other


def test_a_year_of_one_tank_stays_small(tmp_path):
    index = write_report(build_frames(tank_count=1, days=365), tmp_path, as_of=last_day(365))
    (page,) = index.parent.rglob("tanks/*.html")
    assert page.stat().st_size < 1_500_000


def test_many_cases_stay_small(small, tmp_path):
    many = pl.concat([small["cases"].with_columns(case_id=pl.col("case_id") + f"-{i}") for i in range(700)])
    index = write_report(small | {"cases": many}, tmp_path, as_of=DAY)
    assert index.stat().st_size < 2_000_000
