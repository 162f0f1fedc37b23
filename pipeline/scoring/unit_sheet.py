"""All that is made of one unit's trading days, and the day sheet's rows, in which joined tanks share out the pool's."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Finding
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.features.reporting import Reporting
from pipeline.features.trading_days import TradingDays, trading_days
from pipeline.ledger.gauge import seconds
from pipeline.physics.regulatory import monthly_allowance_l
from pipeline.scoring.member_days import MemberDays, member_days
from pipeline.scoring.physics import physics_scores
from pipeline.scoring.statements import Limits, Statement, statements
from pipeline.scoring.unit_days import UnitDays, unit_days
from pipeline.scoring.variance_parts import Parts, variance_parts

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class UnitSheet:
    """A unit with its walk (None where too little settled), its n trading days and what was made of them.

    `unexplained_l` (n,) the residual as each day's run had it; `has_totals` whether the site's totalisers are read.
    """

    site: SiteObserved
    seen: UnitObserved
    walked: UnitWalk | None
    days: UnitDays
    parts: Parts
    unexplained_l: Floats
    physics: Floats
    members: Mapping[str, MemberDays]
    reporting: Mapping[str, Reporting]
    statements: list[Statement]
    has_totals: bool

    def shares(self) -> Iterator[tuple[str, float]]:
        """Each member tank and its share of what is the unit's: that of its capacity."""
        capacity = self.seen.unit.tanks.select("tank_id", pl.col("capacity_l") / pl.col("capacity_l").sum())
        yield from ((str(name), float(share)) for name, share in capacity.iter_rows())


def unit_sheets(
    tables: Mapping[str, pl.DataFrame],
    site: SiteObserved,
    walks: Sequence[UnitWalk],
    findings: Sequence[Finding],
    *,
    last_day: int,
    limits: Limits,
) -> list[UnitSheet]:
    """A sheet for each unit of a site.

    Parameters
    ----------
    tables : mapping of table name to frame
        The site's contract tables.
    site : SiteObserved
    walks : the walks of those of its units that have one
    findings : the site's
    last_day : int
        UTC day number of the last data.
    limits : Limits
    """
    by_unit = {walked.seen.unit.unit_id: walked for walked in walks}
    here = _Site(tables, site, last_day, limits)
    found = []
    for seen in site.units:
        days = trading_days_of(tables, seen.unit.members)
        if days is not None:
            unit_id = seen.unit.unit_id
            mine = [one for one in findings if one.unit_id in (None, unit_id)]
            found.append(_sheet(here, seen, by_unit.get(unit_id), days, mine))
    return found


@dataclass(frozen=True)
class _Site:
    """What all units of a site have in common."""

    tables: Mapping[str, pl.DataFrame]
    observed: SiteObserved
    last_day: int
    limits: Limits


def _sheet(
    site: _Site, seen: UnitObserved, walked: UnitWalk | None, days_of: TradingDays, findings: Sequence[Finding]
) -> UnitSheet:
    """One unit's sheet; `findings` are its own and the site's."""
    tables = site.tables
    days = unit_days(
        days_of,
        tables,
        site.observed,
        seen,
        (walked.dips.ts_s, walked.walk.balance.known_day) if walked else (np.empty(0), np.empty(0, np.int64)),
        site.last_day,
    )
    members = member_days(days_of, seen)
    parts, unexplained = variance_parts(days, site.observed, seen, walked, findings, sales=tables["sales"])
    hidden = np.array([[one.hidden_on(int(day)) for day in days.run_day[1:]] for one in seen.reporting.values()])
    return UnitSheet(
        site=site.observed,
        seen=seen,
        walked=walked,
        days=days,
        parts=parts,
        unexplained_l=unexplained,
        physics=physics_scores(days, seen, walked, parts, members=members.values()),
        members=members,
        reporting=seen.reporting,
        statements=statements(days, walked, findings, hidden_mm=hidden.max(axis=0), limits=site.limits),
        has_totals=bool(tables["meter_totals"].height),
    )


