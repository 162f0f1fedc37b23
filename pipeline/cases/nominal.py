"""What is said of tanks without a chart: only what needs none, its litres with the doubt of the nominal tank's."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from pipeline.cases.decoys import Decoy
from pipeline.cases.finding import Evidence, Finding
from pipeline.ledger.nominal import NOMINAL_SHARE

NEEDS_NO_CHART: Final = frozenset(
    {"bulk_theft", "missing_ticket", "missing_sales", "wrong_feed", "water_ingress", "phase_separation",
     "wrong_product", "probe_fault", "clock_skew"}
)  # fmt: skip
"""Causes that a level tells, a float, a density, a feed, a clock or a totaliser: a chart says only how many litres."""


def without_charts(findings: Iterable[Finding], unit_ids: Collection[str]) -> list[Finding]:
    """The findings; those of units that go by a nominal chart as far as they need none, and as sure as it is."""
    return [
        _doubted(one) if one.unit_id in unit_ids else one
        for one in findings
        if one.unit_id not in unit_ids or one.cause in NEEDS_NO_CHART
    ]


def decoys_without_charts(decoys: Iterable[Decoy], unit_ids: Collection[str]) -> list[Decoy]:
    """The decoys, but those of such units that stand for what is not said of them."""
    return [one for one in decoys if one.unit_id not in unit_ids or one.cause in NEEDS_NO_CHART]


def _doubted(finding: Finding) -> Finding:
    if finding.litres is None:
        return finding
    off_l = NOMINAL_SHARE * abs(finding.litres)
    said = Evidence(
        "statistic", "the tank has no chart: litres are those of its stated dimensions, in doubt by",
        100.0 * NOMINAL_SHARE, "%",
    )  # fmt: skip
    return replace(finding, sd_l=float(np.hypot(finding.sd_l, off_l)), evidence=(*finding.evidence, said))
