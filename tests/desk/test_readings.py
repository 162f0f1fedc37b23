"""Kind of evidence: naive twin, contract, a real browser. Every reading of a tank, as many as a screen has room for."""

import io
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import polars as pl
import pytest

from flows.cli import main
from pipeline.desk.readings import Span, readings_of, span_of
from pipeline.errors import ArgumentError
from tests.desk.conftest import DAYS
from tests.support.browser import all_drawn, drawn, until
from tests.support.desks import desk
from tests.support.report_frames import last_day

TANK = "S02-T1"
TANKS = {TANK: {"tank_id": TANK, "timezone": "Europe/Berlin"}}
END = datetime.combine(last_day(DAYS) + timedelta(days=1), datetime.min.time(), UTC)
START = END - timedelta(days=3)
PASSWORD = "twelve dry dips"


def told():
    """Three days of a reading every 20 s or so, in disorder of size, with bad ones, nulls, and ten hours of silence."""
    rng = np.random.default_rng(5)
    n = 9_000
    at = np.sort(rng.choice(3 * 86_400, n, replace=False))
    silent = (at > 90_000) & (at < 126_000)
    frame = pl.DataFrame(
        {
            "tank_id": TANK, "ts": [START + timedelta(seconds=int(s)) for s in at],
            "level_mm": 1_000.0 + 300.0 * rng.standard_cauchy(n), "water_mm": rng.normal(10.0, 1.0, n),
            "temp_c": np.where(rng.random(n) < 0.3, np.nan, rng.normal(9.0, 1.0, n)),
            "quality": rng.choice(["good", "uncertain", "bad"], n, p=[0.8, 0.1, 0.1]),
        },
        schema_overrides={"ts": pl.Datetime("us", "UTC")},
    ).filter(pl.Series(~silent))  # fmt: skip
    return frame.with_columns(pl.col("temp_c").fill_nan(None))


@pytest.fixture(scope="module")
def rows():
    return told()


@pytest.fixture(scope="module")
def lake(rows, tmp_path_factory):
    """The readings in folders of days, beside another tank's; one of the days has no water in its file."""
    place = tmp_path_factory.mktemp("a lake [1]") / "lake"
    other = rows.with_columns(tank_id=pl.lit("S02-T2"), level_mm=pl.lit(9e9))
    both = pl.concat([rows, other]).with_columns(day=pl.col("ts").dt.date())
    for number, ((day,), own) in enumerate(both.group_by("day", maintain_order=True)):
        folder = place / "readings" / f"day={day}"
        folder.mkdir(parents=True)
        own.drop("day", *(["water_mm"] if number == 2 else [])).write_parquet(folder / "part-0.parquet")
    return place


def by_hand(rows, quantity, start, end, width):
    """Lowest and highest of each column of the screen, one reading after the other."""
    found = {}
    for ts, value, quality in rows.select("ts", quantity, "quality").iter_rows():
        if value is None or quality == "bad" or not start <= ts <= end:
            continue
        column = min(int((ts - start) / (end - start) * width), width - 1)
        low, high = found.get(column, (value, value))
        found[column] = (min(low, value), max(high, value))
    return found


@pytest.mark.parametrize("width", [50, 333, 4_000])
def test_no_extreme_is_lost_and_no_column_has_more_than_two_points(lake, rows, width):
    start, end = START + timedelta(hours=7), END - timedelta(hours=5)
    found = readings_of(lake, Span(TANK, start, end, width, ZoneInfo("UTC")))
    shown = rows.filter(pl.col("ts").is_between(start, end))
    assert found["readings"] == shown.height
    assert found["bad"] == shown.filter(quality="bad").height > 100
    last = shown["ts"].dt.date().max()
    for quantity in ("level_mm", "water_mm", "temp_c"):
        own = rows.with_columns(water_mm=pl.when(pl.col("ts").dt.date() != last).then("water_mm"))
        wanted = by_hand(own, quantity, start, end, width)
        columns = {}
        line = found["series"][quantity]
        for x, y in zip(line["x"], line["y"], strict=True):
            if y is not None:
                at = (datetime.fromisoformat(x).replace(tzinfo=UTC) - start) / (end - start) * width
                columns.setdefault(min(int(at), width - 1), []).append(y)
        assert max(map(len, columns.values())) <= 2
        assert columns.keys() == wanted.keys()
        for column, values in columns.items():
            assert (min(values), max(values)) == pytest.approx(wanted[column], abs=6e-4)
        assert line["x"] == sorted(line["x"]) and line["y"].count(None) == 1


def test_times_are_the_sites_and_a_span_without_readings_is_empty(lake):
    asked = {"tank": TANK, "from": "2026-01-13T00:00", "to": "2026-01-14T00:00", "width": "500"}
    span = span_of(asked, TANKS)
    assert span.start == datetime(2026, 1, 12, 23, tzinfo=UTC)
    found = readings_of(lake, span)
    assert (found["readings"], found["bad"]) == (0, 0)
    assert all(line == {"x": [], "y": []} for line in found["series"].values())
    later = readings_of(lake, Span(TANK, START, START + timedelta(hours=2), 900, ZoneInfo("Europe/Berlin")))
    assert later["series"]["level_mm"]["x"][0].startswith(f"{START:%Y-%m-%d} 01:0")