def trading_days_of(tables: Mapping[str, pl.DataFrame], members: tuple[str, ...]) -> TradingDays | None:
    """The trading days that touch any reading of, ticket for, or sale booked to the tanks; None where there is none."""
    meters = tables["meter_feeds"].filter(pl.col("tank_id").is_in(members))["meter_id"].unique().to_list()
    stamps = [
        _rows(tables["readings"], members)["ts"],
        _rows(tables["deliveries"], members)["ts_ticket"],
        tables["sales"].filter(pl.col("meter_id").is_in(meters))["ts_end"],
    ]
    ends = np.concatenate([seconds(pl.Series([one.min(), one.max()])) for one in stamps if len(one)] or [np.empty(0)])
    if not len(ends):
        return None
    site = tables["sites"].row(0, named=True)
    return trading_days(site["timezone"], site["trading_day_start"], float(ends.min()), float(ends.max()))


def _rows(frame: pl.DataFrame, members: tuple[str, ...]) -> pl.DataFrame:
    return frame.filter(pl.col("tank_id").is_in(members))


def day_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `tank_days` but for the forest's columns: tank_id, trading_day and the figures of each."""
    days = sheet.days
    sold = days.sold_l.sum(axis=1)
    book = days.stock_l[:-1] + days.ticketed_l - sold
    shared = {
        "opening_stock_l": days.stock_l[:-1],
        "deliveries_l": days.ticketed_l,
        "sales_l": sold,
        "book_stock_l": book,
        "closing_stock_l": days.stock_l[1:],
        "variance_l": days.variance_l,
    }
    frames = []
    for name, share in sheet.shares():
        own = sheet.members[name]
        figures = {column: values * share for column, values in shared.items()}
        frames.append(
            pl.DataFrame(
                {
                    "tank_id": pl.repeat(name, len(days), eager=True),
                    "trading_day": list(days.days.dates),
                    **figures,
                    "water_mm": own.water_mm,
                    "temp_c": own.temp_c,
                    "physics_score": sheet.physics,
                }
            )
        )
    return pl.concat(frames)


def unit_day_rows(sheet: UnitSheet) -> pl.DataFrame:
    """A row for each of the unit's tanks and trading days that are over, by which the fleet's days are compared.

    Columns unit_id, site_id, tank_id, trading_day, run_day, start_s, end_s, physics_score.
    """
    days = sheet.days
    rows = pl.DataFrame(
        {
            "trading_day": list(days.days.dates),
            "run_day": days.run_day[1:],
            "start_s": days.days.bounds_s[:-1],
            "end_s": days.days.bounds_s[1:],
            "physics_score": sheet.physics,
        }
    ).filter(pl.Series(days.is_over))
    unit = sheet.seen.unit
    return pl.concat(
        rows.select(
            pl.lit(unit.unit_id).alias("unit_id"),
            pl.lit(unit.site_id).alias("site_id"),
            pl.lit(name).alias("tank_id"),
            pl.all(),
        )
        for name, _ in sheet.shares()
    )


def part_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `variance_parts`; a part of nothing is left out, but for the residual."""
    days = len(sheet.days)
    frames = []
    for name, share in sheet.shares():
        for part, litres in sheet.parts.items():
            frames.append(
                pl.DataFrame(
                    {
                        "tank_id": pl.repeat(name, days, eager=True),
                        "trading_day": list(sheet.days.days.dates),
                        "part": pl.repeat(part, days, eager=True),
                        "litres": litres * share,
                    }
                ).filter(pl.col("litres").is_finite() & ((pl.col("litres") != 0.0) | (pl.col("part") == "residual")))
            )
    return pl.concat(frames)


def statement_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `statements`: throughput and variance shared out, the leak and the verdict the unit's own.

    Each tank has its own allowance, by its share of the throughput.
    """
    rows = []
    for name, share in sheet.shares():
        for one in sheet.statements:
            low, high = one.interval_l_per_h
            rows.append(
                {
                    "tank_id": name,
                    "month": one.month,
                    "throughput_l": one.throughput_l * share,
                    "variance_l": one.variance_l * share,
                    "allowance_l": float(np.asarray(monthly_allowance_l(one.throughput_l * share))),
                    "leak_rate_l_per_h": one.leak_l_per_h,
                    "leak_rate_low": low,
                    "leak_rate_high": high,
                    "detectable_l_per_h": one.detectable_l_per_h,
                    "verdict": one.verdict,
                    "reason": one.reason,
                }
            )
    schema = {"tank_id": pl.String, "month": pl.Date, "verdict": pl.String, "reason": pl.String}
    return pl.DataFrame(rows, schema_overrides=schema, infer_schema_length=None)
