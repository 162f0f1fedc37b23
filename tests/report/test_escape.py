"""Kind of evidence: contract. Whatever a lake says, a page shows it as text and runs none of it."""

from pathlib import Path

import pytest

from pipeline.report import links
from pipeline.report.drawing import plain
from pipeline.report.pages import FOLDERS
from pipeline.report.rendering import as_json
from pipeline.report.site import write_report
from tests.support.browser import opened
from tests.support.report_frames import build_frames, last_day

HOSTILE = (
    "</script><script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\"><b>'&amp;%{x}</b>"
)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    frames = build_frames(tank_count=4, days=10, hostile=HOSTILE)
    return write_report(frames, tmp_path_factory.mktemp("hostile"), as_of=last_day(10)).parent


def test_no_markup_of_a_lake_reaches_a_page(hostile):
    pages = list(hostile.rglob("*.html"))
    assert len(pages) >= 10
    for page in pages:
        html = page.read_text(encoding="utf-8")
        assert "<script>document" not in html
        assert "<img" not in html
        assert html.count("</script>") == html.count("<script ")


def test_a_browser_runs_none_of_it_and_shows_it_as_text(browser, hostile):
    for path in [*sorted(hostile.glob("*.html")), *(min((hostile / f).iterdir()) for f in FOLDERS)]:
        with opened(browser, path) as page:
            assert page.title() != "owned"
            assert page.locator("img").count() == 0
            assert page.locator(".plot a, .plot b").count() == 0
    with opened(browser, hostile / "index.html") as page:
        assert HOSTILE in page.locator("#worklist tbody tr").first.inner_text()


def test_pages_stay_in_their_folder_whatever_a_tank_is_called():
    names = ["../../evil", "..", "", "a/b", "CON", "ümlaut", "x" * 300, "a\x00b", "T 1", "T-1", "t-1"]
    pages = links.page_names(names)
    assert len({p.casefold() for p in pages.values()}) == len(names)
    for page in pages.values():
        path = Path(page)
        assert path.parts[0] == "tanks"
        assert len(path.parts) == 2
        assert path.suffix == ".html"
        assert len(path.name) < 100
        assert path.stem.isascii()


def test_embedded_data_cannot_end_its_element():
    dumped = str(as_json({"a": "</script><!--&\u2028\u2029"}))
    assert not set("<>&\u2028\u2029") & set(dumped)


def test_charts_see_no_markup():
    assert plain("<a href='x'>&lt;") == "&lt;a href='x'&gt;&amp;lt;"


def test_the_policy_lets_nothing_in_from_elsewhere(report):
    for page in report.rglob("*.html"):
        html = page.read_text(encoding="utf-8")
        policy = html.split('http-equiv="Content-Security-Policy" content="')[1].split('"')[0]
        assert policy.startswith("default-src &#39;none&#39;")
        assert "unsafe-inline" not in policy
        assert "unsafe-eval" not in policy
        assert "http:" not in policy
        assert "https:" not in policy
        assert " style=" not in html
        assert " onclick=" not in html
