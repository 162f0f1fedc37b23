"""Kind of evidence: contract, a real browser: a tank's page says on which day what happened, and shows any span."""

import re
from datetime import UTC, date, datetime, timedelta
from html import unescape
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.report.history import log_of, marks
from pipeline.report.site import write_report
from pipeline.report.tables import Tables
from tests.support.browser import all_drawn, opened, until
from tests.support.report_frames import FIRST_DAY, build_frames, last_day

DAYS, TANK = 60, "S02-T1"
TS = pl.Datetime("us", "UTC")
ODD_AT = 700


def events():
    """Entries of the log: of the tank, of a meter of it, of its site, and of three others that are none of its own."""
    at = datetime(2026, 2, 3, 23, 30, tzinfo=UTC)  # the next day in Berlin
    rows = [
        ("e1", at, "S02", TANK, None, "probe_replaced", "<b>new"),
        ("e2", at + timedelta(days=1), "S02", None, f"{TANK}-M2", "meter_calibrated", "inspector"),
        ("e3", at + timedelta(days=2), "S02", None, None, "power_loss", None),
        ("e4", at, "S02", "S02-T2", None, "alarm", "not ours"),
        ("e5", at, "S01", None, None, "power_loss", "not ours"),
        ("e6", at, "S02", None, "S02-T2-M1", "meter_calibrated", "not ours"),
    ]
    schema = {"event_id": pl.String, "ts": TS, "site_id": pl.String, "tank_id": pl.String, "meter_id": pl.String,
              "kind": pl.String, "note": pl.String}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


@pytest.fixture(scope="module")
def frames():
    made = build_frames(days=DAYS) | {"events": events()}
    own = (pl.col("tank_id") == TANK) & (pl.col("ts_end").rank("ordinal").over("tank_id") == ODD_AT)
    made["ledger"] = made["ledger"].with_columns(gauge_end_l=pl.when(own).then(9_000_000.0).otherwise("gauge_end_l"))
    return made


@pytest.fixture(scope="module")
def report(frames, tmp_path_factory):
    return write_report(frames, tmp_path_factory.mktemp("history"), as_of=last_day(DAYS)).parent


@pytest.fixture(scope="module")
def html(report):
    return (report / f"tanks/{TANK}.html").read_text(encoding="utf-8")


def days_of(html):
    """Marks of each day of the calendar, from the page."""
    section = html.split('id="calendar"')[1].split("</section>")[0]
    return {date.fromisoformat(d): m for d, m in re.findall(r'href="#day-(\S+?)">\d+<small>(.*?)</small>', section)}


def test_the_calendar_has_each_delivery_odd_day_and_case_on_its_day_and_no_other(html, frames):
    told = days_of(html)
    own = frames["tank_days"].filter(tank_id=TANK)
    drops = set(own.filter(pl.col("deliveries_l") > 0)["trading_day"])
    odd = set(own.filter("is_anomalous")["trading_day"])
    assert drops and {d for d, m in told.items() if "drop" in m} == drops
    assert {d for d, m in told.items() if "odd" in m} == odd
    # The leak began at two o'clock UTC on the twenty-fourth day before the end, and goes on.
    leak = {last_day(DAYS) - timedelta(days=n) for n in range(24)}
    assert {d for d, m in told.items() if re.match(r"A\b", m)} == leak
    assert {d for d, m in told.items() if "log" in m} == {date(2026, 2, 4), date(2026, 2, 5), date(2026, 2, 6)}


def test_a_month_begins_on_its_weekday(html):
    january = unescape(html.split("January 2026</caption>")[1].split("</table>")[0])
    first = re.findall(r"<tr>(.*?)</tr>", january.split("<tbody>")[1], re.DOTALL)[0]
    assert FIRST_DAY.strftime("%a %d") == "Mon 12"
    assert [re.sub(r"<small>.*?</small>|<[^>]+>", "", cell) for cell in first.split("</td>")[:7]] == [
        str(n) for n in range(12, 19)
    ]


def test_the_log_is_the_tanks_its_meters_and_its_sites_and_no_others(html, frames):
    rows = re.findall(r"<tr>(.*?)</tr>", html.split('id="log-list"')[1].split("</table>")[0], re.DOTALL)[1:]
    said = [re.sub(r"<[^>]+>", "|", unescape(row)) for row in rows]
    assert len(rows) == 3 and "not ours" not in html
    assert "6 Feb 2026, 00:30" in said[0] and "Power lost" in said[0] and "the site" in said[0]
    assert f"{TANK}-M2" in said[1] and "inspector" in said[1]
    assert "Probe replaced" in said[2] and "4 Feb 2026, 00:30" in said[2]


def test_marks_are_in_time_on_the_sites_clock_and_hold_no_markup(frames):
    (tank,) = frames["tanks"].filter(tank_id=TANK).to_dicts()
    found = marks(log_of(Tables.of(frames), tank, ZoneInfo("Europe/Berlin")))
    assert found["x"] == ["2026-02-04 00:30", "2026-02-05 00:30", "2026-02-06 00:30"]
    assert "&lt;b&gt;new" in found["text"][0]
    assert found["marker"]["symbol"] == ["square", "star", "triangle-up"]


def test_any_span_is_shown_marked_and_not_flattened_by_one_odd_point(browser, report):
    span = (
        "document.querySelector('#chart-stock')._fullLayout.xaxis.range.map(x => Date.parse(x.replace(' ', 'T') + 'Z'))"
    )
    high = "document.querySelector('#chart-stock')._fullLayout.yaxis.range[1]"
    with opened(browser, report / f"tanks/{TANK}.html") as page:
        all_drawn(page)
        assert page.evaluate(high) < 60_000
        edge = "document.querySelector('#chart-stock').data.find(t => t.name === 'Beyond the chart').text[0]"
        assert page.evaluate(edge).replace("\u202f", " ") == "+9 000 000.0 l, beyond what is drawn"
        logs = "[...document.querySelectorAll('.plot')].map(p => p.data.filter(t => t.yaxis === 'y7').length)"
        assert set(page.evaluate(logs)) == {1}
        for name, days in (("Day", 1), ("Week", 7), ("4 weeks", 28)):
            page.get_by_role("button", name=name, exact=True).click()
            until(page, f"() => {{ const [a, b] = {span}; return Math.abs(b - a - {days} * 864e5) < 2000; }}")
        before = page.evaluate(span)
        page.get_by_role("button", name="Earlier").focus()
        page.keyboard.press("Enter")
        until(page, f"last => Math.abs({span}[1] - last) < 2000", before[0])
        page.get_by_label("From", exact=True).fill("2026-02-02")
        page.get_by_label("to", exact=True).fill("2026-02-10")
        wanted = [datetime(2026, 2, d, tzinfo=UTC).timestamp() * 1000 for d in (2, 11)]
        until(page, f"wanted => {span}.every((x, i) => Math.abs(x - wanted[i]) < 2000)", wanted)
        page.locator(".month a[href='#day-2026-02-20']").click()
        until(
            page, f"day => {span}[0] < day && day < {span}[1]", datetime(2026, 2, 20, 12, tzinfo=UTC).timestamp() * 1000
        )
