"""The frames that the report is made from, completed: a table or column that a run did not leave is there, empty."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
import polars.selectors as cs

_TS = pl.Datetime("us", "UTC")
_S, _F, _D, _B, _I = pl.String(), pl.Float64(), pl.Date(), pl.Boolean(), pl.Int64()


def _columns(dtype: pl.DataType, names: str) -> dict[str, pl.DataType]:
    return dict.fromkeys(names.split(), dtype)


# What the report reads, and no more; other columns are carried along unread.
_READ: dict[str, dict[str, pl.DataType]] = {
    "sites": _columns(_S, "site_id name timezone currency"),
    "tanks": _columns(_S, "tank_id site_id product shape end_shape manifold_id")
    | _columns(_F, "capacity_l safe_fill_l diameter_mm length_mm")
    | {"buried": _B, "wall_count": _I, "commissioned_on": _D},
    "meters": _columns(_S, "meter_id site_id dispenser hose"),
    "meter_feeds": _columns(_S, "meter_id tank_id") | {"valid_from": _TS},
    "deliveries": _columns(_S, "delivery_id tank_id carrier") | {"ts_ticket": _TS, "ticket_volume_l": _F},
    "cases": _columns(_S, "case_id cause site_id tank_id meter_id delivery_id urgency action summary")
    | _columns(_F, "litres litres_low litres_high rate_l_per_h meter_error_pct probability")
    | {"raised_on": _D, "ts_start": _TS, "ts_end": _TS},
    "tank_days": _columns(_S, "tank_id")
    | _columns(_F, "opening_stock_l deliveries_l sales_l book_stock_l closing_stock_l variance_l water_mm temp_c")
    | {"trading_day": _D, "is_anomalous": _B},
    "variance_parts": {"tank_id": _S, "trading_day": _D, "part": _S, "litres": _F},
    "statements": _columns(_S, "tank_id verdict reason")
    | _columns(_F, "throughput_l variance_l allowance_l leak_rate_l_per_h leak_rate_low leak_rate_high detectable_l_per_h")
    | {"month": _D},
    "quarantine": {"table": _S, "row": _S, "reason": _S},
    "ledger": {"tank_id": _S, "ts_start": _TS, "ts_end": _TS}
    | _columns(_F, "level_end_mm water_end_mm temp_end_c gauge_end_l residual_l noise_sd_l"),
    "drops": {"tank_id": _S, "ts_start": _TS, "ts_end": _TS, "delivery_id": _S}
    | _columns(_F, "gain_l sold_during_l ticket_volume_l mismatch_l mismatch_sd_l"),
    "draws": {"tank_id": _S, "ts_start": _TS, "ts_end": _TS, "litres": _F, "sd_l": _F, "kind": _S},
    "evidence": _columns(_S, "case_id kind name unit note")
    | {"seq": _I, "ts_start": _TS, "ts_end": _TS, "value": _F},
    "meter_estimates": {"tank_id": _S, "meter_id": _S, "day": _D}
    | _columns(_F, "sold_l error_pct error_low_pct error_high_pct"),
    "health": {"tank_id": _S, "day": _D, "is_stuck": _B}
    | _columns(_F, "readings bad_share gap_hours deadband_mm clock_skew_s"),
    "run_log": {},
    "prices": _columns(_S, "tank_id product currency") | {"price": _F},
}

# Keys first, so that the same rows in another order give the same pages.
_SORTED_BY: dict[str, list[str]] = {
    "sites": ["site_id"], "tanks": ["site_id", "tank_id"], "meters": ["meter_id"],
    "meter_feeds": ["meter_id", "valid_from", "tank_id"], "deliveries": ["tank_id", "ts_ticket", "delivery_id"],
    "cases": ["case_id"], "tank_days": ["tank_id", "trading_day"], "variance_parts": ["tank_id", "trading_day", "part"],
    "statements": ["tank_id", "month"], "quarantine": ["table", "reason", "row"], "ledger": ["tank_id", "ts_start"],
    "drops": ["tank_id", "ts_start"], "draws": ["tank_id", "ts_start"], "evidence": ["case_id", "seq"],
    "meter_estimates": ["tank_id", "meter_id", "day"], "health": ["tank_id", "day"],
}  # fmt: skip


def completed(name: str, frame: pl.DataFrame | None) -> pl.DataFrame:
    """The table `name` with every column that the report reads, sorted by its key; empty where `frame` is None."""
    schema = _READ[name]
    if frame is None:
        return pl.DataFrame(schema=schema)
    have = set(frame.columns)
    filled = frame.with_columns(
        (pl.col(c).cast(t) if c in have else pl.lit(None, t).alias(c)) for c, t in schema.items()
    ).with_columns(cs.float().fill_nan(None))
    keys = _SORTED_BY.get(name, [])
    return filled.sort(keys, nulls_last=True, maintain_order=True) if keys else filled


@dataclass(frozen=True)
class Tables:
    """A run's tables by name, completed, with the rows of any one tank at hand."""

    frames: Mapping[str, pl.DataFrame]
    _spans: Mapping[str, Mapping[str, tuple[int, int]]]

    @classmethod
    def of(cls, frames: Mapping[str, pl.DataFrame]) -> "Tables":
        """Complete `frames`; whatever else is in there is left alone."""
        complete = {name: completed(name, frames.get(name)) for name in _READ}
        by_tank = {n: _spans(f) for n, f in complete.items() if _SORTED_BY.get(n, [""])[0] == "tank_id"}
        return cls(complete, by_tank)

    def __getitem__(self, name: str) -> pl.DataFrame:
        return self.frames[name]

    def of_tank(self, name: str, tank_id: str) -> pl.DataFrame:
        """Rows of the table `name` that are about `tank_id`, in the order of its key."""
        start, length = self._spans[name].get(tank_id, (0, 0))
        return self.frames[name].slice(start, length)

    def rows(self, name: str) -> Iterator[dict[str, Any]]:
        """Rows of the table `name` as dicts."""
        return self.frames[name].iter_rows(named=True)


def _spans(frame: pl.DataFrame) -> dict[str, tuple[int, int]]:
    """Where each tank's rows start and how many they are, in a frame sorted by tank."""
    runs = frame.group_by("tank_id", maintain_order=True).len()
    starts = (runs["len"].cum_sum() - runs["len"]).to_list()
    return {t: (s, n) for t, s, n in zip(runs["tank_id"], starts, runs["len"], strict=True) if t is not None}
