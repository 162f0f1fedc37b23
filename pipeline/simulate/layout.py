"""Draws a fleet: its sites, what they sell and when, and how their historians keep readings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.simulate.families import Family, family_named
from pipeline.simulate.forecourt import draw_meters
from pipeline.simulate.laws.spreads import redrawn
from pipeline.simulate.model import Fleet, Haulier, Historian, Meter, Site, Tank, Window
from pipeline.simulate.places import (
    HAULIER_NAMES,
    KIND_WEIGHTS,
    MENUS,
    PRICE_FACTORS,
    REGION_WEIGHTS,
    REGIONS,
    SITE_KINDS,
    TERMINAL_NAMES,
    Region,
    town_name,
)
from pipeline.simulate.places import (
    family as family_of,
)
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.settings import FleetSettings
from pipeline.simulate.tanks import draw_tanks

_INTERVALS_S = (30.0, 60.0, 300.0, 600.0)
_DAY_STARTS = ("06:00", "00:00", "05:00", "00:00", "22:00")


@dataclass(frozen=True)
class SitePlan:
    """A site before anything about it is drawn: what it is, and what stands in its tanks."""

    name: str
    kind: str
    region: Region
    menu: tuple[str, ...]
    interval_s: float | None = None
    blends: bool | None = None


def draw_fleet(window: Window, n_tanks: int, seed: int, settings: FleetSettings) -> Fleet:
    """Return a fleet of exactly `n_tanks` tanks on sites of two to five (one, if one is all there is)."""
    return fleet_of(plan_sites(n_tanks, seed), window, seed, settings)


def fleet_of(plans: list[SitePlan], window: Window, seed: int, settings: FleetSettings) -> Fleet:
    """Return the fleet that stands on the planned sites."""
    sites: list[Site] = []
    tanks: list[Tank] = []
    meters: list[Meter] = []
    family = family_named(settings.family)
    hauliers = _draw_hauliers(seed)
    for index, plan in enumerate(plans):
        site = replace(_draw_site(index, plan, seed, settings), climate=family.climate)
        sites.append(site)
        new = draw_tanks(site, plan.menu, len(tanks), window, settings, seed=seed)
        tanks += new
        meters += draw_meters(site, new, len(meters), seed)
    drawn = Fleet(window, seed, tuple(sites), tuple(tanks), tuple(meters), hauliers, family)
    return _in_family(drawn)


def _in_family(fleet: Fleet) -> Fleet:
    """Return the fleet with the figures that its family draws otherwise."""
    family, seed = fleet.family, fleet.seed
    return replace(
        fleet,
        tanks=tuple(_tank_in_family(tank, family, seed) for tank in fleet.tanks),
        meters=tuple(redrawn(m, family.meter, family.rng(seed, "meter", m.index)) for m in fleet.meters),
        hauliers=tuple(redrawn(h, family.haulier, family.rng(seed, "haulier", h.name)) for h in fleet.hauliers),
    )


def _tank_in_family(tank: Tank, family: Family, seed: int) -> Tank:
    gauge = redrawn(tank.gauge, family.gauge, family.rng(seed, "gauge", tank.index))
    truth = redrawn(tank.true, family.truth, family.rng(seed, "truth", tank.index))
    if family_of(tank.product) != "gasoline":
        truth = replace(truth, vapour_share=0.0, breathing_l_per_h=0.0)
    return redrawn(replace(tank, gauge=gauge, true=truth), family.tank, family.rng(seed, "tank", tank.index))


def plan_sites(n_tanks: int, seed: int) -> list[SitePlan]:
    """Return sites whose menus add up to `n_tanks`; the first is a town site with ethanol blends and diesel."""
    rng = stream(seed, Part.LAYOUT)
    kinds, weights = list(KIND_WEIGHTS), list(KIND_WEIGHTS.values())
    plans: list[SitePlan] = []
    left = n_tanks
    while left > 0:
        region = REGIONS[int(rng.choice(len(REGIONS), p=REGION_WEIGHTS))]
        kind = str(rng.choice(kinds, p=weights))
        if not plans:
            region, kind = REGIONS[3], "urban"
        menus = MENUS[region.menus][kind]
        menu = tuple(menus[0 if not plans else int(rng.integers(len(menus)))].split())
        if len(menu) > left:
            menu = menu[:left]
        elif left - len(menu) == 1 and len(menu) > 2:
            menu = menu[:-1]
        plans.append(SitePlan(town_name(len(plans)), kind, region, menu))
        left -= len(menu)
    return plans


def _draw_site(index: int, plan: SitePlan, seed: int, settings: FleetSettings) -> Site:
    rng = stream(seed, Part.LAYOUT, index)
    kind, region = SITE_KINDS[plan.kind], plan.region
    opens_h, closes_h = kind.hours[int(rng.integers(len(kind.hours)))]
    price = region.price * rng.uniform(0.96, 1.05)
    interval_s = plan.interval_s or float(rng.choice(_INTERVALS_S, p=settings.interval_weights))
    # A large site's tanks give a small one's litres where only some of them are planned.
    daily_l = rng.uniform(*kind.daily_l) * min(1.0, 0.4 + 0.2 * len(plan.menu))
    return Site(
        index=index,
        site_id=f"S{index + 1:03d}",
        name=plan.name,
        kind=plan.kind,
        timezone=region.timezone,
        trading_day_start=str(rng.choice(_DAY_STARTS)),
        currency=region.currency,
        latitude=round(region.latitude + rng.uniform(-1.5, 1.5), 4),
        longitude=round(region.longitude + rng.uniform(-1.5, 1.5), 4),
        opens_h=opens_h,
        closes_h=closes_h,
        daily_l=daily_l,
        historian=_draw_historian(rng, interval_s, settings),
        till_offset_s=float(rng.normal(0.0, 4.0)) if settings.quirks else 0.0,
        till_drift_s_per_day=float(rng.normal(0.0, 0.4)) if settings.quirks else 0.0,
        totals_running=bool(rng.random() < 0.25),
        totals_every_s=float(rng.choice([900.0, 3_600.0, 86_400.0], p=[0.2, 0.5, 0.3])),
        has_water=bool(rng.random() >= settings.no_water_share),
        prices={product: round(price * factor, 3) for product, factor in PRICE_FACTORS.items()},
        blends=plan.blends,
        hauliers=tuple(int(h) for h in rng.choice(len(HAULIER_NAMES), size=2, replace=False)),
    )


def _draw_historian(rng: np.random.Generator, interval_s: float, settings: FleetSettings) -> Historian:
    kind = rng.random()
    mode = "regular"
    if settings.quirks and kind < settings.exception_share:
        mode = "exception"
    elif settings.quirks and kind < settings.exception_share + settings.snapshot_share:
        mode = "snapshot"
    deadband_mm = 0.0 if mode == "regular" else float(rng.choice([0.1, 0.25, 0.5, 1.0], p=[0.35, 0.35, 0.15, 0.15]))
    if mode != "regular" and settings.deadband_mm is not None:
        deadband_mm = settings.deadband_mm
    return Historian(
        interval_s=interval_s,
        phase_s=float(rng.integers(0, int(interval_s))),
        mode=mode,
        deadband_mm=deadband_mm,
        heartbeat_s=float(rng.choice([900.0, 3_600.0, 21_600.0])),
        missing_share=settings.missing_share * rng.uniform(0.3, 2.5) if settings.quirks else 0.0,
        outages_per_month=settings.outages_per_month if settings.quirks else 0.0,
        repeats=settings.quirks and bool(rng.random() < 0.2),
        late=settings.quirks and bool(rng.random() < 0.25),
        bad_share=float(10.0 ** rng.uniform(-5.0, -3.0)) if settings.quirks else 0.0,
    )


def _draw_hauliers(seed: int) -> tuple[Haulier, ...]:
    """Tickets: loading meter 0.15 %, a haulier's lasting bias 0 to 0.3 % that mostly favours the haulier. [C]"""
    rng = stream(seed, Part.HAULIERS)
    styles = ("loading", "loading", "after", "late")
    return tuple(
        Haulier(
            name=name,
            bias=float(rng.normal(-0.0004, 0.0007)),
            gives_temperature=bool(rng.random() < 0.8),
            gives_density=bool(rng.random() < 0.75),
            ticket_style=styles[int(rng.integers(len(styles)))],
            vehicles=tuple(f"{name[0]}{name.split()[1][0]}-{int(rng.integers(100, 999))}" for _ in range(4)),
            terminal=TERMINAL_NAMES[int(rng.integers(len(TERMINAL_NAMES)))],
        )
        for name in HAULIER_NAMES
    )
