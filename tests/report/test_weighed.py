"""Kind of evidence: contract, and naive twins: what is said for and against a case is what the run's tables hold."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.contract.causes import RECORDS
from pipeline.contract.store import STORE_TABLES
from pipeline.report import weighed_text as words
from pipeline.report.fleet import Fleet
from pipeline.report.tables import Tables
from pipeline.report.weighed import weighed_of
from tests.support.report_frames import build_frames, last_day

DAYS, LEAKING = 60, "S02-T1"
FIELDS = ("event_id", "ts", "site_id", "tank_id", "meter_id", "kind", "note")


@pytest.fixture(scope="module")
def frames():
    return build_frames(days=DAYS)


def weighed(frames, cause="tank_leak", **changes):
    """What is said of the first case of a cause, some of the run's tables and of the case's values being others."""
    row = frames["cases"].filter(cause=cause).row(0, named=True)
    is_it = pl.col("case_id") == row["case_id"]
    cases = frames["cases"].with_columns(
        pl.when(is_it).then(pl.lit(v, dtype=frames["cases"].schema[c])).otherwise(c).alias(c)
        for c, v in changes.items() if c in frames["cases"].columns
    )  # fmt: skip
    tables = {n: v for n, v in changes.items() if isinstance(v, pl.DataFrame)}
    fleet = Fleet.of(Tables.of(frames | {"cases": cases} | tables), last_day(DAYS))
    case = next(c for c in fleet.cases if c.row["case_id"] == row["case_id"])
    return weighed_of(fleet, [case])[row["case_id"]]


def log(*rows):
    schema = {c: STORE_TABLES["drops"].create_empty().schema["ts_start"] if c == "ts" else pl.String for c in FIELDS}
    return pl.DataFrame([(f"e{i}", *row) for i, row in enumerate(rows)], schema=schema, orient="row")


def test_every_cause_says_what_would_settle_it():
    assert all(one.settled_by and all(line.endswith(".") for line in one.settled_by) for one in RECORDS)


def test_what_would_settle_it_is_asked_until_it_is_closed(frames):
    assert weighed(frames).settles[0] == "A tightness test of the tank by a licensed tester."
    case = frames["cases"].filter(cause="tank_leak").row(0, named=True)
    closing = pl.DataFrame(
        [{"seq": 0, "at": datetime(2026, 3, 12, tzinfo=UTC), "case_id": case["case_id"], "kind": "closed",
          "cause": "tank_leak", "verdict": "confirmed", "learned_on": last_day(DAYS)}]
    )  # fmt: skip
    assert weighed(frames, sayings=closing).settles == []


def test_days_on_which_it_should_have_shown_and_did_not_are_counted_one_by_one(frames):
    parts = frames["variance_parts"].filter(tank_id=LEAKING)
    start = frames["cases"].filter(cause="tank_leak")["ts_start"][0].date()
    open_l = {}
    for part, day, litres in parts.select("part", "trading_day", "litres").iter_rows():
        if part in ("tank_leak", "residual") and start < day < last_day(DAYS):
            open_l.setdefault(day, []).append(litres)
    sums = [sum(v) for v in open_l.values()]
    n, lost = len(sums), sum(v < 0 for v in sums)
    assert n == 22 and 0 < lost <= n
    said = weighed(frames)
    if lost == n:
        assert words.DAYS_ALL.format(n=n) in said.speaks_for
    # With the left-over of three days turned the other way and made large, those are days on which it did not show.
    gained = [d for d in sorted(open_l)][:3]
    turned = frames["variance_parts"].with_columns(
        litres=pl.when((pl.col("tank_id") == LEAKING) & (pl.col("part") == "residual")
                       & pl.col("trading_day").is_in(gained)).then(500.0).otherwise("litres")
    )  # fmt: skip
    more = sum(sum(open_l[d]) < 0 for d in open_l if d not in gained)
    said = weighed(frames, variance_parts=turned)
    assert words.DAYS_FOR.format(k=more, n=n) in said.speaks_for
    assert words.DAYS_AGAINST.format(k=n - more, n=n) in said.against


def test_days_of_which_nothing_is_known_are_counted(frames):
    silent = [last_day(DAYS) - timedelta(days=n) for n in (0, 3, 4, 9, 40)]
    is_gone = (pl.col("tank_id") == LEAKING) & pl.col("trading_day").is_in(silent)
    days = frames["tank_days"].with_columns(variance_l=pl.when(is_gone).then(None).otherwise("variance_l"))
    # The last day is not a whole one, and the fortieth before it is none of the case's.
    assert "On 3 of 22 whole days no variance could be told." in weighed(frames, tank_days=days).against
    assert not any("could be told" in s for s in weighed(frames).against)


@pytest.mark.parametrize(
    ("end", "side", "told"),
    [
        ("No other cause came near.", "speaks_for", "No other cause came near."),
        ("Next likely, far behind: a meter off.", "against",
         "Next likely is a meter off, more than 1 000 to 1 against."),
        ("Next likely: a meter off, 4 to 1 against.", "against", "It could also be a meter off: 4 to 1 against that."),
        ("Next likely: the same at another hour, 1,096 to 1 against.", "against",
         "It could also be the same at another hour: 1 096 to 1 against that."),
    ],
)  # fmt: skip
def test_a_rival_is_said_with_its_odds(frames, end, side, told):
    said = weighed(frames, summary=f"A leak from the tank at {LEAKING}: 314 l lost. {end}")
    assert told in [one.replace("\u202f", " ") for one in getattr(said, side)]
    other = "against" if side == "speaks_for" else "speaks_for"
    assert not any("1 against" in one or "came near" in one for one in getattr(said, other))


def test_an_interval_that_holds_nought_speaks_against_it(frames):
    said = weighed(frames, litres=-10.0, litres_low=-40.0, litres_high=20.0)
    assert [s.replace("\u2212", "-") for s in said.against if "may be nothing" in s] == [
        "The 95 % interval of its litres goes from a loss to a gain, -40 to +20 l: it may be nothing."
    ]
    assert not any("may be nothing" in s for s in weighed(frames).against)


def test_a_gauge_that_stuck_speaks_for_a_faulty_gauge_and_against_a_leak(frames):
    stuck = frames["health"].with_columns(
        is_stuck=pl.when(pl.col("tank_id") == LEAKING).then(pl.col("day") > last_day(DAYS) - timedelta(days=4))
        .otherwise("is_stuck")
    )  # fmt: skip
    assert "The gauge was stuck on 4 of its 24 days." in weighed(frames, health=stuck).against
    assert not any("stuck" in s for s in weighed(frames).against)
    # By its story the gauge of the probe's case stuck on five of the last days.
    assert "The gauge was stuck on 5 of its 6 days." in weighed(frames, cause="probe_fault").speaks_for


def test_a_question_about_the_chart_and_what_shares_its_litres_speak_against_it_while_they_are_open(frames):
    is_chart = pl.col("cause") == "chart_error"
    moved = frames["cases"].with_columns(
        tank_id=pl.when(is_chart | (pl.col("cause") == "line_leak")).then(pl.lit(LEAKING)).otherwise("tank_id")
    )
    against = [s.replace("\u202f", " ") for s in weighed(frames | {"cases": moved}).against]
    assert "A question about this tank's chart is open (81 %): litres by level may be off." in against
    assert any(
        s.startswith("'Pipework may be leaking' is open on the same tank in the same time (58 %)") for s in against
    )
    over = moved.with_columns(ts_end=pl.when(is_chart).then(pl.col("ts_start") + timedelta(days=1)).otherwise("ts_end"))
    assert not any("chart is open" in s for s in weighed(frames | {"cases": over}).against)


def test_what_the_log_has_speaks_for_or_against_a_leak(frames):
    start = frames["cases"].filter(cause="tank_leak")["ts_start"][0]
    said = weighed(
        frames,
        events=log(
            (start - timedelta(hours=1), "S02", LEAKING, None, "probe_replaced", None),
            (start - timedelta(days=2), "S02", LEAKING, None, "chart_replaced", None),
            (start + timedelta(days=5), "S02", LEAKING, None, "tightness_test_failed", None),
            (start + timedelta(days=9), "S02", LEAKING, None, "stock_measured", "7000 l"),
            (start - timedelta(days=9), "S02", LEAKING, None, "tightness_test_passed", None),
        ),
    )
    assert any("'Probe replaced'" in s for s in said.against)
    assert not any("chart replaced" in s.lower() or "was passed" in s for s in said.against)
    assert any(s.startswith("A tightness test failed on ") for s in said.speaks_for)
    assert said.settles[-1].startswith("In the site's log since it began: tightness test failed, ")
    assert "stock measured, " in said.settles[-1]


def test_a_statement_speaks_for_a_leak_that_it_has_and_against_one_that_it_rules_out(frames):
    """February's days from the twelfth on are the leak's when it starts there: seventeen of them."""
    start = datetime(2026, 2, 12, tzinfo=UTC)
    own = (pl.col("tank_id") == LEAKING) & (pl.col("month") == datetime(2026, 2, 1).date())

    def with_rates(low, rate, high):
        return frames["statements"].with_columns(
            pl.when(own).then(v).otherwise(c).alias(c)
            for c, v in (("leak_rate_low", low), ("leak_rate_l_per_h", rate), ("leak_rate_high", high))
        ).with_columns(verdict=pl.when(own).then(pl.lit("pass")).otherwise("verdict"))  # fmt: skip

    tight = weighed(frames, ts_start=start, rate_l_per_h=0.6, statements=with_rates(-0.1, 0.05, 0.2))
    assert any(s.startswith("February 2026's statement passed") for s in tight.against)
    within = weighed(frames, ts_start=start, rate_l_per_h=0.15, statements=with_rates(-0.1, 0.05, 0.2))
    assert not any("statement passed" in s for s in within.against)
    leaks = weighed(frames, ts_start=start, rate_l_per_h=0.6, statements=with_rates(0.3, 0.5, 0.7))
    assert any(s.startswith("February 2026's statement has a leak") for s in leaks.speaks_for)
    late = weighed(frames, ts_start=datetime(2026, 2, 20, tzinfo=UTC), rate_l_per_h=0.6,
                   statements=with_rates(-0.1, 0.05, 0.2))  # fmt: skip
    assert not any("February" in s for s in late.against)
