"""Monthly statements in words that agree with their own figures and with the cases beside them."""

from calendar import monthrange
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from pipeline.report import format as fmt
from pipeline.report import text
from pipeline.report.case import Case
from pipeline.report.summaries import span
from pipeline.report.tables import Tables
from pipeline.report.worklist import bar
from pipeline.settings import Settings

Row = dict[str, Any]
LEAK_SCALE = (-0.4, 1.2)
# Cases of these speak against tightness; a blend splits where water came in.
_AGAINST = frozenset({"tank_leak", "line_leak", "water_ingress", "phase_separation"})


def statements(tables: Tables, tanks: Mapping[str, Row], cases: Sequence[Case]) -> list[Row]:
    """A row a statement, the newest month first: its verdict, and in `notes` whatever its figures or a case add to it.

    `is_plain` tells a pass that nothing in the row speaks against; a note is a dict of `words` and `href`, None where
    it leads nowhere.
    """
    limits = limits_of(tables)
    against: dict[str, list[Case]] = {}
    for case in cases:
        if case.cause in _AGAINST and not case.is_ruled_out:
            for tank_id in case.tanks:
                against.setdefault(tank_id, []).append(case)
    rows = []
    for row in tables.rows("statements"):
        about = tanks.get(row["tank_id"], {})
        own = [c for c in against.get(row["tank_id"], []) if _within(c, row["month"])]
        notes = _notes(row, own, about, limits)
        is_plain = row["verdict"] != "pass" or not notes
        low, value, high = (row[c] for c in ("leak_rate_low", "leak_rate_l_per_h", "leak_rate_high"))
        rows.append(
            row
            | {
                "label": text.VERDICTS.get(row["verdict"], row["verdict"]) if is_plain else _qualified(row, limits),
                "is_plain": is_plain, "notes": notes, "means": _means(row, notes, limits),
                "rate": fmt.rounded(value, 2), "site": about.get("site", ""), "site_id": about.get("site_id", ""),
                "span": span(low, high),
                "bar": bar(value, low, high, LEAK_SCALE),
                "mark": bar(row["detectable_l_per_h"], None, None, LEAK_SCALE),
            }
        )  # fmt: skip
    return sorted(rows, key=lambda r: (-r["month"].toordinal() if r["month"] else 0, r["tank_id"] or ""))


def limits_of(tables: Tables) -> Row:
    """The leaks by which the run judged its months, as words: `detectable`, `fail` and both in `line`. [l/h]"""
    usual = Settings()
    told = next(iter(tables.rows("limits")), {})
    detectable = told.get("detectable_l_per_h") or usual.detectable_limit_l_per_h
    fail = told.get("fail_l_per_h") or usual.fail_leak_rate_l_per_h
    words = {"detectable": fmt.quantity(detectable, "l/h", 3), "fail": fmt.quantity(fail, "l/h", 3)}
    return words | {"line": text.STATEMENT_LIMITS.format(**words), "detectable_l_per_h": detectable}


def _within(case: Case, month: date | None) -> bool:
    """Whether a case is at work in a month; one that has no end, or that nobody has closed, goes on."""
    start, end = case.row["ts_start"], case.row["ts_end"]
    if month is None or start is None:
        return False
    first = datetime.combine(month, time(), UTC)
    last = first + timedelta(days=monthrange(month.year, month.month)[1])
    return bool(start < last and (end is None or end >= first or case.is_waiting))


def days_within(first: date, last: date, month: date) -> int:
    """How many days of a month lie between two days, both counted."""
    end = month.replace(day=monthrange(month.year, month.month)[1])
    return max((min(last, end) - max(first, month)).days + 1, 0)


def _means(row: Row, notes: Sequence[Row], limits: Row) -> str:
    """What the verdict says, no more than the row's own figures bear out."""
    if row["verdict"] == "pass":
        words = text.VERDICT_MEANS["pass"] if notes else text.VERDICT_PASS_PLAIN
        return words.format(**limits)
    if row["verdict"] == "fail":
        return text.VERDICT_MEANS["fail"].format(rate=fmt.quantity(row["leak_rate_l_per_h"], "l/h", 2), **limits)
    if row["verdict"] == "inconclusive" and (row["detectable_l_per_h"] or 0.0) > limits["detectable_l_per_h"]:
        return text.VERDICT_BLIND.format(seen=fmt.quantity(row["detectable_l_per_h"], "l/h", 2), **limits)
    return text.VERDICT_MEANS.get(row["verdict"], "").format(**limits)


def _qualified(row: Row, limits: Row) -> str:
    """A pass by the rule that something in the row speaks against."""
    return text.VERDICT_QUALIFIED.format(**limits)


def _notes(row: Row, cases: Sequence[Case], tank: Mapping[str, Any], limits: Row) -> list[Row]:
    """What speaks against a tight tank in the row: a leak above nought, cases, a variance beyond the allowance."""
    low, value, high = (row[c] for c in ("leak_rate_low", "leak_rate_l_per_h", "leak_rate_high"))
    href = tank.get("href")
    found: list[Row] = []
    if low is not None and value is not None and low > 0.0:
        seen = text.LEAK_SEEN.format(rate=fmt.quantity(value, "l/h", 2), span=span(low, high))
        found.append({"words": seen, "href": cases[0].href if cases else href})
    if high is not None and value is not None and high < 0.0:
        words = text.GAIN_SEEN.format(rate=fmt.quantity(-value, "l/h", 2), span=span(low, high))
        found.append({"words": words, "href": cases[0].href if cases else href})
    if row["verdict"] == "pass" and high is not None and high >= limits["detectable_l_per_h"]:
        found.append({"words": text.LEAK_REACHES.format(high=fmt.quantity(high, "l/h", 2), **limits), "href": None})
    for case in cases:
        words = text.STATEMENT_CASE.format(label=case.label, p=case.probability_text, state=case.state_words)
        found.append({"words": words, "href": case.href})
    variance, allowance = row["variance_l"], row["allowance_l"]
    if variance is not None and allowance is not None and abs(variance) > allowance:
        words = text.BEYOND_ALLOWANCE.format(
            variance=fmt.quantity(variance, "l", signed=True), allowance=fmt.quantity(allowance, "l")
        )
        found.append({"words": words, "href": f"{href}#days" if href else None})
    return found
