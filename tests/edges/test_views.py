"""The snapshot's views, asked what docs/operations.md asks them. Evidence: naive twin in plain Python, contract."""

import re
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest

from pipeline.contract.columns import duckdb_type
from pipeline.contract.views import VIEWS
from pipeline.contract.vocabulary import PARTS
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of
from pipeline.store import SNAPSHOT
from tests.support.lakes import rows
from tests.support.published import publish_frames
from tests.support.report_frames import build_frames, last_day
from tests.support.runs import ROOT

DAYS = 45
PRICE = 1.7
SECTION = (ROOT / "docs" / "operations.md").read_text(encoding="utf-8").split("## Asking the snapshot")[1]
QUESTIONS = dict(re.findall(r"^-- (.*?)\n(.*?);$", SECTION.split("```")[1], re.MULTILINE | re.DOTALL))
SAID_AT = datetime(2026, 3, 1, 8, tzinfo=UTC)


def _frames() -> dict[str, pl.DataFrame]:
    """Eight tanks at two sites, with what the questions are about put in by hand."""
    frames = build_frames(tank_count=8, days=DAYS)
    lost = {"delivery_id": "LOST", "tank_id": "S02-T1", "ts_ticket": datetime(2026, 2, 3, 23, 30, tzinfo=UTC),
            "ticket_volume_l": 9000.0, "carrier": "Westline"}  # fmt: skip
    sale = {"sale_id": "1", "meter_id": "S01-T2-M1", "ts_start": SAID_AT - timedelta(days=9), "volume_l": 20.0,
            "ts_end": SAID_AT - timedelta(days=9, seconds=-90), "unit_price": PRICE, "kind": "sale"}  # fmt: skip
    is_off = (pl.col("meter_id") == "S02-T2-M3") & (pl.col("day") == last_day(DAYS))
    off = {"error_pct": 0.8, "error_low_pct": 0.6, "error_high_pct": 1.0}
    estimates = frames["meter_estimates"].with_columns(
        pl.when(is_off).then(value).otherwise(name).alias(name) for name, value in off.items()
    )
    return frames | {
        "deliveries": pl.concat([frames["deliveries"], pl.DataFrame([lost])], how="diagonal"),
        "sales": rows("sales", sale),
        "meter_estimates": estimates,
    }


@pytest.fixture(scope="module")
def frames():
    return _frames()


@pytest.fixture(scope="module")
def published(tmp_path_factory, frames):
    """The folder of a run that was published after two cases were closed and one taken in hand."""
    out = tmp_path_factory.mktemp("views")
    # Of two cases of one cause the first; the other ended 40 days before, and is off the list by itself.
    by_cause = {row["cause"]: row for row in frames["cases"].reverse().iter_rows(named=True)}
    closed = {"kind": "closed", "verdict": "confirmed", "who": "Ines"}
    said = {
        "bulk_theft": closed | {"litres": -800.0, "recovered": 900.0, "note": "paid by the insurer"},
        "wrong_feed": closed | {"verdict": "ruled_out"},
        "tank_leak": {"kind": "taken", "owner": "M. Orr", "due_on": date(2026, 3, 4)},
    }
    for cause, words in said.items():
        case = by_cause[cause]
        say(out, row_of(Saying(case_id=case["case_id"], **words), case, {}), now=SAID_AT)
    return publish_frames(out, frames, days=DAYS)


@pytest.fixture(scope="module")
def snapshot(published):
    with duckdb.connect(published / SNAPSHOT, read_only=True) as connection:
        connection.execute("set TimeZone = 'UTC'")
        yield connection


def _sites(frames):
    """Of each tank, its site's name; of each site, its name."""
    names = dict(frames["sites"].select("site_id", "name").rows())
    return {tank: names[site] for tank, site in frames["tanks"].select("tank_id", "site_id").rows()}, names


def _sums(pairs):
    sums = defaultdict(float)
    for key, value in pairs:
        sums[key] += value
    return dict(sums)


