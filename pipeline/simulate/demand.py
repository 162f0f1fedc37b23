"""Draws what customers take: who comes when, to which hose, and for how much."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.simulate.model import DAY_S, HOUR_S, Bools, Fleet, Floats, Ints, Meter, Site, Tank, Window
from pipeline.simulate.places import REGIONS, SITE_KINDS, family
from pipeline.simulate.seeds import Part, stream

# Hours of the local day at which demand peaks, how wide and how high, and what is left between. [C]
_PROFILES = {
    "rural": (((7.6, 1.2, 1.0), (12.0, 2.0, 0.5), (17.2, 1.6, 1.1)), 0.15),
    "urban": (((7.9, 1.1, 1.0), (12.8, 1.8, 0.6), (17.8, 1.7, 1.2)), 0.12),
    "motorway": (((9.5, 2.5, 0.8), (16.0, 3.2, 1.0)), 0.22),
    "truck_stop": (((6.0, 2.0, 0.8), (13.0, 3.0, 0.5), (19.0, 2.5, 0.9)), 0.4),
}
_PATIENCE_S = 1_200.0


@dataclass
class Sales:
    """Sales and meter tests of a site in the order of their ends, one element each; instants in true seconds."""

    meter: Ints
    start_s: Floats
    end_s: Floats
    recorded_l: Floats
    price: Floats
    is_test: Bools

    def only(self, rows: Bools | Ints) -> Sales:
        """Return the sales that `rows` picks."""
        return Sales(
            self.meter[rows], self.start_s[rows], self.end_s[rows],
            self.recorded_l[rows], self.price[rows], self.is_test[rows],
        )  # fmt: skip


@dataclass
class _Arrivals:
    """Who comes to one hose, before anybody has to wait."""

    at_s: Floats
    litres: Floats
    is_test: Bools


def draw_sales(site: Site, tanks: list[Tank], meters: list[Meter], fleet: Fleet) -> Sales:
    """Return all that is drawn through the site's meters, customers and meter tests, within the window."""
    window, seed = fleet.window, fleet.seed
    rng = stream(seed, Part.DEMAND, site.index)
    visit_s = test_visit_s(site, window, seed)
    busy = np.exp(rng.normal(0.0, 0.08, window.days + 3)) * _family_demand(site, fleet)
    prices = _price_paths(rng, site, window)
    shares = _litres_a_day(site, tanks, meters)
    found: list[Sales] = []
    for side in sorted({meter.side for meter in meters}):
        hoses = [meter for meter in meters if meter.side == side]
        arrivals = [_arrivals(site, hose, shares[hose.index], busy, prices, window=window, rng=rng) for hose in hoses]
        arrivals = [_family_sizes(a, site, hose, prices, fleet) for a, hose in zip(arrivals, hoses, strict=True)]
        if visit_s is not None:
            arrivals = [_with_tests(rng, arrival, visit_s + 1_800.0 * side) for arrival in arrivals]
        found.append(_served(rng, site, hoses, arrivals, prices, fleet=fleet))
    sales = Sales(*(np.concatenate(parts) for parts in zip(*(s.__dict__.values() for s in found), strict=True)))
    inside = (sales.start_s >= 0.0) & (sales.end_s < window.seconds - 60.0)
    sales = sales.only(inside)
    return sales.only(np.lexsort((sales.meter, sales.end_s)))


def test_visit_s(site: Site, window: Window, seed: int) -> float | None:
    """Instant of the inspector's visit to the site, if one falls into the window."""
    rng = stream(seed, Part.EVENTS, site.index)
    day = rng.uniform(0.0, 140.0)
    noon_s = (12.0 - site.longitude / 15.0) * HOUR_S
    at_s = float(np.floor(day) * DAY_S + noon_s + rng.uniform(-3.0, 0.0) * HOUR_S)
    return at_s if 0.0 < at_s < window.seconds - DAY_S else None


