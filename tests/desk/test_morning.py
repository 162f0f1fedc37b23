"""Kind of evidence: a real browser at a real desk, for one morning and the night after it."""

from contextlib import contextmanager

import polars as pl
import pytest

from pipeline.said.record import read
from tests.desk.conftest import DAYS
from tests.support.browser import drawn, follow, opened
from tests.support.published import publish_frames

MARKUP = "<script>document.title='owned'</script><b>dug up</b>\nnothing found & \"dry\""
LEAK = "tank_leak"


@contextmanager
def at_the_desk(browser, address):
    """A page at the desk; nothing may go wrong in it, nor may it ask anybody else."""
    wrong, asked = [], []
    with browser.new_context() as own:
        page = own.new_page()
        page.on("console", lambda m: wrong.append(f"{m.type}: {m.text}") if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda e: wrong.append(f"thrown: {e}"))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(f"{address}/")
        yield page
    assert wrong == []
    assert [url for url in asked if not url.startswith((address, "data:", "blob:"))] == []


def row_of(page, case_id):
    return page.locator(f'#worklist tbody tr[data-key="{case_id}"]')


def card_of(page, case_id):
    drawn(page)
    return page.locator("article.case").filter(has=page.get_by_text(case_id, exact=True))


def say(card, what, **fields):
    """Open a form of a case's card, fill it in, and send it."""
    form = card.locator("details.say").filter(has=card.page.locator("summary", has_text=what))
    form.locator("summary").click()
    for name, value in fields.items():
        field = form.locator(f"[name={name}]")
        field.select_option(value) if field.evaluate("f => f.tagName") == "SELECT" else field.fill(value)
    follow(form.locator("button"))


def grown(cases, case_id, times):
    """The cases, with the litres of one and their interval grown so many times."""
    columns = ("litres", "litres_low", "litres_high")
    factor = pl.when(pl.col("case_id") == case_id).then(times).otherwise(1.0)
    return cases.with_columns(pl.col(name) * factor for name in columns)


@pytest.fixture(scope="module")
def leak(frames):
    return frames["cases"].filter(cause=LEAK).row(0, named=True)


def test_a_morning(browser, address, out, frames, leak):
    """What is new, open it, take it in hand, note, close; it is off the list, and on that of what is closed."""
    case_id = leak["case_id"]
    with at_the_desk(browser, address) as page:
        before = page.locator("#worklist tbody tr:visible").count()
        follow(row_of(page, case_id).locator("th a"))
        assert page.locator("h1").inner_text() == leak["tank_id"]
        say(card_of(page, case_id), "Take in hand", owner="Ines", due="2026-04-03")
        card = card_of(page, case_id)
        assert "in hand: Ines, by 3 Apr 2026" in card.locator("header").inner_text()
        say(card, "Write a note", note=MARKUP)
        card = card_of(page, case_id)
        assert page.title() != "owned"
        assert card.locator(".history b", has_text="dug up").count() == 0
        assert MARKUP in card.locator(".history .note").inner_text()
        follow(page.locator(".masthead nav a").first)
        assert "in hand: Ines" in row_of(page, case_id).inner_text()
        follow(row_of(page, case_id).locator("th a"))
        say(card_of(page, case_id), "Close", verdict="ruled_out", litres="−12.5", recovered="80", note="tested tight")
        said = card_of(page, case_id).locator(".history").inner_text().replace("\u202f", " ")
        closing = "M. Orr\nclosed: so it was not, −12.5 l agreed, EUR 80 recovered\ntested tight"
        assert closing in said.replace("\n\n", "\n")
        follow(page.locator(".masthead nav a").first)
        assert page.locator("#worklist tbody tr:visible").count() == before - 1
        assert not row_of(page, case_id).is_visible()
        page.locator("select[name=state]").select_option("closed")
        assert row_of(page, case_id).is_visible()
        assert "so it was not" in row_of(page, case_id).inner_text()
        follow(page.locator(".masthead nav a", has_text="Money"))
        assert "EUR 80" in page.locator("#month-list tfoot td").last.inner_text()
        follow(page.locator(".masthead nav a", has_text="Deliveries"))
        february = page.locator("#delivery-list tbody tr").count()
        follow(page.locator(".windows a", has_text="Jan 2026"))
        assert february + page.locator("#delivery-list tbody tr").count() == frames["drops"].height
    last = read(out).row(-1, named=True)
    assert (last["who"], last["verdict"], last["litres"], last["recovered"]) == ("M. Orr", "ruled_out", -12.5, 80.0)


def test_the_next_night_keeps_it_and_the_report_from_disk_says_the_same(browser, address, out, frames, leak):
    """Another case has doubled, one is new, and what was closed has grown within its interval."""
    case_id = leak["case_id"]
    cases = frames["cases"]
    other = cases.filter(cause="meter_drift").row(0, named=True)
    new = cases.filter(cause="bulk_theft").head(1).with_columns(case_id=pl.lit("bulk_theft.new.2026-02-15"))
    worse = pl.col("case_id") == other["case_id"]
    grown = cases.with_columns(
        [
            pl.when(worse).then(2 * pl.col(name)).otherwise(name).alias(name)
            for name in ("litres", "litres_low", "litres_high")
        ]
    )
    night = {**frames, "cases": grown.vstack(new)}
    publish_frames(out, night, days=DAYS, night=2)
    with at_the_desk(browser, address) as page:
        assert not row_of(page, case_id).is_visible()
        told = page.locator("p.news").inner_text()
        assert told == "Since the run over data to 15 Feb 2026: 1 new, 1 worse, 1 closed."
        assert row_of(page, other["case_id"]).locator(".news").inner_text() == "worse"
    with opened(browser, out / "report" / "index.html") as page:
        assert page.locator("p.news").inner_text() == told
        assert not row_of(page, case_id).is_visible()
    with opened(browser, out / "report" / "tanks" / f"{leak['tank_id']}.html") as page:
        card = card_of(page, case_id)
        assert "so it was not" in card.locator("header").inner_text()
        assert MARKUP in card.locator(".history .note").first.inner_text()
        assert card.locator("form").count() == 0


def test_it_comes_back_when_more_has_happened_and_says_so(browser, address, out, frames, leak):
    case_id = leak["case_id"]
    mine = pl.col("case_id") == case_id
    grown = frames["cases"].with_columns(
        [
            pl.when(mine).then(3 * pl.col(name)).otherwise(name).alias(name)
            for name in ("litres", "litres_low", "litres_high")
        ]
    )
    publish_frames(out, {**frames, "cases": grown}, days=DAYS, night=3)
    with at_the_desk(browser, address) as page:
        row = row_of(page, case_id)
        assert row.locator(".news").inner_text() == "come back"
        assert "its litres are beyond what they were when it was closed on" in row.inner_text()
        follow(row.locator("th a"))
        say(card_of(page, case_id), "Close", verdict="confirmed")
        say(card_of(page, case_id), "Open again", note="not yet")
        assert "opened again" in card_of(page, case_id).locator(".history li").last.inner_text()
        follow(page.locator(".masthead nav a").first)
        assert row_of(page, case_id).is_visible()