def _this_month(frame):
    return [row for row in frame.iter_rows(named=True) if row["trading_day"] >= date(2026, 2, 1)]


def _lost_by_site(frames, out):
    of_tank, _ = _sites(frames)
    sums = _sums(
        (of_tank[r["tank_id"]], r["variance_l"]) for r in _this_month(pl.read_parquet(out / "tank_days.parquet"))
    )
    return sorted((pair for pair in sums.items() if pair[1] < 0), key=lambda pair: pair[1])


def _lost_by_cause(frames, out):
    parts = _this_month(pl.read_parquet(out / "variance_parts.parquet"))
    noise = {"thermal", "meter_tolerance", "chart_tolerance", "residual", "unexplained"}
    sums = _sums((r["part"], r["litres"]) for r in parts if r["litres"] < 0 and r["part"] not in noise)
    return sorted(sums.items(), key=lambda pair: pair[1])


def _hauliers(frames, out):
    carriers = dict(frames["deliveries"].select("delivery_id", "carrier").rows())
    drops = [(carriers[r["delivery_id"]], r) for r in frames["drop_left"].iter_rows(named=True)]
    counts, left = _sums((c, 1) for c, _ in drops), _sums((c, r["left_l"]) for c, r in drops)
    ticketed = _sums((c, r["ticket_volume_l"]) for c, r in drops)
    found = [(c, counts[c], left[c], 100 * left[c] / ticketed[c]) for c in counts]
    return sorted(found, key=lambda row: row[3])


def _old_cases(frames, out):
    names = _sites(frames)[1]
    found = []
    for row in frames["cases"].iter_rows(named=True):
        age = (last_day(DAYS) - row["raised_on"]).days
        hand = ("M. Orr", date(2026, 3, 4)) if row["cause"] == "tank_leak" else (None, None)
        if age > 7 and row["cause"] not in ("bulk_theft", "wrong_feed"):
            found.append((row["case_id"], names[row["site_id"]], age, *hand))
    return sorted(found, key=lambda row: (-row[2], row[0]))


def _room(frames, out):
    of_tank, _ = _sites(frames)
    days = pl.read_parquet(out / "tank_days.parquet").filter(trading_day=last_day(DAYS))
    stock = dict(days.select("tank_id", "closing_stock_l").rows())
    tanks = [r for r in frames["tanks"].iter_rows(named=True) if r["product"] == "diesel_b7"]
    found = [(r["tank_id"], of_tank[r["tank_id"]], r["safe_fill_l"] - stock[r["tank_id"]]) for r in tanks]
    return sorted((row for row in found if row[2] >= 12_000), key=lambda row: -row[2])


def _worst_days(frames, out):
    rest = _sums(
        ((r["tank_id"], r["trading_day"]), r["litres"])
        for r in frames["variance_parts"].iter_rows(named=True)
        if r["part"] in ("residual", "unexplained")
    )
    worst = {}
    for row in pl.read_parquet(out / "tank_days.parquet").iter_rows(named=True):
        best = worst.get(row["tank_id"])
        if best is None or abs(row["variance_l"]) > abs(best["variance_l"]):
            worst[row["tank_id"]] = row
    return [(t, r["trading_day"], r["variance_l"], rest[t, r["trading_day"]]) for t, r in sorted(worst.items())]


def _bad_months(frames, out):
    found = []
    for row in pl.read_parquet(out / "statements.parquet").iter_rows(named=True):
        price = PRICE if row["tank_id"] == "S01-T2" else None
        if abs(row["variance_l"]) > row["allowance_l"] or row["verdict"] != "pass":
            worth = None if price is None else row["variance_l"] * price
            found.append((row["tank_id"], row["month"], row["variance_l"], worth, "EUR", row["verdict"]))
    return sorted(found, key=lambda row: row[:2])


