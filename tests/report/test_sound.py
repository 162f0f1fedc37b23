"""Kind of evidence: numbers by hand, contract, a real browser: what days are measured against, and how it is shown."""

import re
from datetime import UTC, date, datetime, timedelta
from html import unescape

import polars as pl
import pytest

from pipeline.report.baseline import usual_spread
from pipeline.report.fleet import Fleet
from pipeline.report.fleet_figures import furthest, heat_map
from pipeline.report.meter_weeks import by_week
from pipeline.report.site import write_report
from pipeline.report.tables import Tables
from tests.support.browser import all_drawn, opened
from tests.support.report_frames import build_frames, last_day

FIRST = date(2026, 3, 2)
STEADY, SOUND, NEW = "A-T1", "A-T2", "B-T1"


def days(tank, litres, *, odd=()):
    return pl.DataFrame(
        {"tank_id": tank, "trading_day": [FIRST + timedelta(i) for i in range(len(litres))], "variance_l": litres,
         "sales_l": 1000.0, "is_anomalous": [i in odd for i in range(len(litres))]}
    )  # fmt: skip


@pytest.fixture(scope="module")
def fleet():
    """A tank that loses 30 l a day from its sixteenth day on, a sound one that scatters by 4 l, one of five days."""
    case = {"case_id": "c", "cause": "tank_leak", "site_id": "A", "tank_id": STEADY, "probability": 0.9,
            "raised_on": FIRST + timedelta(20), "urgency": "today", "litres": -450.0,
            "ts_start": datetime(2026, 3, 17, tzinfo=UTC)}  # fmt: skip
    frames = {
        "sites": pl.DataFrame({"site_id": ["A", "B"], "name": ["Alder", "Birch"]}),
        "tanks": pl.DataFrame({"tank_id": [STEADY, SOUND, NEW], "site_id": ["A", "A", "B"]}),
        "tank_days": pl.concat(
            [
                days(STEADY, [2.0, -2.0, 6.0] * 5 + [-30.0] * 15),
                days(SOUND, [4.0, -4.0] * 14 + [900.0, -4.0], odd=[28]),
                days(NEW, [50.0] * 5),
            ]
        ),
        "variance_parts": pl.DataFrame(
            {"tank_id": [STEADY] * 2, "trading_day": [FIRST, FIRST + timedelta(1)], "part": ["residual"] * 2,
             "litres": [1.5, -4.0]}
        ),
        "cases": pl.DataFrame([case], schema_overrides={"ts_start": pl.Datetime("us", "UTC")}),
    }  # fmt: skip
    return Fleet.of(Tables.of(frames), FIRST + timedelta(29))


def test_the_usual_spread_is_that_of_sound_days_alone_and_the_fleets_where_they_are_few(fleet):
    spread = usual_spread(fleet.tables, fleet.cases)
    # Fifteen sound days of 2, 2 and 6 l: the middle is 2 l. Twenty-nine of 4 l. 1.4826 by NIST's handbook, 1.3.5.6.
    assert spread[STEADY].litres == pytest.approx(1.4826 * 2.0)
    assert spread[SOUND].litres == pytest.approx(1.4826 * 4.0)
    assert (spread[STEADY].is_own, spread[SOUND].is_own, spread[NEW].is_own) == (True, True, False)
    assert spread[NEW].litres == pytest.approx(1.4826 * 3.0)


def test_a_steady_loss_shows_each_day_in_the_heat_map_which_is_grouped_by_site(fleet):
    chart, notes = heat_map(fleet, fleet.tanks)
    over = chart["traces"][0]["z"]
    assert chart["layout"]["yaxis"]["ticktext"] == [f"Alder: {STEADY}", SOUND, f"Birch: {NEW}"]
    assert [one["path"] for one in chart["layout"]["shapes"]] == ["M0 1.5H1"]
    assert chart["links"] == [f"tanks/{STEADY}.html", f"tanks/{SOUND}.html", f"tanks/{NEW}.html"]
    assert over[0][15:] == [pytest.approx(-30.0 / (1.4826 * 2.0), abs=0.06)] * 15
    assert over[2][:5] == [pytest.approx(50.0 / (1.4826 * 3.0), abs=0.06)] * 5
    assert notes == ["Of 1 tank with fewer than 14 sound days the spread is the middle one of all others."]
    joined, _ = heat_map(fleet, fleet.tanks, max_cells=45)
    # Two days together scatter by the root of two as much.
    assert joined["traces"][0]["z"][0][-1] == pytest.approx(-60.0 / (1.4826 * 2.0 * 2**0.5), abs=0.06)


