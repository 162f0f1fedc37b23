"""What of a run's own figures speaks for a case and what against it, and what measurement would settle it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import polars as pl

from pipeline.cases.wording import rival_told
from pipeline.contract.causes import CAUSE
from pipeline.report import data_text
from pipeline.report import format as fmt
from pipeline.report import weighed_text as words
from pipeline.report.baseline import usual_spread
from pipeline.report.case import Case
from pipeline.report.fleet import Fleet, Row
from pipeline.report.history import log_of
from pipeline.report.statements import days_within
from pipeline.report.summaries import gauge_states, of_days, span

STEADY: Final = frozenset({"tank_leak", "line_leak", "meter_drift", "slow_theft", "missing_sales"})
"""Causes that take litres on every day on which they are at work."""
BY_LEVEL: Final = frozenset({"clock_skew", "probe_fault", "wrong_product", "chart_error", "water_ingress"})
"""Causes that a wrong chart does not speak against: they are told by other things than litres by level."""
SIGNS: Final = {
    "probe_fault": frozenset({"stuck", "silent", "gappy", "bad", "blind"}), "clock_skew": frozenset({"late"}),
}  # fmt: skip
"""What of a gauge's health is a sign of a cause, and no doubt about it."""
FEW_DAYS: Final = 3
"""Days from which it is worth saying on how many a case showed. No source. [d]"""
HALF_MONTH: Final = 15
"""Days of a month on which a case has to last for the month's statement to say something of it. No source. [d]"""
CLEAR: Final = 3.0
"""Times a usual day's scatter from which litres stand out. Three standard deviations, common practice, no source."""
CHANGES: Final = frozenset({"probe_replaced", "chart_replaced", "tank_in_service", "power_loss"})
"""Entries of the log after which levels, litres or clocks may be others with nothing lost."""
MEASURED: Final = frozenset({"stock_measured", "meter_proved", "drop_metered", "tightness_test_passed",
                             "tightness_test_failed"})  # fmt: skip
NEAR: Final = timedelta(hours=2)
"""How near to a case's start such an entry is to be one with it. No source. [h]"""
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class Weighed:
    """A case's rows of evidence, what else is for it and against it in sentences, and what would settle it."""

    rows: list[Row]
    speaks_for: list[str]
    against: list[str]
    settles: list[str]


@dataclass(frozen=True)
class _About:
    """A case with what is asked about it: its tank, the site's log of that, its first and last day on their clock."""

    fleet: Fleet
    case: Case
    tank_id: str
    log: list[Row]
    first: date
    last: date

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


Said = tuple[bool, str]
"""Whether it speaks for the case, and how."""


def weighed_of(fleet: Fleet, cases: Sequence[Case]) -> dict[str, Weighed]:
    """Of each case, by its key, what speaks for it, what against it, and what would settle it."""
    ids = [str(c.row["case_id"]) for c in cases]
    rows: dict[str, list[Row]] = {i: [] for i in ids}
    for row in fleet.tables["evidence"].filter(pl.col("case_id").is_in(ids)).iter_rows(named=True):
        rows[row["case_id"]].append(row)
    return {i: _weighed(fleet, case, rows[i]) for i, case in zip(ids, cases, strict=True)}


def _weighed(fleet: Fleet, case: Case, rows: list[Row]) -> Weighed:
    said = [*_rival(case), *_interval(case), *_decoys(fleet, case)]
    about = _about(fleet, case)
    settles = [] if case.closed else list(CAUSE[case.cause].settled_by)
    if about is not None:
        said += [one for ask in _ASKED for one in ask(about)]
        settles += _done(about) if settles else []
    return Weighed(rows, [s for is_for, s in said if is_for], [s for is_for, s in said if not is_for], settles)


def _about(fleet: Fleet, case: Case) -> _About | None:
    """None where no tank or no time is named."""
    tank = next((t for t in fleet.tanks if case.tanks and t["tank_id"] == case.tanks[0]), None)
    start, end = case.row["ts_start"], case.row["ts_end"]
    if tank is None or start is None:
        return None
    last = datetime.combine(case.as_of, time(), UTC).date() if end is None else end.astimezone(case.tz).date()
    first = start.astimezone(case.tz).date()
    return _About(fleet, case, tank["tank_id"], log_of(fleet.tables, tank, case.tz), first, max(first, last))