ANSWERS = {
    "Which sites lost most this month?": _lost_by_site,
    "Where did this month's losses go?": _lost_by_cause,
    "Whose drops come short, the tanks' own errors taken out, and by how much of what was ticketed?": _hauliers,
    # Half past eleven in the evening of the 3rd in UTC is the 4th on the site's clock, in Berlin.
    "Which tickets have no drop?": lambda *_: [("LOST", "S02-T1", date(2026, 2, 4), 9000.0)],
    "Which meters are beyond 0.5 %, all of their interval?": lambda *_: [("S02-T2-M3", "Mill Bridge", 0.8)],
    "Which open cases are older than a week, and who has them?": _old_cases,
    "What did closed cases come to?": lambda *_: [("Mill Bridge", "EUR", 1, -800.0, 900.0)],
    # The published frames hold one reading, of the first tank, at the start of the last day.
    "Which sites have tanks that said nothing today?": lambda *_: [
        ("Harbour Road", 3, 4, datetime(2026, 2, 25, tzinfo=UTC)), ("Mill Bridge", 4, 4, None),
    ],
    "Which tanks of diesel have room for 12,000 l?": _room,
    "On which day was each tank furthest off, and what is not explained of it?": _worst_days,
    "Which months are beyond their allowance or could not pass, and what are they worth?": _bad_months,
}  # fmt: skip


def test_the_questions_of_the_docs_are_all_answered_here():
    assert list(QUESTIONS) == list(ANSWERS)


@pytest.mark.parametrize("question", ANSWERS)
def test_a_question_has_the_answer_that_plain_python_gives(published, snapshot, frames, question):
    expected = ANSWERS[question](frames, published)
    found = snapshot.sql(QUESTIONS[question]).fetchall()
    assert expected, "a question whose answer is nothing shows nothing"
    assert len(found) == len(expected)
    for row, wanted in zip(found, expected, strict=True):
        assert len(row) == len(wanted)
        for value, other in zip(row, wanted, strict=True):
            assert value == (pytest.approx(other, abs=1e-6) if isinstance(other, float) else other)


@pytest.mark.parametrize("name", VIEWS)
def test_a_view_has_the_columns_keys_and_words_that_are_documented(snapshot, name):
    described = {column: kind for column, kind, *_ in snapshot.sql(f"describe views.{name}").fetchall()}
    kinds = {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}
    wanted = {
        column: kinds.get(duckdb_type(col.metadata["kind"]), duckdb_type(col.metadata["kind"]))
        for column, col in VIEWS[name].columns().items()
    }
    assert list(described.items()) == list(wanted.items())
    frame = snapshot.sql(f"from views.{name}").pl()
    assert frame.height
    assert VIEWS[name].filter(frame, cast=True)[1].counts() == {}
    comments = dict(
        snapshot.sql(
            f"select column_name, comment from duckdb_columns() where schema_name = 'views' and table_name = '{name}'"
        ).fetchall()
    )
    assert comments == {column: col.description for column, col in VIEWS[name].columns().items()}


def test_a_days_parts_add_up_to_its_variance_and_none_is_left_out(snapshot):
    assert {f"{part}_l" for part in PARTS} < set(VIEWS["days"].columns())
    total = " + ".join(f"{part}_l" for part in PARTS)
    asked = f"select max(abs({total} - variance_l)), count(variance_l) from views.days"
    ((worst, days),) = snapshot.sql(asked).fetchall()
    assert worst < 1e-6 and days == 8 * DAYS


def test_views_hold_wherever_the_file_is_attached(published, snapshot):
    """Tools attach the file under names of their own, and one another beside it."""
    counts = {name: snapshot.sql(f"select count(*) from views.{name}").fetchall() for name in VIEWS}
    with duckdb.connect() as other:
        other.execute(f"attach '{published / SNAPSHOT}' as anything (read_only)")
        assert {n: other.sql(f"select count(*) from anything.views.{n}").fetchall() for n in VIEWS} == counts
