"""One tank as the estimates see it, written by hand: 5 l a millimetre, diesel at 15 °C, days from 2026-01-05 on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.estimate.design import Balance, Delivered, balance_of
from pipeline.estimate.feed_changes import FeedChange
from pipeline.estimate.hypotheses import candidates_of
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.estimate.regression import Posterior
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView, Named, Walk
from pipeline.estimate.whiten import Noise
from pipeline.features.probe import StuckSpan
from pipeline.features.reporting import Reporting
from pipeline.features.steps import Step
from pipeline.features.totals import Unbooked
from pipeline.features.trading_days import TradingDays
from pipeline.features.transit import Move
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.dips import Dips
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Feed, Unit
from pipeline.ledger.gauge import GaugeSeries, Strapping
from pipeline.ledger.movements import MeterFlow, ordered_flow
from pipeline.ledger.moves import Moves, moves_of
from pipeline.scoring.member_days import member_days
from pipeline.scoring.statements import Statement
from pipeline.scoring.unit_days import Booked, UnitDays
from pipeline.scoring.unit_sheet import UnitSheet
from tests.support.gauges import straight_gauge
from tests.support.hand_site import at
from tests.support.lakes import rows

FIRST_DAY = 20_458
"""UTC day number of 2026-01-05."""
START_S = FIRST_DAY * 86_400.0
L_PER_MM = 5.0
Floats = np.ndarray


def at_s(hours: Any) -> Any:
    """The instants so many hours after the data begin. [s since 1970]"""
    return START_S + 3_600.0 * np.asarray(hours, dtype=np.float64)


def flow_of(*sales: tuple[float, float], meter: str = "M1", minutes: float = 2.0) -> MeterFlow:
    """Sales of one meter: (hour at which it ends, litres)."""
    hour, litres = np.array(sales, dtype=np.float64).reshape(-1, 2).T
    return ordered_flow(meter, at_s(hour - minutes / 60.0), at_s(hour), litres)


def gauge_of(hours: Floats, level_mm: Any, **more: Any) -> GaugeSeries:
    """A gauge of the tank that reads so at those hours."""
    return straight_gauge(at_s(hours), level_mm + 0.0 * np.asarray(hours), l_per_mm=L_PER_MM, **more)


def unit_of(
    series: GaugeSeries,
    *,
    name: str = "T1",
    product: str = "diesel_b7",
    tickets: Sequence[tuple[str, float, float]] = (),
    ticket_c: float | None = 15.0,
    events: Sequence[tuple[str, float]] = (),
    calibrated_s: Mapping[str, tuple[float, ...]] | None = None,
    carriers: Sequence[str | None] | None = None,
    charts: Sequence[tuple[float, float]] = ((-1000.0, L_PER_MM),),
) -> Unit:
    """The tank; `tickets` (delivery, hour, litres), `events` (kind, hour), `charts` (from which hour, litres a mm)."""
    level = np.arange(0.0, 2_001.0, 100.0)
    tank = {
        "tank_id": name, "site_id": "S1", "product": product, "capacity_l": 10_000.0, "shape": "vertical_cylinder",
        "diameter_mm": 2_523.1, "length_mm": 2_000.0, "buried": True,
    }  # fmt: skip
    papers = [
        {"delivery_id": key, "tank_id": name, "ts_ticket": at(hour), "ticket_volume_l": litres,
         "ticket_temp_c": ticket_c, "carrier": carriers[number] if carriers else None}
        for number, (key, hour, litres) in enumerate(tickets)
    ]  # fmt: skip
    log = [
        {"event_id": f"E{number}", "ts": at(hour), "site_id": "S1", "tank_id": name, "kind": kind}
        for number, (kind, hour) in enumerate(events)
    ]
    return Unit(
        unit_id=name, site_id="S1", product=product, members=(name,), tanks=rows("tanks", tank),
        strappings=(Strapping(at_s([hour for hour, _ in charts]), tuple((level, one * level) for _, one in charts)),),
        member_series=(series,), series=series, tickets=rows("deliveries", *papers), events=rows("events", *log),
        calibrated_s=calibrated_s or {}, latitude_deg=None,
    )  # fmt: skip


def seen_of(
    unit: Unit,
    *,
    flows: Sequence[MeterFlow] = (),
    drops: Sequence[KnownDrop] = (),
    steps: Sequence[tuple[int, Step]] = (),
    stuck: Sequence[StuckSpan] = (),
    unbooked: Sequence[Unbooked] = (),
    lags: Mapping[int, DayLag] | None = None,
    moves: Moves | None = None,
    reporting: Mapping[str, Reporting] | None = None,
) -> UnitObserved:
    """The tank as observed; its moves are made of its series where none are given."""
    every = [np.ones(len(unit.series))] * len(flows)
    made = moves or moves_of(unit.series, list(flows), every, [known.drop for known in drops])
    return UnitObserved(
        unit,
        dict(lags or {}),
        list(flows),
        list(drops),
        list(steps),
        list(stuck),
        {},
        dict(reporting or {}),
        made,
        list(unbooked),
    )


def hiding(hidden_mm: float) -> Reporting:
    """How a gauge reports that from the first day on shows no smaller change than this."""
    return Reporting(np.array([FIRST_DAY]), np.array([hidden_mm]), np.array([7_200.0]))


def site_of(*units: UnitObserved, days: int = 3, feeds: Sequence[FeedChange] = ()) -> SiteObserved:
    """The site of some tanks over so many UTC days."""
    lags = {day: lag for unit in units for day, lag in unit.lags.items()}
    lost = [one for unit in units for one in unit.unbooked]
    return SiteObserved("S1", FIRST_DAY + np.arange(days), lags, lost, [], list(feeds), list(units))


def drop_of(hour: float, litres: float, *, minutes: float = 10.0, tickets: tuple[int, ...] = ()) -> KnownDrop:
    """A drop that begins at an hour, seen on its day with its tickets."""
    start, end = (float(one) for one in at_s([hour, hour + minutes / 60.0]))
    return KnownDrop(Drop(start, end, litres, 300.0, tickets), FIRST_DAY + int(hour // 24), tickets)


def lag_of(lag_s: float, *, sd_s: float = 2.0, gain: float = 0.5, fit: float = 0.9) -> DayLag:
    """A day's till that is so far ahead of its gauge, beyond doubt."""
    return DayLag(lag_s, sd_s, gain, fit)


