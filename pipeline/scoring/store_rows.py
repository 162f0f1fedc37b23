"""Rows that the store keeps of a unit beside the run's own tables: its ledger, drops, draws, meters and gauge health.

What is a pool's is shared out among its tanks by capacity, as on the day sheet; levels, temperatures and errors are not
shared but repeated.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.known import used_lag_s
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView
from pipeline.features.trading_days import DAY_S
from pipeline.scoring.drop_rises import DROP_SD_L, TICKET_SHARE
from pipeline.scoring.physics import grouped_steps
from pipeline.scoring.unit_sheet import UnitSheet

Floats = NDArray[np.float64]

SMALLEST_DRAW_L: Final = 5.0
SAME_DRAW_S: Final = 900.0
WEEK_DAYS: Final = 7
"""Draws below this many litres are not listed, those within so many seconds are one, and beliefs are kept once in so
many days. No source."""


def instants(at_s: Floats) -> pl.Series:
    """Instants as the contract has them, to the microsecond."""
    return pl.Series(np.round(at_s * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC"))


def _dates(day: NDArray[np.int64]) -> pl.Series:
    return pl.Series(day.astype(np.int32)).cast(pl.Date)


def ledger_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `ledger`: one for each two neighbouring settled dips."""
    if sheet.walked is None or len(sheet.walked.dips) < 2:
        return pl.DataFrame()
    dips, noise = sheet.walked.dips, sheet.walked.noise
    sold = np.diff(dips.sold_l.sum(axis=1))
    came = np.diff(_delivered_until_l(sheet, dips.ts_s))
    moved = np.diff(dips.gauge_l)
    quiet = (sold < 0.01) & (came == 0.0) & (dips.state[1:] == 0) & (dips.state[:-1] == 0)
    rows = pl.DataFrame(
        {
            "ts_start": instants(dips.ts_s[:-1]),
            "ts_end": instants(dips.ts_s[1:]),
            "day": _dates((dips.ts_s[1:] // DAY_S).astype(np.int64)),
            "level_start_mm": dips.level_mm[:-1],
            "level_end_mm": dips.level_mm[1:],
            "water_end_mm": dips.water_mm[1:],
            "temp_end_c": dips.temp_c[1:],
            "gauge_start_l": dips.gauge_l[:-1],
            "gauge_end_l": dips.gauge_l[1:],
            "delivered_l": came,
            "sold_l": sold,
            "pump_hours": np.diff(dips.open_h),
            "residual_l": moved - came + sold,
            "noise_sd_l": np.hypot(noise.dip_sd_l[1:], noise.dip_sd_l[:-1]),
            "is_quiet": quiet,
        }
    )
    shared = ("gauge_start_l", "gauge_end_l", "delivered_l", "sold_l", "residual_l", "noise_sd_l")
    return pl.concat(
        rows.select(pl.lit(name).alias("tank_id"), pl.all()).with_columns(pl.col(shared) * share)
        for name, share in sheet.shares()
    )


def _delivered_until_l(sheet: UnitSheet, at_s: Floats) -> Floats:
    """Ticketed litres of the drops that had begun before each instant. [l]"""
    litres = sheet.seen.unit.tickets["ticket_volume_l"].to_numpy()
    starts = np.array([known.drop.start_s for known in sheet.seen.drops])
    each = np.array([litres[list(known.drop.tickets)].sum() for known in sheet.seen.drops])
    total = np.concatenate([[0.0], np.cumsum(each)])
    return np.asarray(total[np.searchsorted(starts, at_s, "left")])


def drop_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `drops`; a pool's drop stands under the tank that its ticket names."""
    drops = sheet.seen.drops
    tickets = sheet.seen.unit.tickets["ticket_volume_l"].to_numpy()
    edges = np.array([(known.drop.start_s, known.drop.end_s) for known in drops]).reshape(-1, 2)
    sold = np.diff(sheet.days.booked.until_l(edges.ravel(), np.full(edges.size, np.inf)).reshape(edges.shape))[:, 0]
    rows = []
    for known, sold_l in zip(drops, sold.tolist(), strict=True):
        drop, main = known.drop, _main_ticket(sheet, known)
        ticketed = float(tickets[list(drop.tickets)].sum()) if main else None
        rows.append(
            {
                "tank_id": main["tank_id"] if main else sheet.seen.unit.unit_id,
                "drop_id": drop_id(sheet, known),
                "start_s": drop.start_s,
                "end_s": drop.end_s,
                "gain_l": drop.gain_l,
                "sold_during_l": sold_l,
                "delivery_id": main["delivery_id"] if main else None,
                "ticket_volume_l": ticketed,
                "mismatch_l": None if ticketed is None else drop.gain_l - ticketed,
                "mismatch_sd_l": None if ticketed is None else float(np.hypot(TICKET_SHARE * ticketed, DROP_SD_L)),
            }
        )
    if not rows:
        return pl.DataFrame()
    schema = {"delivery_id": pl.String, **dict.fromkeys(("ticket_volume_l", "mismatch_l", "mismatch_sd_l"), pl.Float64)}
    frame = pl.DataFrame(rows, schema_overrides=schema, infer_schema_length=None)
    return _with_instants(frame).unique("drop_id", keep="first", maintain_order=True)


def drop_ticket_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `drop_tickets`: each ticket of each drop, under the drop's tank."""
    tickets = sheet.seen.unit.tickets["delivery_id"].to_list()
    rows = [
        {"tank_id": main["tank_id"], "drop_id": drop_id(sheet, known), "delivery_id": tickets[number]}
        for known in sheet.seen.drops
        if (main := _main_ticket(sheet, known))
        for number in known.drop.tickets
    ]
    return pl.DataFrame(rows).unique(["drop_id", "delivery_id"], maintain_order=True) if rows else pl.DataFrame()


def drop_id(sheet: UnitSheet, known: KnownDrop) -> str:
    """A drop's name: its tank, that of its largest ticket in a pool, and the second in which it began."""
    main = _main_ticket(sheet, known)
    tank = main["tank_id"] if main else sheet.seen.unit.unit_id
    return f"{tank}@{np.datetime64(round(known.drop.start_s), 's')}"


def _main_ticket(sheet: UnitSheet, known: KnownDrop) -> dict[str, Any] | None:
    tickets = sheet.seen.unit.tickets
    rows = [tickets.row(number, named=True) for number in known.drop.tickets]
    return max(rows, key=lambda row: (row["ticket_volume_l"], row["delivery_id"]), default=None)


def draw_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `draws`: sudden moves that took product away, under the first tank of a pool.

    Moves that follow each other within `SAME_DRAW_S`, up ones too, are one draw: its ramp in steps.
    """
    moves = [step for _, step in sheet.seen.steps if not _in_drop(sheet, step.start_s, step.end_s)]
    draws = grouped_steps(moves, SAME_DRAW_S)
    rows = [
        {
            "tank_id": sheet.seen.unit.unit_id,
            "start_s": draw[0].start_s,
            "end_s": max(one.end_s for one in draw),
            "litres": sum(one.litres for one in draw),
            "sd_l": float(np.sqrt(sum(one.sd_l**2 for one in draw))),
            "kind": "at rest" if all(one.at_rest for one in draw) else "while selling",
        }
        for draw in draws
    ]
    frame = pl.DataFrame(rows)
    return _with_instants(frame.filter(pl.col("litres") <= -SMALLEST_DRAW_L)) if rows else frame


def _in_drop(sheet: UnitSheet, start_s: float, end_s: float) -> bool:
    return any(known.drop.start_s < end_s and known.drop.end_s > start_s for known in sheet.seen.drops)


def _with_instants(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(
        ts_start=instants(frame["start_s"].to_numpy()), ts_end=instants(frame["end_s"].to_numpy())
    ).drop("start_s", "end_s")


def meter_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `meter_estimates`: each Sunday, and on the last day, what the balance says of each meter."""
    if sheet.walked is None:
        return pl.DataFrame()
    walk, dips = sheet.walked.walk, sheet.walked.dips
    # The last half hour of the data is the next day's to see, and a day that has not come says nothing yet.
    seen = [view for view in walk.views if view.day <= sheet.site.days[-1]]
    # Day 3 after 1970-01-01, a Thursday, was a Sunday.
    views = [view for view in seen if view.day % WEEK_DAYS == 3]
    if seen and (not views or views[-1].day != seen[-1].day):
        views.append(seen[-1])
    frames = []
    for view in views:
        last = int(np.searchsorted(walk.balance.known_day, view.day, "right")) - 1
        gives = np.array([_gives(sheet.walked, view, number) for number in range(len(dips.meters))]).reshape(-1, 2)
        frames.append(
            pl.DataFrame(
                {
                    "meter_id": list(dips.meters),
                    "day": [np.datetime64(view.day, "D").item()] * len(dips.meters),
                    "sold_l": dips.sold_l[last] if len(dips.meters) else np.empty(0),
                    "error_pct": 100.0 * (1.0 / (1.0 + gives[:, 0]) - 1.0),
                    "error_low_pct": 100.0 * (1.0 / (1.0 + gives[:, 0] + 1.96 * gives[:, 1]) - 1.0),
                    "error_high_pct": 100.0 * (1.0 / (1.0 + gives[:, 0] - 1.96 * gives[:, 1]) - 1.0),
                },
                schema_overrides={"meter_id": pl.String, "day": pl.Date},
            )
        )
    if not frames:
        return pl.DataFrame()
    return pl.concat(frames).select(pl.lit(sheet.seen.unit.unit_id).alias("tank_id"), pl.all())


def _gives(walked: UnitWalk, view: DayView, meter: int) -> tuple[float, float]:
    """How much more a meter gives than it records, as a share, and its SD: its usual error and any drift named."""
    base, name = len(walked.walk.balance.names), walked.walk.balance.meters[meter]
    pieces = [
        place
        for named in walked.walk.named
        if named.hypothesis.cause == "meter_drift" and named.hypothesis.meter_id == name
        for place, _ in named.pieces
        if place < base + len(view.pieces)
    ]
    last = int(np.searchsorted(walked.walk.balance.known_day, view.day, "right")) - 1
    places = [*walked.walk.balance.error_places(name, last), *pieces]
    sd = float(np.sqrt(max(view.belief.cov[np.ix_(places, places)].sum(), 0.0)))
    return float(view.belief.mean[places].sum()), min(sd, 0.3)


def health_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `health`: each member's gauge on each UTC day."""
    frames = []
    for name in sheet.seen.unit.members:
        days = sheet.seen.probe.get(name, [])
        if not days:
            continue
        number = np.array([one.day for one in days], dtype=np.int64)
        lags = [sheet.site.lags.get(int(day)) for day in number]
        stuck = np.zeros(len(days), dtype=bool)
        for span in sheet.seen.stuck:
            stuck |= (span.start_s < (number + 1) * DAY_S) & (span.end_s > number * DAY_S)
        hidden = np.array([sheet.reporting[name].hidden_on(int(day)) for day in number])
        frames.append(
            pl.DataFrame(
                {
                    "tank_id": pl.repeat(name, len(days), eager=True),
                    "day": _dates(number),
                    "readings": np.array([one.readings for one in days], dtype=np.int64),
                    "bad_share": np.array([one.bad_share for one in days]),
                    "gap_hours": np.array([one.gap_h for one in days]),
                    "deadband_mm": hidden,
                    "is_stuck": stuck,
                    "clock_skew_s": [None if lag is None else 0.0 - used_lag_s(lag) for lag in lags],
                },
                schema_overrides={"clock_skew_s": pl.Float64},
            )
        )
    return pl.concat(frames) if frames else pl.DataFrame()