def _litres_a_day(site: Site, tanks: list[Tank], meters: list[Meter]) -> dict[int, float]:
    """Mean litres a day of each meter: its product's, shared by weight; blends add a tenth to their tanks."""
    daily: dict[str, float] = {}
    for tank in tanks:
        daily[tank.product] = daily.get(tank.product, 0.0) + tank.daily_l
    daily["blend"] = 0.1 * sum(litres for product, litres in daily.items() if family(product) == "gasoline")
    weights = {meter.index: meter.weight * (3.0 if meter.is_truck else 1.0) for meter in meters}
    result = {}
    for meter in meters:
        total = sum(weights[other.index] for other in meters if other.product == meter.product)
        result[meter.index] = daily[meter.product] * weights[meter.index] / total
    return result


def _price_paths(rng: np.random.Generator, site: Site, window: Window) -> dict[str, tuple[Floats, Floats]]:
    """Price of each product: instants from which it holds, and the price."""
    steps = max(2, window.days // 4)
    changes = np.sort(rng.uniform(0.0, window.seconds, steps))
    changes[0] = -2.0 * DAY_S
    walk = np.exp(np.cumsum(rng.normal(0.0, 0.008, steps)))
    digits = 3 if site.prices["diesel_b7"] < 10 else 2
    paths = {product: (changes, np.round(price * walk, digits)) for product, price in site.prices.items()}
    paths["blend"] = paths["gasoline_e5"]
    return paths


def _price_at(path: tuple[Floats, Floats], at_s: Floats) -> Floats:
    changes, prices = path
    return prices[np.clip(np.searchsorted(changes, at_s, side="right") - 1, 0, None)]


def _arrivals(
    site: Site,
    meter: Meter,
    litres_a_day: float,
    busy: Floats,
    prices: dict[str, tuple[Floats, Floats]],
    *,
    window: Window,
    rng: np.random.Generator,
) -> _Arrivals:
    mean_l, sd_l = _sale_size(meter)
    weekend = SITE_KINDS[site.kind].weekend
    weekday = (np.arange(window.days + 3) - 1 + window.start.weekday()) % 7
    week = np.where(weekday >= 5, weekend, 1.0) * np.where(weekday == 4, 1.12, 1.0)
    counts = rng.poisson(litres_a_day / mean_l * week * busy)
    local_day = np.repeat(np.arange(counts.size) - 1, counts)
    at_s = to_true_seconds(local_day * 24.0 + _hours(rng, site, local_day.size), site.timezone, window)
    litres = rng.gamma((mean_l / sd_l) ** 2, sd_l**2 / mean_l, at_s.size)
    litres = np.clip(litres, 2.0, 90.0 if mean_l < 60.0 else 800.0)
    price = _price_at(prices[meter.product], at_s)
    if mean_l < 60.0:
        note = _note(site)
        money = np.maximum(np.round(litres * price / note), 1.0) * note
        litres = np.where(rng.random(at_s.size) < 0.35, money / price, litres)
    known = np.isfinite(at_s)
    return _Arrivals(at_s[known], litres[known], np.zeros(int(known.sum()), dtype=bool))


def _note(site: Site) -> float:
    """The note of money that customers round to."""
    return next(region.round_money for region in REGIONS if region.currency == site.currency)


def _family_demand(site: Site, fleet: Fleet) -> Floats:
    """Factor of each day's demand by the family's laws."""
    days = fleet.window.days + 3
    factor = np.ones(days)
    for place, law in enumerate(fleet.family.demand_laws):
        factor = factor * law(days, fleet.family.rng(fleet.seed, "demand", place, site.index))
    return factor


def _family_sizes(
    arrivals: _Arrivals, site: Site, meter: Meter, prices: dict[str, tuple[Floats, Floats]], fleet: Fleet
) -> _Arrivals:
    """The same customers with the litres that they take by the family's laws; lorries fill up as they need."""
    if meter.is_truck:
        return arrivals
    price, litres = _price_at(prices[meter.product], arrivals.at_s), arrivals.litres
    for place, law in enumerate(fleet.family.size_laws):
        rng = fleet.family.rng(fleet.seed, "size", place, meter.index)
        litres = law(litres, price, _note(site), rng)
    return replace(arrivals, litres=litres)


def _sale_size(meter: Meter) -> tuple[float, float]:
    """Mean and SD of a sale. [l] [C]"""
    if meter.is_truck:
        return 310.0, 110.0
    if meter.product in ("heating_oil", "kerosene"):
        return 55.0, 35.0
    return (39.0, 17.0) if family(meter.product) == "distillate" else (30.0, 14.0)


def _hours(rng: np.random.Generator, site: Site, count: int) -> Floats:
    """Hours after local midnight at which customers come, while the site is open."""
    peaks, base = _PROFILES[site.kind]
    grid = np.linspace(site.opens_h, site.closes_h, 289)
    clock = grid % 24.0
    density = np.full_like(grid, base)
    for hour, width, height in peaks:
        density += height * np.exp(-0.5 * ((clock - hour) / width) ** 2)
    rising = np.append(0.0, np.cumsum((density[1:] + density[:-1]) / 2.0))
    return np.asarray(np.interp(rng.random(count) * rising[-1], rising, grid))


def to_true_seconds(local_hours: Floats, timezone: str, window: Window) -> Floats:
    """Seconds since the window's start of local wall-clock hours, counted from local midnight of its first day.

    NaN for wall-clock times that the change to summer time leaves out.
    """
    local_us = window.start_us + np.round(local_hours * 3.6e9).astype(np.int64)
    clock = pl.Series(local_us).cast(pl.Datetime("us"))
    there = clock.dt.replace_time_zone(timezone, ambiguous="earliest", non_existent="null")
    true_us = there.dt.convert_time_zone("UTC").dt.timestamp("us") - window.start_us
    return true_us.cast(pl.Float64).fill_null(float("nan")).to_numpy() / 1e6


def _with_tests(rng: np.random.Generator, arrivals: _Arrivals, at_s: float) -> _Arrivals:
    """Add an inspector's draws of 5 to 20 litres, which go back into the tank."""
    count = int(rng.integers(2, 4))
    size = float(rng.choice([5.0, 10.0, 20.0]))
    # A proving can is filled to its mark, within the drop on its rim.
    drawn = size + rng.normal(0.0, 0.01, count)
    return _Arrivals(
        np.append(arrivals.at_s, at_s + 420.0 * np.arange(count) + rng.uniform(0.0, 900.0)),
        np.append(arrivals.litres, drawn),
        np.append(arrivals.is_test, np.ones(count, dtype=bool)),
    )


def _served(
    rng: np.random.Generator,
    site: Site,
    hoses: list[Meter],
    arrivals: list[_Arrivals],
    prices: dict[str, tuple[Floats, Floats]],
    *,
    fleet: Fleet,
) -> Sales:
    """Serve one side of a dispenser: one customer at a time, the impatient leave."""
    meter = np.repeat([hose.index for hose in hoses], [a.at_s.size for a in arrivals]).astype(np.int64)
    flow = np.repeat([hose.flow_l_per_min for hose in hoses], [a.at_s.size for a in arrivals])
    price = np.concatenate([_price_at(prices[h.product], a.at_s) for h, a in zip(hoses, arrivals, strict=True)])
    at_s = np.concatenate([a.at_s for a in arrivals])
    litres = np.concatenate([a.litres for a in arrivals])
    is_test = np.concatenate([a.is_test for a in arrivals])
    order = np.argsort(at_s, kind="stable")
    meter, flow, price = meter[order], flow[order], price[order]
    at_s, litres, is_test = at_s[order], litres[order], is_test[order]
    for place, law in enumerate(fleet.family.flow_laws):
        flow = law(flow, litres, fleet.family.rng(fleet.seed, "flow", place, hoses[0].index))
    pumping_s = litres / (flow * rng.uniform(0.85, 1.05, at_s.size)) * 60.0 + 3.0
    between_s = rng.uniform(45.0, 150.0, at_s.size)
    spent = np.cumsum(pumping_s + between_s)
    free_s = np.maximum.accumulate(at_s - np.concatenate([[0.0], spent[:-1]])) + spent
    start_s = np.round(free_s - pumping_s - between_s + 20.0)
    end_s = start_s + np.maximum(np.round(pumping_s), 2.0)
    stays = (start_s - at_s < _PATIENCE_S) & (np.round(litres, 2) > 0.0)
    if any(hose.is_truck for hose in hoses) and site.kind == "truck_stop":
        price = np.where(rng.random(price.size) < 0.4, np.nan, price)
    return Sales(meter, start_s, end_s, np.round(litres, 2), price, is_test).only(stays)