def _rival(case: Case) -> list[Said]:
    told = rival_told(case.row["summary"] or "")
    if told is None:
        return []
    rival, odds = told
    if not rival:
        return [(True, words.NO_RIVAL)]
    if odds is None:
        return [(False, words.RIVAL_FAR.format(rival=rival))]
    return [(False, words.RIVAL.format(rival=rival, odds=fmt.number(odds)))]


def _interval(case: Case) -> list[Said]:
    return [(False, words.UNSURE.format(span=case.litres_span))] if case.is_unsure else []


def _decoys(fleet: Fleet, case: Case) -> list[Said]:
    found = next((r for r in fleet.tables.rows("expected_false") if r["cause"] == case.cause), {})
    decoys = found.get("decoys") or 0
    return [(False, words.DECOYS.format(decoys=fmt.count(decoys, "decoy", "decoys")))] if decoys else []


def _days(about: _About) -> list[Said]:
    """On how many whole days of a steady case its litres, all other parts taken off, went its way."""
    litres, cause = about.case.row["litres"], about.case.cause
    if cause not in STEADY or not litres or about.case.is_unsure:
        return []
    parts = about.fleet.tables.of_tank("variance_parts", about.tank_id).filter(
        pl.col("trading_day").is_between(about.first + _DAY, about.last - _DAY),
        pl.col("part").is_in([cause, "residual"]),
    )
    named = parts.filter(part=cause)["trading_day"]
    by_day = parts.filter(pl.col("trading_day").is_in(named.to_list())).group_by("trading_day").agg(
        pl.col("litres").sum()
    )  # fmt: skip
    n, its_way = by_day.height, by_day.filter(pl.col("litres") * litres > 0).height
    if n < FEW_DAYS:
        return []
    if its_way == n:
        return [(True, words.DAYS_ALL.format(n=n))]
    return [(True, words.DAYS_FOR.format(k=its_way, n=n)), (False, words.DAYS_AGAINST.format(k=n - its_way, n=n))]


def _untold(about: _About) -> list[Said]:
    """Days of a steady case of which nothing is known."""
    if about.case.cause not in STEADY:
        return []
    days = about.fleet.tables.of_tank("tank_days", about.tank_id).filter(
        pl.col("trading_day").is_between(about.first + _DAY, about.last - _DAY)
    )
    n, known = max(about.days - 2, 0), days["variance_l"].drop_nulls().len()
    return [(False, words.UNTOLD.format(k=n - known, n=n))] if known < n else []


def _spread(about: _About) -> list[Said]:
    """How a case's litres compare with what a usual day of its tank scatters by."""
    litres, cause = about.case.row["litres"], CAUSE[about.case.cause]
    found = usual_spread(about.fleet.tables, about.fleet.cases).get(about.tank_id)
    if not litres or not cause.is_at_stake or found is None or not found.is_own:
        return []
    is_steady = cause.name in STEADY
    size = abs(litres) / (about.days if is_steady else 1)
    told = {"size": fmt.quantity(size, "l"), "spread": fmt.quantity(found.litres, "l")}
    if is_steady and size < found.litres:
        return [(False, words.BELOW_SPREAD.format(**told))]
    if size < CLEAR * found.litres:
        return []
    times = fmt.number(size / found.litres)
    return [(True, words.ABOVE_SPREAD.format(times=times, a_day=words.A_DAY if is_steady else "", **told))]


def _gauge(about: _About) -> list[Said]:
    """What ailed the gauge on the days of a case."""
    health = about.fleet.tables.of_tank("health", about.tank_id).filter(
        pl.col("day").is_between(about.first, about.last)
    )
    if health.is_empty():
        return []
    row = of_days(health).row(0, named=True)
    told = {
        "days": fmt.number(health.height), "stuck": fmt.number(int(health["is_stuck"].sum())),
        "gap_hours": fmt.number(row["gap_hours"], 1), "deadband": fmt.number(row["deadband_mm"], 1),
        "clock": data_text.clock_words(row["clock_skew_s"]), "bad": fmt.quantity(100 * (row["bad_share"] or 0), "%"),
    }  # fmt: skip
    signs = SIGNS.get(about.case.cause, frozenset())
    # What is told by a level alone asks for no clock.
    left_out = {"good", "late"} if about.case.cause in BY_LEVEL and "late" not in signs else {"good"}
    return [(s in signs, words.GAUGE[s].format(**told)) for s in gauge_states(row) if s not in left_out]