def step_of(hour: float, litres: float, *, minutes: float = 10.0, sd_l: float = 2.0, at_rest: bool = True) -> Step:
    """A sudden move of so many litres from an hour on."""
    start, end = (float(one) for one in at_s([hour, hour + minutes / 60.0]))
    return Step(start, end, end + 1_200.0, litres, sd_l, litres / sd_l, at_rest)


def move_of(
    hour: float, litres: float, *, day: int | None = None, samples: int = 3, transit_s: float = 600.0, **more: Any
) -> Move:
    """A sudden move with how long the level took, by default seen on its UTC day."""
    seen_on = FIRST_DAY + int(hour // 24) if day is None else day
    return Move(seen_on, step_of(hour, litres, **more), transit_s, samples, 60.0)


def dips_of(
    hours: Floats, level_mm: Any, sold_l: Any = 0.0, *, temp_c: Any = 15.0, state: int = 0, open_h: Any = 0.0
) -> Dips:
    """Settled dips of one meter's tank: levels, litres sold so far, temperature; arrays or one value for all."""
    zero = np.zeros(len(hours))
    level = level_mm + zero
    sold = np.asarray(sold_l, dtype=np.float64)
    sold = sold if sold.ndim == 2 else (sold + zero)[:, None]
    return Dips(
        ts_s=at_s(hours), state=(zero + state).astype(np.int8), count=(zero + 30).astype(np.int64), spread_l=zero,
        gauge_l=L_PER_MM * level, level_mm=level, water_mm=zero, temp_c=temp_c + zero, density_kg_m3=np.nan * zero,
        surface_l_per_mm=zero + L_PER_MM, apart_l=zero, open_h=open_h + zero, sold_l=sold,
        meters=tuple(f"M{number + 1}" for number in range(sold.shape[1])),
    )  # fmt: skip


NO_DROPS = Delivered(np.empty(0), np.empty(0), np.empty(0), np.empty((0, 0)), (), np.empty(0), np.empty(0))


def balance_by(
    unit: Unit,
    dips: Dips,
    *,
    drops: Sequence[Drop] = (),
    delivered: Delivered = NO_DROPS,
    jumps_h: Sequence[float] = (),
    shifts_h: Sequence[float] = (),
) -> Balance:
    """The tank's balance; hours are those since 1970."""
    return balance_of(unit, dips, list(drops), delivered, np.array(jumps_h), np.array(shifts_h))


def believing(
    balance: Balance, *, sd: float = 0.0, pieces: Sequence[tuple[float, float]] = (), **means: float
) -> Posterior:
    """A belief of nothing but what is named, ':' written as '__'; `pieces` (mean, SD) stand behind the base."""
    mean, spread = np.zeros(len(balance.names)), np.full(len(balance.names), sd)
    for name, value in means.items():
        mean[balance.names.index(name.replace("__", ":"))] = value
    mean = np.concatenate([mean, [one for one, _ in pieces]])
    return Posterior(mean, np.diag(np.concatenate([spread, [one for _, one in pieces]]) ** 2))


def view_of(
    day: int,
    belief: Posterior,
    *,
    pieces: tuple[int, ...] = (),
    odds: Mapping[str, float] | None = None,
    month_leak: tuple[float, float] = (np.nan, np.inf),
    surprise: Floats | None = None,
    hole: int = 0,
) -> DayView:
    """What a day's run believes."""
    none = np.zeros(0) if surprise is None else surprise
    return DayView(day, belief, pieces, dict(odds or {}), month_leak, 1.0, none, hole)


def walk_of(
    balance: Balance, views: Sequence[DayView], *, named: Sequence[Named] = (), excursions: Sequence[Named] = ()
) -> Walk:
    """A walk that left those views behind."""
    return Walk(balance, candidates_of(balance), list(views), list(named), list(excursions), [])


def noise_of(count: int, **more: float) -> Noise:
    """White noise of a litre, or what is said, at each of some dips."""
    told = {"white_l": 1.0, "ripple_h": 1.0, "sway_h": 1.0, "layer_h": 1.0} | more
    names = ("white_l", "ripple_l", "ripple_h", "walk_l", "walk_per_l", "rate_k_per_h", "layer_k", "litres_per_k")
    names = (*names, "layer_h")
    return Noise(**{name: np.full(count, told.get(name, 0.0)) for name in (*names, "sway_l", "sway_h")})


def walked_of(seen: UnitObserved, dips: Dips, walk: Walk, *, judged: tuple[int, ...] = ()) -> UnitWalk:
    """The tank with its walk."""
    return UnitWalk(seen, dips, noise_of(len(dips)), walk, judged)


def days_of(
    unit: Unit,
    bounds_h: Sequence[float],
    level_mm: Any,
    *,
    flows: Sequence[MeterFlow] = (),
    tickets: Mapping[int, tuple[int, ...]] | None = None,
    drop_day: Sequence[int] = (),
    dips_h: Floats | None = None,
    lag_s: float = 0.0,
    sold_l: Floats | None = None,
    ticket_vcf: Floats | None = None,
    feeds: Sequence[Feed] = (),
    over: int | None = None,
) -> UnitDays:
    """Trading days between boundaries [h], the level at each, and what was sold and ticketed in between."""
    dates = tuple(date(2026, 1, 5) + timedelta(days=number) for number in range(len(bounds_h) - 1))
    days = TradingDays(dates, at_s(bounds_h))
    level = level_mm + np.zeros(len(bounds_h))
    booked = Booked(tuple(flows))
    rows_of = tuple((tickets or {}).get(number, ()) for number in range(len(days)))
    litres = unit.tickets["ticket_volume_l"].to_numpy()
    last = np.searchsorted(np.empty(0) if dips_h is None else dips_h, bounds_h, "right") - 1
    return UnitDays(
        days=days, run_day=days.run_days(),
        is_over=np.arange(len(days)) < (len(days) if over is None else over), stock_l=L_PER_MM * level,
        level_mm=level, lag_s=np.full(len(bounds_h), lag_s), feeds=list(feeds), booked=booked,
        sold_l=booked.in_days_l(days) if sold_l is None else sold_l, tickets=rows_of,
        ticket_vcf=np.ones(len(litres)) if ticket_vcf is None else ticket_vcf,
        ticketed_l=np.array([litres[list(one)].sum() for one in rows_of]),
        drop_day=np.array(drop_day, dtype=np.int64), last_dip=last.astype(np.int64),
    )  # fmt: skip


def sales_frame(*flows: MeterFlow) -> pl.DataFrame:
    """The contract's sales of some meters."""
    return rows(
        "sales",
        *(
            {"sale_id": f"{one.meter_id}-{number}", "meter_id": one.meter_id, "volume_l": float(litres), "kind": "sale",
             "ts_start": at((start - START_S) / 3_600.0), "ts_end": at((end - START_S) / 3_600.0)}
            for one in flows
            for number, (start, end, litres) in enumerate(zip(one.start_s, one.end_s, one.volume_l, strict=True))
        ),
    )  # fmt: skip


def sheet_of(
    seen: UnitObserved,
    days: UnitDays,
    *,
    walked: UnitWalk | None = None,
    site: SiteObserved | None = None,
    parts: Mapping[str, Floats] | None = None,
    statements: Sequence[Statement] = (),
    reporting: Mapping[str, Reporting] | None = None,
    has_totals: bool = True,
) -> UnitSheet:
    """All that is made of the tank's trading days; what is not given is nothing."""
    every = np.zeros(len(days))
    members = member_days(days.days, seen)
    return UnitSheet(
        site=site or site_of(seen), seen=seen, walked=walked, days=days,
        parts=dict(parts if parts is not None else {"residual": days.variance_l}), unexplained_l=every, physics=every,
        members=members, reporting=dict(reporting or {}), statements=list(statements), has_totals=has_totals,
    )  # fmt: skip
