"""Kind of evidence: contract. A figure is the same number on every page that shows it."""

import json
import re
from datetime import timedelta
from html import unescape

import polars as pl
import pytest

from pipeline.report.site import write_report
from tests.support.report_frames import build_frames, last_day

DAYS = 60


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Every page of a report with joined tanks, by its path."""
    frames = build_frames(days=DAYS)
    joined = pl.when(pl.col("site_id") == "S02").then(pl.lit("pool"))
    frames["tanks"] = frames["tanks"].with_columns(manifold_id=joined)
    report = write_report(frames, tmp_path_factory.mktemp("same"), as_of=last_day(DAYS)).parent
    return frames, {str(p.relative_to(report)): p.read_text(encoding="utf-8") for p in report.rglob("*.html")}


def plain(html: str) -> str:
    return re.sub(r"[ \n]+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).strip()


def rows_of(html: str, table: str) -> dict[str, str]:
    body = html.split(f'id="{table}"')[1].split("</table>")[0]
    return {unescape(k): r for k, r in re.findall(r'<tr [^>]*data-key="([^"]*)"(.*?)</tr>', body, re.DOTALL)}


def cards_of(html: str) -> dict[str, str]:
    found = re.findall(r"<article .*?</article>", html, re.DOTALL)
    return {plain(re.search(r'<dd class="code">(.*?)</dd>', card, re.DOTALL)[1]): plain(card) for card in found}


def test_a_case_has_the_same_figures_in_the_worklist_and_on_every_tank_that_it_touches(pages):
    frames, html = pages
    listed = rows_of(html["index.html"], "worklist")
    assert len(listed) == frames["cases"].height
    seen = {}
    for path, page in html.items():
        for case_id, card in cards_of(page).items():
            seen.setdefault(case_id, []).append(path)
            row = listed[case_id]
            for figure in re.findall(r"<b>(.*?)</b>|<small>([^<]* to [^<]*)</small>|(EUR [^<]*)<", row):
                assert unescape(next(f for f in figure if f)) in card, (case_id, path, figure)
            since = re.search(r'data-label="Since">([^<]+)<', row)[1]
            assert since in card, (case_id, path, since)
    assert set(seen) == set(listed)
    pool = [t for t, m in frames["tanks"].select("tank_id", "manifold_id").rows() if m]
    of_pool = frames["cases"].filter(pl.col("tank_id").is_in(pool))["case_id"]
    assert len(of_pool)
    assert all({f"tanks/{t}.html" for t in pool} <= set(seen[case_id]) for case_id in of_pool)


def test_a_tank_has_the_same_stock_and_cases_in_the_fleet_and_on_its_own_page(pages):
    frames, html = pages
    rows = rows_of(html["fleet.html"], "tank-list")
    for tank in frames["tanks"]["tank_id"]:
        own = html[f"tanks/{tank}.html"]
        stock = re.search(r"<dt>Stock</dt><dd><b>(.*?)</b>", own)[1]
        assert stock in rows[tank]
        current = sum('class="tag">past' not in card for card in re.findall(r"<article .*?</article>", own, re.DOTALL))
        count = int(plain(re.search(r'data-label="Cases">(.*?)</td>', rows[tank])[1]))
        assert count == current, tank


def test_a_statement_says_the_same_on_both_of_its_pages(pages):
    html = pages[1]
    rows = rows_of(html["statements.html"], "statement-list")
    for key, row in rows.items():
        cells = [plain(c) for c in re.findall(r"<td.*?</td>", row, re.DOTALL)][1:]
        own = plain(html[f"tanks/{key.split()[0]}.html"].split('id="statements"')[1])
        assert all(cell in own for cell in cells), key


def test_joined_tanks_say_on_each_page_that_they_are_one_pool(pages):
    frames, html = pages
    pool = sorted(t for t, m in frames["tanks"].select("tank_id", "manifold_id").rows() if m)
    words = f"one pool with {', '.join(pool[1:])}"
    for path in ("index.html", "fleet.html", "statements.html", "meters.html", "data.html"):
        assert words in html[path], path
    assert "one pool" in html[f"tanks/{pool[0]}.html"]


def test_no_page_tells_a_time_in_utc_or_of_log_odds(pages):
    for path, page in pages[1].items():
        assert "UTC" not in plain(page.split("<main")[1].split("</main>")[0]), path
        assert "log odds" not in page


def saved(html: str, table: str) -> list[dict[str, object]]:
    found = json.loads(html.split(f'id="{table}-records">')[1].split("</script>")[0])
    return [dict(zip(found["columns"], row, strict=True)) for row in found["rows"].values()]


def test_what_is_at_risk_is_what_the_worklist_says_is_missing(pages):
    html = pages[1]
    lead = plain(html["index.html"].split('class="lead"')[1].split("</section>")[0])
    litres, worth = re.search(r"today\. (.*?) missing at .* that is (.*?)\.(?: |$)", lead).groups()
    assert f"At risk in current cases: {litres}, {worth}." in plain(html["money.html"])


def test_a_sites_month_of_money_is_that_of_its_statements_and_the_fleets_sales_are_the_fleets(pages):
    frames, html = pages
    of_statements = {}
    site = dict(frames["tanks"].join(frames["sites"], on="site_id").select("tank_id", "name").rows())
    for row in saved(html["statements.html"], "statement-list"):
        key = site[row["tank_id"]], row["month"]
        sums = of_statements.setdefault(key, [0.0, 0.0])
        sums[0] += row["throughput_l"]
        sums[1] += row["variance_l"]
    money = saved(html["money.html"], "money-list")
    assert {(r["site"], r["month"]) for r in money} == set(of_statements)
    for row in money:
        sold, variance = of_statements[row["site"], row["month"]]
        assert row["sales_l"] == pytest.approx(sold, abs=0.01)
        assert row["variance_l"] == pytest.approx(variance, abs=0.01)
        assert row["gained_l"] - row["lost_l"] == pytest.approx(variance, abs=0.01)
        assert row["shrink_pct"] == pytest.approx(-100 * variance / sold, abs=1e-3)
    sold = re.search(r"sites, (.*? ?l) sold", plain(html["fleet.html"]))[1]
    assert f"of {sold} (no interval)" in plain(html["money.html"])


def test_a_delivery_has_the_same_figures_in_the_list_and_in_its_tanks_chart(pages):
    frames, html = pages
    lists = [page for path, page in html.items() if path.startswith("deliveries")]
    rows = {key: row for page in lists for key, row in rows_of(page, "delivery-list").items()}
    assert len(rows) == frames["drops"].height
    for one in frames["drops"].iter_rows(named=True):
        chart = unescape(html[f"tanks/{one['tank_id']}.html"])
        words = re.search(rf'"{one["delivery_id"]}: (.*?) dropped, (.*?) ticketed, (.*?) apart', chart)
        assert all(figure in plain(rows[one["drop_id"]]) for figure in words.groups()), one["drop_id"]


def test_a_trouble_of_the_data_has_the_sign_the_amount_and_the_start_that_it_has_elsewhere(tmp_path):
    """A till 544 s ahead of its gauge, which the case of it has since an earlier day than the last fortnight's look."""
    frames = build_frames(days=DAYS)
    case = frames["cases"].filter(cause="clock_skew").row(0, named=True)
    tank = frames["tanks"].filter(site_id=case["site_id"])["tank_id"][0]
    since = case["ts_start"] + timedelta(days=9)
    off = pl.when(pl.col("tank_id") == tank).then(-544.0).otherwise(0.0)
    frames["health"] = frames["health"].with_columns(clock_skew_s=off)
    frames["data_health"] = pl.DataFrame(
        [(case["site_id"], tank, "clock_off", since, -544.0, None)],
        schema=["site_id", "tank_id", "kind", "since", "value", "note"], orient="row",
    )  # fmt: skip
    report = write_report(frames, tmp_path, as_of=last_day(DAYS)).parent
    html = {page: (report / page).read_text(encoding="utf-8") for page in ("data.html", f"tanks/{tank}.html")}
    data, own = map(plain, html.values())
    assert data.count("till ahead by 544\u202fs") == 2
    assert set(re.findall("(?:till|gauge) ahead by [^ .]*", own)) == {"till ahead by 544\u202fs"}
    assert not re.search(r"ahead by [\u2212-]|[\u2212-]544", data + own)
    card = cards_of(html[f"tanks/{tank}.html"])[case["case_id"]]
    since_then = re.search(r"Since (.*?; still going on)", card)[1]
    assert f"Clock off {since_then} till ahead" in data