@pytest.mark.parametrize(
    ("changes", "names"),
    [
        ({"tank": "T99"}, "tank"),
        ({"tank": "'; drop table x"}, "tank"),
        ({"from": "yesterday"}, "from"),
        ({"to": ""}, "to"),
        ({"to": "0001-01-01T00:00:00+23:59"}, "to"),
        ({"to": "2026-02-10T00:00"}, "from, to"),
        ({"to": "2026-03-14T00:01"}, "from, to"),
        ({"width": "49"}, "width"),
        ({"width": "4001"}, "width"),
        ({"width": "1e3"}, "width"),
        ({"width": "९९९"}, "width"),
    ],
)
def test_what_cannot_be_asked_is_one_clear_line(changes, names):
    asked = {"tank": TANK, "from": "2026-02-11T00:00", "to": "2026-03-14T00:00", "width": "1000"}
    span_of(asked, TANKS)
    with pytest.raises(ArgumentError, match=f"^{names}: expected ") as raised:
        span_of(asked | changes, TANKS)
    assert "\n" not in str(raised.value)


@pytest.fixture(scope="module")
def users(tmp_path_factory):
    place = tmp_path_factory.mktemp("users") / "users.txt"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
        assert main(["desk-user", str(place), "Ines", "--reads"]) == 0
    return place


@pytest.fixture(scope="module")
def guarded(out, lake, users):
    with desk(out, "--users", users, "--lake", lake) as found:
        yield found


ASKED = {"tank": TANK, "from": f"{START:%Y-%m-%dT%H:%M}Z", "to": f"{END:%Y-%m-%dT%H:%M}Z", "width": "500"}


def test_who_may_see_pages_sees_readings_and_nobody_else(guarded, lake):
    with httpx.Client(base_url=guarded, headers={"Origin": guarded}) as client:
        turned_away = client.get("/readings", params=ASKED)
        assert (turned_away.status_code, turned_away.headers["location"]) == (303, "/sign-in")
        assert client.get("/readings", params=ASKED, headers={"Host": "evil.example"}).status_code == 400
        token = client.get("/sign-in").text.split('name="token" value="')[1].split('"')[0]
        client.post("/sign-in", data={"token": token, "name": "Ines", "password": PASSWORD})
        answer = client.get("/readings", params=ASKED)
        assert answer.status_code == 200 and answer.json()["readings"] > 1_000
        assert answer.headers["cache-control"] == "no-store"
        wrong = client.get("/readings", params=ASKED | {"width": "0"})
        assert (wrong.status_code, wrong.text) == (400, "width: expected a whole number from 50 to 4000")
        spoilt = next(lake.rglob(f"day={START.date()}/*.parquet"))
        whole = spoilt.read_bytes()
        try:
            spoilt.write_bytes(whole[: len(whole) // 2])
            told = client.get("/readings", params=ASKED)
        finally:
            spoilt.write_bytes(whole)
        assert told.status_code == 503 and "the lake's readings cannot be read" in told.text
        assert "\n" not in told.text


def test_a_desk_that_knows_no_lake_says_so_and_answers_no_readings(out, address):
    with httpx.Client(base_url=address) as client:
        assert client.get("/readings", params=ASKED).status_code == 404
        page = client.get(f"/tanks/{TANK}.html").text
    assert "tankdrift desk OUT --lake LAKE" in page and "readings.js" not in page
    on_disk = (out / "report" / "tanks" / f"{TANK}.html").read_text(encoding="utf-8")
    assert "tankdrift desk OUT --lake LAKE" in on_disk and "readings.js" not in on_disk
    assert "connect-src" not in on_disk


def test_a_lake_that_is_not_there_is_one_line(out, tmp_path, capsys):
    assert main(["desk", str(out), "--port", "0", "--lake", str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err == f"tankdrift: --lake {tmp_path / 'none'}: there is no such folder\n"


def test_a_zoomed_chart_has_every_reading_and_a_wide_one_asks_for_none(browser, guarded, rows):
    points = "document.querySelector('#chart-readings').data[0].x.length"
    with browser.new_context() as context:
        page = context.new_page()
        wrong = []
        page.on("console", lambda m: wrong.append(m.text) if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.goto(f"{guarded}/sign-in")
        page.locator("main input[name=name]").fill("Ines")
        page.locator("main input[name=password]").fill(PASSWORD)
        page.locator("main input[name=password]").press("Enter")
        page.wait_for_url("**/index.html")
        page.goto(f"{guarded}/tanks/{TANK}.html")
        drawn(page)
        all_drawn(page)
        status = page.locator("#readings-told")
        assert status.inner_text() == "Zoom to 31 days or less to see them."
        assert page.evaluate(points) == 0
        page.get_by_role("button", name="Day", exact=True).click()
        until(page, f"{points} > 500")
        day = rows.filter(pl.col("ts") >= END - timedelta(hours=24))
        assert status.inner_text().endswith("left out as bad.")
        assert 0 < int(status.inner_text().split()[0]) <= day.height
        page.get_by_role("button", name="All", exact=True).click()
        until(page, f"{points} === 0")
        assert wrong == []