def test_those_furthest_from_sound_come_first_and_others_not(fleet):
    rows = furthest(fleet)
    sums = {STEADY: 30.0 - 450.0, SOUND: 896.0, NEW: 250.0}
    times = {STEADY: sums[STEADY] / (2.9652 * 30**0.5), SOUND: sums[SOUND] / (5.9304 * 30**0.5),
             NEW: sums[NEW] / (4.4478 * 5**0.5)}  # fmt: skip
    assert [r["tank_id"] for r in rows] == sorted(times, key=lambda t: -abs(times[t]))
    assert [r["times"] for r in rows] == pytest.approx(sorted(times.values(), key=lambda v: -abs(v)), rel=1e-3)
    assert {r["tank_id"]: r["left_l"] for r in rows} == {STEADY: -2.5, SOUND: None, NEW: None}


def test_a_week_of_a_meter_is_its_last_estimate_of_it():
    estimates = pl.DataFrame(
        {"day": [FIRST + timedelta(i) for i in (0, 3, 6, 7, 20)], "error_pct": [0.1, 0.2, 0.3, 0.4, 0.5],
         "error_low_pct": [0.0] * 5, "error_high_pct": [1.0] * 5}
    )  # fmt: skip
    assert by_week(estimates).select("week", "error_pct").rows() == [
        (FIRST, 0.3), (FIRST + timedelta(7), 0.4), (FIRST + timedelta(14), 0.5),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    frames = build_frames(tank_count=6, days=40)
    meter = f"{frames['tanks']['tank_id'][2]}-M2"
    frames["events"] = pl.DataFrame(
        {"event_id": ["e"], "ts": [datetime(2026, 2, 2, 9, tzinfo=UTC)], "site_id": [meter[:3]], "meter_id": [meter],
         "kind": ["meter_calibrated"]}, schema_overrides={"ts": pl.Datetime("us", "UTC")},
    )  # fmt: skip
    return write_report(frames, tmp_path_factory.mktemp("sound"), as_of=last_day(40)).parent


def test_a_meters_picture_says_what_its_row_says_and_marks_its_calibration(report):
    html = (report / "meters.html").read_text(encoding="utf-8")
    pictures = re.findall(
        r"<li><b>(.*?)</b>.*?<small>(.*?)</small>\s*<svg .*?aria-label=\"(.*?)\">(.*?)</svg>", html, re.DOTALL
    )
    rows = dict(re.findall(r'<tr data-key="(\S+) .*?data-label="Error, 95 % interval".*?>(.*?)</td>', html, re.DOTALL))
    assert len(pictures) == 24
    for meter, told, label, svg in pictures:
        text = unescape(re.sub(r"<[^>]+>", " ", rows[meter]))
        figure, span = re.match(r"(\S+)\s%\s*(.*\S)", text).groups()
        assert unescape(told) == f"{figure}\u202f% ({span})"
        assert label.startswith(f"{meter}: {figure} % in the week from 16 Feb 2026 ({span}); 6 weeks")
        # 1.2 % at the top and as much below: half a per cent is seven twelfths of the way from the top to nought.
        assert '<rect class="tolerance" x="0" y="14.0" width="100" height="20.0"/>' in svg
        # Six weeks from 12 January on; the calibration is on the twenty-second day of forty-two.
        has_mark = "calibrated or proved 2 Feb 2026" in label
        assert has_mark == ('class="limit" d="M50.0 ' in svg)
    assert sum("calibrated or proved" in label for _, _, label, _ in pictures) == 1


def test_the_fleet_says_what_its_colours_are_and_leads_to_sites_and_tanks(browser, report):
    with opened(browser, report / "fleet.html") as page:
        all_drawn(page)
        told = page.locator("#figure-heat figcaption").inner_text()
        assert "over the tank's usual spread" in told and "no case is at work" in told
        assert "Left over is what a day's variance is" in page.locator("section:has(#furthest)").inner_text()
        link = page.locator(".sites a").first
        assert (report / link.get_attribute("href")).is_file()
        assert link.inner_text() == page.locator("#tank-list tbody tr").first.get_attribute("data-site")
        first = page.locator("#furthest-list tbody th a").first
        name = first.inner_text()
        own = page.locator(f"#tank-list tr[data-key='{name}'] td").nth(4).text_content()
        assert page.locator("#furthest-list tbody tr").first.locator("td").nth(1).text_content() == own
