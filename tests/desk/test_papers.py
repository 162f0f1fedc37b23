"""Kind of evidence: contract, with a real browser. What is printed says what the pages say, on a page or two."""

import re
from html import unescape

import polars as pl
import pytest

from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.tables import Tables
from tests.desk.conftest import DAYS
from tests.desk.test_morning import at_the_desk, card_of, row_of
from tests.support.browser import follow
from tests.support.report_frames import last_day
from tests.support.runs import tankdrift_here

SIGNED = ("Name", "Function", "Date and place", "Signature")


@pytest.fixture(scope="module")
def papers(frames):
    pages = Pages.of(Fleet.of(Tables.of(frames), last_day(DAYS)), [])
    return {path: pages.render(path) for path in pages.papers}


def plain(html):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u202f", " "))


def leaves(pdf):
    """How many leaves a PDF has (ISO 32000-1, 7.7.3.3: each is an object of type Page)."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_there_is_a_paper_of_each_case_claim_and_month_and_each_can_be_signed(papers, frames):
    months = frames["statements"].select("tank_id", "month")
    sites = months.join(frames["tanks"], on="tank_id").select("site_id", "month").unique()
    claims = frames["cases"].filter(pl.col("cause").is_in(["short_delivery", "missing_ticket"])).height
    assert claims > 0
    assert len(papers) == frames["cases"].height + months.height + sites.height + claims
    for path, html in papers.items():
        words = plain(html)
        assert all(one in words for one in SIGNED), path
        assert "Method" in words and f"Data to {last_day(DAYS):%-d %b %Y}; tankdrift " in words, path
        assert 'method="post"' not in html and "Gaps in the data" in words, path


def test_a_months_statement_has_the_figures_of_the_run_its_limits_and_its_gaps(papers, frames):
    row = frames["statements"].row(0, named=True)
    own = plain(papers[f"papers/month-{row['month']}-{row['tank_id']}.html"])
    for figure in (f"{row['variance_l']:+,.0f}", f"{row['throughput_l']:,.0f}"):
        assert figure.replace(",", " ").replace("-", "\u2212") in own
    assert "0.757 l/h" in own and "no release detection" in own
    health = frames["health"].filter(
        pl.col("tank_id") == row["tank_id"], pl.col("day").dt.month() == row["month"].month
    )
    assert f"{row['tank_id']} {(health['readings'] > 0).sum()} / 31" in own
    (site,) = frames["tanks"].filter(tank_id=row["tank_id"])["site_id"]
    whole = plain(papers[f"papers/month-{row['month']}-site-{site}.html"])
    tanks = frames["tanks"].filter(site_id=site)["tank_id"]
    of_site = frames["statements"].filter(pl.col("tank_id").is_in(tanks.implode()), month=row["month"])
    assert of_site.height > 1 and all(tank in whole for tank in tanks)
    assert f"All {of_site['throughput_l'].sum():,.0f}".replace(",", " ") in whole


def test_a_claim_adds_up(papers, frames):
    (case,) = frames["cases"].filter(cause="short_delivery").iter_rows(named=True)
    drop = frames["drops"].filter(delivery_id=case["delivery_id"]).row(0, named=True)
    own = plain(papers[f"papers/claim-{drop['drop_id']}.html"])
    assert case["delivery_id"] in own and case["case_id"] in own
    assert f"Ticketed {drop['ticket_volume_l']:,.0f} l".replace(",", " ") in own
    lines = re.search(r"(Temperature .*? Left [+\u2212]?\d[\d ]*) l", own)[1].replace("\u2212", "-")
    told = [int(one.replace(" ", "")) for one in re.findall(r"[+-]?\d[\d ]*(?= l|$)", lines)]
    assert len(told) == 5 and sum(told) == round(drop["mismatch_l"])


def test_a_case_is_printed_from_the_desk_on_two_leaves_at_most(browser, address, frames):
    case = frames["cases"].filter(cause="tank_leak").row(0, named=True)
    with at_the_desk(browser, address) as page:
        follow(row_of(page, case["case_id"]).locator("th a"))
        follow(card_of(page, case["case_id"]).get_by_role("link", name="Paper to print"))
        assert page.locator("h1").inner_text() == "Case file"
        assert case["summary"] in page.locator("article").inner_text()
        assert 1 <= leaves(page.pdf(prefer_css_page_size=True)) <= 2
        page.emulate_media(media="print")
        assert not page.locator(".masthead").is_visible()
        page.emulate_media(media="screen")
        page.goto(f"{address}/statements.html")
        follow(page.get_by_role("link", name="Paper to print").first)
        assert leaves(page.pdf(prefer_css_page_size=True)) <= 2
        page.goto(f"{address}/money.html")
        follow(page.get_by_role("link", name="Month's statement").first)
        assert leaves(page.pdf(prefer_css_page_size=True)) <= 2
        page.goto(f"{address}/deliveries.html#claim=open")
        follow(page.get_by_role("link", name="Paper to print").first)
        assert page.locator("h1").inner_text() == "Delivery claim"
        assert leaves(page.pdf(prefer_css_page_size=True)) <= 2


def test_a_paper_is_written_as_pdf_and_what_cannot_be_is_one_line(out, tmp_path, monkeypatch):
    file, month = tmp_path / "month.pdf", "papers/month-2026-01-01-S02-T1.html"
    done = tankdrift_here("paper", out, month, file)
    assert (done.returncode, done.stdout) == (0, f"{file}: {month} as PDF\n"), done.stderr
    assert file.read_bytes().startswith(b"%PDF-") and leaves(file.read_bytes()) == 1
    for page, target, program, code, says in (
        ("papers/gone.html", tmp_path / "a.pdf", None, 2, "papers/gone.html: there is no such paper"),
        ("index.html", tmp_path / "a.pdf", None, 2, "index.html: there is no such paper"),
        (month, file, None, 2, "no paper is written over"),
        (month, tmp_path / "a.pdf", str(tmp_path / "none"), 2, "gives no PDF"),
        (month, tmp_path / "a.pdf", "", 2, "there is no Chromium here"),
    ):
        if program is not None:
            monkeypatch.setenv("CHROMIUM", program)
            monkeypatch.setenv("PATH", str(tmp_path))
        done = tankdrift_here("paper", out, page, target)
        assert (done.returncode, done.stdout, done.stderr.count("\n")) == (code, "", 1), done.stderr
        assert says in done.stderr and not (tmp_path / "a.pdf").exists()