def test_a_site_says_what_worklist_fleet_money_deliveries_and_data_say_of_it(pages):
    frames, html = pages
    lists = {
        "site-cases": rows_of(html["index.html"], "worklist"), "site-tanks": rows_of(html["fleet.html"], "tank-list"),
        "site-money": rows_of(html["money.html"], "money-list"),
        "site-deliveries": {k: r for path, page in html.items() if path.startswith("deliveries")
                            for k, r in rows_of(page, "delivery-list").items()},
    }  # fmt: skip
    seen = dict.fromkeys(lists, 0)
    for site in frames["sites"]["site_id"]:
        page = html[f"sites/{site}.html"]
        for table, elsewhere in lists.items():
            own = rows_of(page, table) if f'id="{table}"' in page else {}
            seen[table] += len(own)
            for key, row in own.items():
                # The room left in a tank stands on its own page alone.
                of_tank = html[f"tanks/{key}.html"].split("</dl>")[0] if table == "site-tanks" else ""
                there = plain(elsewhere[key] + of_tank)
                for cell in re.findall(r'<td class="num.*?</td>', row, re.DOTALL):
                    for words in re.findall(r">([^<>]*\d[^<>]*)<", cell):
                        assert plain(words) in there, (site, table, key, words)
    assert seen["site-cases"] == frames["cases"].height
    assert seen["site-tanks"] == frames["tanks"].height
    assert seen["site-money"] == len(lists["site-money"])
    assert 0 < seen["site-deliveries"] < frames["drops"].height


