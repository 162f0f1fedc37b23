"""The fleet as units of stock: a tank on its own, or the tanks that a siphon joins taken together."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract.rules import LITRES
from pipeline.ledger.gauge import GaugeSeries, Strapping, gauge_series, joined_series, seconds, strapping_of
from pipeline.ledger.movements import MeterFlow

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Unit:
    """Tanks whose stock moves as one: usually a single tank.

    `members` and `strappings` go together; `tickets` and `events` are the contract's rows for the members, in order
    of time; `series` the members' stock added up; `calibrated_s` when each of the site's meters was calibrated;
    `latitude_deg` of the site, where it is told; `proved` of each of the site's meters when it was held against a
    proving can [s], and how much more it gave than it showed, as a share.
    """

    unit_id: str
    site_id: str
    product: str
    members: tuple[str, ...]
    tanks: pl.DataFrame
    strappings: tuple[Strapping, ...]
    member_series: tuple[GaugeSeries, ...]
    series: GaugeSeries
    tickets: pl.DataFrame
    events: pl.DataFrame
    calibrated_s: Mapping[str, tuple[float, ...]]
    latitude_deg: float | None
    proved: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)

    @property
    def capacity_l(self) -> float:
        """Litres that the members hold together."""
        return float(self.tanks["capacity_l"].sum())

    def stock_l(self, level_mm: Floats, at_s: Floats) -> Floats:
        """Litres below each level by the charts in force, the members' added up. [l]"""
        return np.asarray(np.sum([strap.volume_l(level_mm, at_s) for strap in self.strappings], axis=0))

    def surface_l_per_mm(self, level_mm: Floats, at_s: Floats) -> Floats:
        """Litres a millimetre at each level, the members' added up. [l/mm]"""
        return np.asarray(np.sum([strap.surface_l_per_mm(level_mm, at_s) for strap in self.strappings], axis=0))

    def between_rows_l(self, level_mm: Floats, at_s: Floats) -> Floats:
        """By how much smooth charts would hold more there than straight lines between their rows. [l]"""
        return np.asarray(np.sum([strap.between_rows_l(level_mm, at_s) for strap in self.strappings], axis=0))


def unit_members(tanks: pl.DataFrame) -> list[tuple[str, ...]]:
    """Groups of tank identifiers that share a manifold, and each other tank alone; in order of the first name."""
    key = pl.coalesce(pl.concat_str([pl.lit("m:"), "site_id", "manifold_id"]), pl.concat_str([pl.lit("t:"), "tank_id"]))
    groups = tanks.sort("tank_id").group_by(key.alias("key"), maintain_order=True).agg("tank_id")
    return [tuple(names) for names in groups["tank_id"].to_list()]


def build_unit(tables: Mapping[str, pl.DataFrame], members: tuple[str, ...]) -> Unit | None:
    """One unit from contract tables already cut down to its members; None where a member has no chart or no reading."""
    tanks = tables["tanks"].filter(pl.col("tank_id").is_in(members)).sort("tank_id")
    strappings, series = [], []
    for name in members:
        chart = tables["strapping"].filter(pl.col("tank_id") == name)
        readings = tables["readings"].filter(pl.col("tank_id") == name)
        if not chart.height or not readings.height:
            return None
        strappings.append(strapping_of(chart))
        series.append(gauge_series(readings, strappings[-1]))
    if any(len(one) < 2 for one in series):
        return None
    here = pl.col("tank_id").is_in(members)
    return Unit(
        unit_id=members[0],
        site_id=tanks["site_id"][0],
        product=tanks["product"][0],
        members=members,
        tanks=tanks,
        strappings=tuple(strappings),
        member_series=tuple(series),
        series=series[0] if len(series) == 1 else joined_series(series),
        tickets=tables["deliveries"].filter(here).sort("ts_ticket", "delivery_id"),
        events=tables["events"].filter(here).sort("ts", "event_id"),
        calibrated_s=_calibrated_s(tables["events"]),
        latitude_deg=tables["sites"]["latitude"][0],
        proved=_proved(tables["events"]),
    )


def _calibrated_s(events: pl.DataFrame) -> dict[str, tuple[float, ...]]:
    """When each meter was calibrated, in order. [s]"""
    rows = events.filter((pl.col("kind") == "meter_calibrated") & pl.col("meter_id").is_not_null()).sort("ts")
    return {str(name): tuple(seconds(part["ts"])) for (name,), part in rows.group_by("meter_id", maintain_order=True)}


def _proved(events: pl.DataFrame) -> dict[str, tuple[tuple[float, float], ...]]:
    """When each meter was proved, in order, and what share it gave beyond what it showed."""
    rows = events.filter((pl.col("kind") == "meter_proved") & pl.col("meter_id").is_not_null()).sort("ts", "event_id")
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    for meter_id, at_s, note in zip(rows["meter_id"], seconds(rows["ts"]), rows["note"], strict=True):
        shown, held = litres_of(note)[:2]
        if shown > 0.0:
            found[meter_id] = (*found.get(meter_id, ()), (float(at_s), held / shown - 1.0))
    return found


def litres_of(note: str) -> list[float]:
    """The figures of litres in somebody's note, in order. [l]"""
    return [float(found) for found in re.findall(LITRES, note)]


@dataclass(frozen=True)
class Feed:
    """One row of what the site believes: from `from_s` to `to_s` a unit supplies `share` of a meter's litres."""

    meter_id: str
    unit_id: str
    share: float
    from_s: float
    to_s: float


def feeds_of(feeds: pl.DataFrame, units: list[Unit]) -> list[Feed]:
    """The `meter_feeds` rows of the units' tanks; rows of joined tanks stand side by side and add up."""
    home = {tank: unit.unit_id for unit in units for tank in unit.members}
    rows = feeds.filter(pl.col("tank_id").is_in(list(home))).sort("meter_id", "tank_id", "valid_from")
    ends = rows["valid_to"].cast(pl.Datetime("us", "UTC")).to_physical().cast(pl.Float64) / 1e6
    return [
        Feed(meter, home[tank], share, start, float("inf") if end is None else end)
        for meter, tank, share, start, end in zip(
            rows["meter_id"], rows["tank_id"], rows["share"], seconds(rows["valid_from"]), ends, strict=True
        )
    ]


def share_at(feeds: list[Feed], meter_id: str, unit_id: str, at_s: Floats) -> Floats:
    """The share of a meter's litres that the site believes a unit supplies, at each instant. Shape of `at_s`, 0..1."""
    share = np.zeros(len(at_s))
    for feed in feeds:
        if feed.meter_id == meter_id and feed.unit_id == unit_id:
            share += feed.share * ((at_s >= feed.from_s) & (at_s < feed.to_s))
    return share


def meter_flows(sales: pl.DataFrame, kind: str = "sale") -> dict[str, MeterFlow]:
    """Each meter's sales as booked, whole, in order of their ends; or its test returns."""
    sold = sales.filter(pl.col("kind") == kind).sort("meter_id", "ts_end", "sale_id")
    flows = {}
    for (meter_id,), part in sold.partition_by("meter_id", as_dict=True, maintain_order=True).items():
        flows[str(meter_id)] = MeterFlow(
            str(meter_id), seconds(part["ts_start"]), seconds(part["ts_end"]), part["volume_l"].to_numpy()
        )
    return flows
