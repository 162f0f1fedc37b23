"""Findings as the contract's `cases` and the store's `evidence`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import polars as pl

from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.wording import action, summary, urgency
from pipeline.contract.run import Cases
from pipeline.contract.store import Evidence as EvidenceTable

EPOCH = date(1970, 1, 1)


def case_id(finding: Finding) -> str:
    """A name for a case that every run over the same data gives it: its cause, its place and the day it was raised."""
    place = finding.delivery_id or finding.meter_id or finding.tank_id or finding.site_id
    return f"{finding.cause}.{place}.{EPOCH + timedelta(days=finding.day)}"


def case_frames(findings: Sequence[Finding], chances: Sequence[float]) -> dict[str, pl.DataFrame]:
    """The tables `cases` and `evidence`; where two findings would share a name the second gets a number.

    `chances` how likely each finding is real and of its cause, 0..1.
    """
    cases, evidence, seen = [], [], dict[str, int]()
    for finding, chance in sorted(zip(findings, chances, strict=True), key=_order):
        name = case_id(finding)
        seen[name] = seen.get(name, 0) + 1
        name = name if seen[name] == 1 else f"{name}.{seen[name]}"
        cases.append(_case(name, finding, chance))
        evidence += [_evidence(name, number, item) for number, item in enumerate(finding.evidence)]
    return {
        "cases": pl.DataFrame(cases, schema=Cases.create_empty().schema, orient="row"),
        "evidence": pl.DataFrame(evidence, schema=EvidenceTable.create_empty().schema, orient="row"),
    }


def _order(said: tuple[Finding, float]) -> tuple[int, str, str, str, float]:
    one, _ = said
    return one.day, one.site_id, one.unit_id or "", one.cause, one.start_s


def _instant(at_s: float | None) -> datetime | None:
    return None if at_s is None else datetime.fromtimestamp(round(at_s), UTC)


def _case(name: str, finding: Finding, chance: float) -> dict[str, object]:
    low = high = None
    if finding.litres is not None:
        low, high = finding.litres - 1.96 * finding.sd_l, finding.litres + 1.96 * finding.sd_l
    raised = EPOCH + timedelta(days=finding.day)
    start = _instant(min(finding.start_s, (finding.day + 1) * 86400.0 - 1.0))
    return {
        "case_id": name,
        "cause": finding.cause,
        "site_id": finding.site_id,
        "tank_id": finding.tank_id,
        "meter_id": finding.meter_id,
        "delivery_id": finding.delivery_id,
        "raised_on": raised,
        "ts_start": start,
        "ts_end": _instant(finding.end_s),
        "litres": finding.litres,
        "litres_low": low,
        "litres_high": high,
        "rate_l_per_h": finding.rate_l_per_h,
        "meter_error_pct": finding.meter_error_pct,
        "probability": chance,
        "urgency": urgency(finding, chance),
        "action": action(finding),
        "summary": summary(finding, low, high),
    }


def _evidence(name: str, number: int, item: Evidence) -> dict[str, object]:
    return {
        "case_id": name,
        "seq": number,
        "kind": item.kind,
        "ts_start": _instant(item.start_s),
        "ts_end": _instant(item.end_s),
        "name": item.name,
        "value": item.value,
        "unit": item.unit,
        "note": item.note,
    }