def test_a_sites_list_and_days_have_the_fleets_and_the_months_figures(pages):
    frames, html = pages
    fleet = {r["tank_id"]: r for r in saved(html["fleet.html"], "tank-list")}
    for site in frames["sites"]["site_id"]:
        for tank, row in rows_of(html[f"days/{site}.html"], "span-tanks").items():
            told = plain(row)
            sold = float(re.search(r'"sales_l" data-v="([\d.]+)"', row)[1])
            assert sold == pytest.approx(fleet[tank]["throughput_l"], abs=0.051)
            assert f"{fleet[tank]['variance_l']:+,.1f}".replace(",", "\u202f").replace("-", "\u2212") in told
            pct = plain(re.search(r'data-of="pct"[^>]*>(.*?)<', row)[1])
            assert pct in plain(rows_of(html["fleet.html"], "tank-list")[tank])
    months = {(r["site"], r["month"]): r for r in saved(html["money.html"], "money-list")}
    for row in saved(html["sites.html"], "site-list"):
        of_money = months[row["site"], row["month"]]
        assert all(row[name] == of_money[name] for name in ("sales_l", "variance_l", "shrink_pct"))


def test_a_draw_has_the_same_litres_in_the_list_on_its_site_and_in_its_tanks_chart(pages):
    frames, html = pages
    listed = rows_of(html["beyond.html"], "beyond-list")
    assert frames["draws"].height
    for draw in frames["draws"].iter_rows(named=True):
        key = f"{draw['tank_id']} {draw['ts_start']}"
        litres = f"{abs(draw['litres']):,.0f}".replace(",", "\u202f") + "\u202fl"
        assert litres in plain(listed[key])
        site = draw["tank_id"].split("-")[0]
        assert litres in plain(rows_of(html[f"sites/{site}.html"], "beyond-list")[key])
        assert f"{litres} drawn" in unescape(html[f"tanks/{draw['tank_id']}.html"])
