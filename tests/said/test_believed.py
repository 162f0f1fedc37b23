"""Kind of evidence: known truth by construction. A case's history is what each published run believed of it."""

import re
from datetime import UTC, date, datetime, timedelta
from html import unescape

import polars as pl
import pytest

from pipeline.backup import back_up
from pipeline.errors import StoreError
from pipeline.report.believed import MOST_ROWS, told
from pipeline.said.believed import SCHEMA, believed_with
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of
from pipeline.said.shown import BELIEVED, read_believed
from tests.report.test_worklist import AS_OF, case, rank
from tests.support.published import publish_frames
from tests.support.report_frames import build_frames, last_day

DAYS = 20


def row(case_id="leak", probability=0.8, state="current", **more):
    figures = {"litres": -10.0, "litres_low": -12.0, "litres_high": -8.0, "urgency": "today", "is_over": False}
    return {"case_id": case_id, "probability": probability, "state": state} | figures | more


def after(*nights):
    """What is kept after nights, each a day of March and its cases."""
    kept = SCHEMA.to_frame()
    for day, cases in nights:
        kept = believed_with(kept, cases, date(2026, 3, day))
    return kept.select("case_id", pl.col("day").dt.day(), "probability", "state").rows()


def test_a_row_is_kept_where_something_changed():
    assert after((1, [row()]), (2, [row()]), (3, [row(probability=0.9)]), (4, [row("other")])) == [
        ("leak", 1, 0.8, "current"), ("leak", 3, 0.9, "current"), ("leak", 4, 0.9, "gone"),
        ("other", 4, 0.8, "current"),
    ]  # fmt: skip
    assert after((1, [row(litres=None)]), (2, [row(litres=None)]), (3, [row(litres=0.0)])) == [
        ("leak", 1, 0.8, "current"), ("leak", 3, 0.8, "current"),
    ]  # fmt: skip


def test_a_case_that_is_gone_is_so_once_and_may_come_again():
    assert after((1, [row()]), (2, []), (3, []), (4, [row()])) == [
        ("leak", 1, 0.8, "current"), ("leak", 2, 0.8, "gone"), ("leak", 4, 0.8, "current"),
    ]  # fmt: skip


def test_a_run_that_is_published_again_takes_the_place_of_what_it_said():
    assert after((1, [row()]), (2, [row(state="closed")]), (2, [row()])) == [("leak", 1, 0.8, "current")]
    assert after((1, [row()]), (1, [row(state="closed")])) == [("leak", 1, 0.8, "closed")]


def test_a_page_shows_the_changes_that_a_reader_sees_the_newest_first_and_no_more_than_so_many():
    days = [AS_OF - timedelta(days=40 - n) for n in range(40)]
    same = [row("leak", 0.5001 + n / 1e5, day=day) for n, day in enumerate(days)]
    (found,) = rank(case("leak", probability=0.9), believed=pl.DataFrame(same, infer_schema_length=None))
    assert [(one["day"], one["probability"].replace("\u202f", " ")) for one in told(found).rows] == [
        ("31 Mar 2026", "90 %"), ("19 Feb 2026", "50 %"),
    ]  # fmt: skip
    moving = [row("leak", 0.1 + 0.02 * n, day=day) for n, day in enumerate(days)]
    later = row("leak", 0.01, day=AS_OF + timedelta(days=1))
    (found,) = rank(case("leak"), believed=pl.DataFrame([*moving, later], infer_schema_length=None))
    shown = told(found)
    assert (len(shown.rows), shown.left_out) == (MOST_ROWS, 41 - MOST_ROWS)
    assert shown.rows[0]["day"] == "31 Mar 2026"


def test_nights_leave_a_history_on_the_page_and_in_the_backup(tmp_path):
    out, frames = tmp_path, build_frames(tank_count=4, days=DAYS)
    leak = frames["cases"].filter(pl.col("litres") == -842.0).row(0, named=True)
    mine = pl.col("case_id") == leak["case_id"]
    doubted = pl.when(mine).then(0.6).otherwise("probability").alias("probability")
    publish_frames(out, {**frames, "cases": frames["cases"].with_columns(doubted)}, days=DAYS - 1)
    taken = Saying(kind="closed", case_id=leak["case_id"], verdict="confirmed")
    say(out, row_of(taken, leak, {}), now=datetime.now(UTC))
    publish_frames(out, frames, days=DAYS, night=2)
    page = (out / "report" / "tanks" / f"{leak['tank_id']}.html").read_text(encoding="utf-8")
    card = next(one for one in re.findall(r"<article.*?</article>", page, re.DOTALL) if leak["case_id"] in one)
    history = re.findall(r"<tr>(.*?)</tr>", card.split('class="believed"')[1].split("</details>")[0], re.DOTALL)
    cells = [[unescape(re.sub("<.*?>", "", cell)) for cell in re.findall(r"<t[dh].*?</t[dh]>", one)] for one in history]
    assert [(c[0], c[1].replace("\u202f", " "), c[4]) for c in cells[1:]] == [
        (f"{last_day(DAYS):%-d %b %Y}", "95 %", "Closed"), (f"{last_day(DAYS - 1):%-d %b %Y}", "60 %", "Current"),
    ]  # fmt: skip
    made = back_up(out, out / "b.zip", now=datetime.now(UTC))
    assert made.files >= 4 and BELIEVED.encode() in (out / "b.zip").read_bytes()
    (out / BELIEVED).write_bytes(b"torn")
    with pytest.raises(StoreError, match=r"believed\.parquet: this is not as it was written"):
        read_believed(out)