def _others(about: _About) -> list[Said]:
    """Open cases on the same tank in the same time: a chart in question, and what may share the litres."""
    case, said = about.case, list[Said]()
    for other in about.fleet.cases:
        if other is case or other.is_past or about.tank_id not in other.tanks or not _overlap(case, other):
            continue
        p = other.probability_text
        if other.cause == "chart_error" and case.cause not in BY_LEVEL:
            said.append((False, words.CHART.format(p=p)))
        elif (other.row["litres"] or 0.0) * (case.row["litres"] or 0.0) > 0:
            said.append((False, words.SHARES.format(label=other.label, p=p)))
    return said


def _overlap(one: Case, other: Case) -> bool:
    ends = [c.row["ts_end"] or datetime.max.replace(tzinfo=UTC) for c in (one, other)]
    starts = [c.row["ts_start"] or datetime.min.replace(tzinfo=UTC) for c in (one, other)]
    return bool(max(starts) < min(ends))


def _troubles(about: _About) -> list[Said]:
    """What data health has of the tank while the case is at work; a clock that is off is a sign of that case."""
    if about.case.row["ts_end"] is not None:
        return []
    said = list[Said]()
    for row in about.fleet.tables.rows("data_health"):
        # What a gauge's own days show is said of them.
        if row["tank_id"] == about.tank_id and row["kind"] not in ("stuck", "gaps", "clock_off", "clock_drifts"):
            said.append((False, words.TROUBLE.format(what=data_text.TROUBLE_KINDS[row["kind"]].lower())))
    return said


def _statements(about: _About) -> list[Said]:
    """Months that a leak lasted through, by whose statement it could not be so large, or is there."""
    rate = about.case.row["rate_l_per_h"]
    if about.case.cause != "tank_leak" or rate is None:
        return []
    said = list[Said]()
    for row in about.fleet.statements:
        high, low, month = row["leak_rate_high"], row["leak_rate_low"], row["month"]
        is_long = month is not None and days_within(about.first, about.last, month) >= HALF_MONTH
        if row["tank_id"] != about.tank_id or not is_long or low is None or high is None:
            continue
        if row["verdict"] == "pass" and high < rate:
            told = words.PASSED.format(
                month=fmt.month(month), high=fmt.quantity(high, "l/h", 2), rate=fmt.quantity(rate, "l/h", 2)
            )
            said.append((False, told))
        elif low > 0:
            told = words.LEAKED.format(
                month=fmt.month(month), rate=fmt.quantity(row["leak_rate_l_per_h"], "l/h", 2), span=span(low, high)
            )
            said.append((True, told))
    return said


def _log(about: _About) -> list[Said]:
    """Entries of the log that by themselves do what the case says, or that tested it."""
    case, said = about.case, list[Said]()
    start = case.row["ts_start"]
    for row in reversed(about.log):
        is_after = row["ts"] > start
        if row["kind"] in CHANGES and abs(row["ts"] - start) <= NEAR and CAUSE[case.cause].has_litres:
            said.append((False, words.CHANGED.format(what=row["what"], when=row["when"])))
        if case.cause in ("tank_leak", "line_leak") and is_after and row["kind"] == "tightness_test_passed":
            said.append((False, words.TESTED_TIGHT.format(when=row["when"])))
        if case.cause in ("tank_leak", "line_leak") and is_after and row["kind"] == "tightness_test_failed":
            said.append((True, words.TESTED_LEAKY.format(when=row["when"])))
        is_its_meter = case.row["meter_id"] and row["meter_id"] == case.row["meter_id"]
        if case.cause == "meter_drift" and is_its_meter and is_after and row["kind"] == "meter_calibrated":
            said.append((False, words.CALIBRATED.format(when=row["when"])))
    return said


def _done(about: _About) -> list[str]:
    """What was measured since the case began."""
    start = about.case.row["ts_start"]
    since = [r for r in reversed(about.log) if r["kind"] in MEASURED and r["ts"] > start]
    told = [f"{r['what'].lower()}, {r['when']}" for r in since]
    return [words.DONE.format(told="; ".join(told))] if told else []


_ASKED: Final[tuple[Callable[[_About], list[Said]], ...]] = (
    _days, _untold, _spread, _statements, _log, _others, _gauge, _troubles,
)  # fmt: skip
