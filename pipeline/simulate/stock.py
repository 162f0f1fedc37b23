"""The true stock of a pool of tanks: hour by hour with its temperature, and the lorries that fill it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.physics.expansion import product_density_15_kg_m3, product_vcf
from pipeline.simulate.chart import TrueShape
from pipeline.simulate.families.record import PLAIN, Family
from pipeline.simulate.laws.tickets import Loading
from pipeline.simulate.model import HOUR_S, Fault, Fleet, Floats, Haulier, Site, Tank, TrueTank, Window
from pipeline.simulate.places import family as family_of
from pipeline.simulate.tickets import Drop, Load, draw_load, tank_of_drop
from pipeline.simulate.tickets import delivery_fault as next_fault

_FAULTY_DROPS = ("short_delivery", "over_delivery", "missing_ticket", "wrong_product")


@dataclass(frozen=True)
class Pool:
    """A tank, or tanks that a siphon joins, as one body of product under one surface."""

    tanks: tuple[Tank, ...]
    shapes: tuple[TrueShape, ...]
    site: Site
    hauliers: tuple[Haulier, ...]
    window: Window
    shape: TrueShape
    family: Family = PLAIN
    seed: int = 0

    @property
    def product(self) -> str:
        """What the pool holds."""
        return self.tanks[0].product

    @property
    def capacity_l(self) -> float:
        """Litres of all its tanks."""
        return sum(tank.capacity_l for tank in self.tanks)

    @property
    def safe_fill_l(self) -> float:
        """Litres that all its tanks may be filled to."""
        return sum(tank.safe_fill_l for tank in self.tanks)

    def vcf(self, temp_c: Floats) -> Floats:
        """Volume at 15 °C over volume at `temp_c` of this very product."""
        truth = self.tanks[0].true
        nominal = np.asarray(product_vcf(self.product, temp_c, truth.density_15_kg_m3), dtype=np.float64)
        return 1.0 + truth.expansion_factor * (nominal - 1.0)


def make_pool(tanks: list[Tank], shapes: list[TrueShape], site: Site, fleet: Fleet) -> Pool:
    """Return the pool of `tanks`; joined ones stand on one level, so their volumes at a level add up."""
    levels = shapes[0].level_mm
    total = sum((shape.volume_at(levels) for shape in shapes), np.zeros_like(levels))
    shape = TrueShape(levels, total)
    return Pool(tuple(tanks), tuple(shapes), site, fleet.hauliers, fleet.window, shape, fleet.family, fleet.seed)


@dataclass
class StockPath:
    """Truth at the nodes of time: each hour, and the start and end of each drop.

    `slow_15_l` is what left (negative) or entered slowly up to a node: leak, vapour. `leak_15_l` is the leak's part.
    """

    opening_15_l: float
    node_s: Floats
    temp_c: Floats
    slow_15_l: Floats
    leak_15_l: Floats
    vapour_15_l: Floats
    density_15_kg_m3: Floats
    drops: list[Drop]


@dataclass
class _State:
    """The pool as it stands while the hours go by."""

    stock_15_l: float
    temp_c: float
    density: float
    arrival_s: float | None = None
    leak_15_l: float = 0.0
    vapour_15_l: float = 0.0
    rows: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    drops: list[Drop] = field(default_factory=list)

    def note(self, at_s: float) -> None:
        """Keep a node."""
        self.rows.append((at_s, self.temp_c, self.leak_15_l, self.vapour_15_l, self.density))

    def path(self, opening_15_l: float) -> StockPath:
        """The way from an opening stock through the nodes that were kept."""
        at_s, temp_c, leak, vapour, density = np.array(self.rows).T
        return StockPath(opening_15_l, at_s, temp_c, -leak - vapour, leak, vapour, density, self.drops)


@dataclass(frozen=True)
class Weather:
    """What surrounds a pool, hour by hour.

    Its surroundings' temperature and the air's [°C]; how far from the tank's to the air's its product is at the meters;
    factors of its vapour with sales and of its breathing.
    """

    around_c: Floats
    outside_c: Floats
    meter_share: Floats
    vapour_times: Floats
    breathing_times: Floats


def run_stock(
    pool: Pool, hour_s: Floats, drawn_l: Floats, weather: Weather, faults: list[Fault], *, rng: np.random.Generator
) -> StockPath:
    """Return the pool's path through the window.

    Parameters
    ----------
    pool : Pool
    hour_s : ndarray, shape (n + 1,)
        Nodes an hour apart; they span the window.
    drawn_l : ndarray, shape (n,)
        Net litres at ambient temperature that all quick movements but drops take in each hour.
    weather : Weather, arrays of shape (n,)
    faults : list of Fault
        Those of this pool. The one that a drop carries out is filled in.
    rng : Generator
        Draws lorries and loads.
    """
    truth, around_c = pool.tanks[0].true, weather.around_c
    grid_c = np.linspace(-40.0, 60.0, 201)
    vcf = pool.vcf(grid_c)
    state = _State(0.0, float(around_c[0]) + truth.temp_start_c, truth.density_15_kg_m3)
    opening_15 = truth.fill_start * pool.safe_fill_l * float(np.interp(state.temp_c, grid_c, vcf))
    state.stock_15_l = opening_15
    state.note(float(hour_s[0]))
    leaks = [fault for fault in faults if fault.cause == "tank_leak"]
    pending = [fault for fault in faults if fault.cause in _FAULTY_DROPS]
    usual_l = max(float(np.mean(drawn_l)), 5.0)
    for hour in range(drawn_l.size):
        factor = float(np.interp(state.temp_c, grid_c, vcf))
        at_meter_c = state.temp_c + weather.meter_share[hour] * (weather.outside_c[hour] - state.temp_c)
        begin_s, end_s = float(hour_s[hour]), float(hour_s[hour + 1])
        volume = state.stock_15_l / factor
        _order(state, pool, volume, begin_s, usual_l, rng=rng)
        load = _load_of_hour(state, pool, volume, (begin_s, end_s), float(around_c[hour]), rng=rng)
        if load is not None:
            _drop(state, pool, load, next_fault(pending, load.start_s), rng)
        drawn_15_l = float(drawn_l[hour]) * float(np.interp(at_meter_c, grid_c, vcf))
        vapour_15_l = _vapour_l(truth, float(drawn_l[hour]), weather, hour) * factor
        _pass_hour(state, pool, volume, drawn_15_l, vapour_15_l, around_c=float(around_c[hour]))
        for fault in leaks:
            _leak(state, pool, fault, volume, factor, hour=(begin_s, end_s))
        state.note(end_s)
    return state.path(opening_15)


def _order(state: _State, pool: Pool, volume: float, now_s: float, usual_l: float, *, rng: np.random.Generator) -> None:
    """Order a load when stock falls to what two days' sales need, and have it come at an hour when lorries come."""
    reserve = 0.12 * pool.capacity_l
    if state.arrival_s is None and volume < min(reserve + 36.0 * usual_l, 0.62 * pool.safe_fill_l):
        state.arrival_s = now_s + rng.uniform(6.0, 30.0) * HOUR_S
        hour = (state.arrival_s / HOUR_S + pool.site.longitude / 15.0) % 24.0
        if not pool.site.is_open_always and not 5.0 <= hour <= 22.0:
            state.arrival_s += ((5.0 - hour) % 24.0 + rng.uniform(0.0, 8.0)) * HOUR_S
    if volume < 0.07 * pool.capacity_l:
        state.arrival_s = now_s


def _load_of_hour(
    state: _State, pool: Pool, volume: float, hour: tuple[float, float], around_c: float, *, rng: np.random.Generator
) -> Load | None:
    """The load that arrives in this hour, if one does; one that does not fit comes back later."""
    if state.arrival_s is None or state.arrival_s >= hour[1]:
        return None
    if hour[0] < 0.0 or hour[1] > pool.window.seconds - 2.0 * HOUR_S:
        return None
    room = pool.safe_fill_l - volume
    if room < 3_000.0:
        state.arrival_s = hour[1] + 4.0 * HOUR_S
        return None
    state.arrival_s = None
    load = draw_load(pool.site, pool.hauliers, room, around_c, hour, rng=rng)
    return billed(load, pool)


def billed(load: Load, pool: Pool) -> Load:
    """Return the load as the family's laws of terminals and tickets have it."""
    family = pool.family
    if not family.ticket_laws:
        return load
    truth, usual = pool.tanks[0].true, float(product_density_15_kg_m3(pool.product))
    loading = Loading(
        load.start_s, load.haulier.terminal, load.haulier.name, pool.product, family_of(pool.product) == "gasoline",
        usual, lambda temp_c: float(pool.vcf(np.array([temp_c]))[0]),
    )  # fmt: skip
    bill = load.bill(truth)
    for place, law in enumerate(family.ticket_laws):
        bill = law(bill, loading, lambda *keys, place=place: family.rng(pool.seed, "ticket", place, *keys))
    return load.rebilled(bill, truth)


def _drop(state: _State, pool: Pool, load: Load, fault: Fault | None, rng: np.random.Generator) -> None:
    """Drop a load: mix temperature and density, keep the drop with its ticket and what a fault did to it."""
    factor, load_factor = (float(pool.vcf(np.array([t]))[0]) for t in (state.temp_c, load.temp_c))
    drop = load.dropped(tank_of_drop(pool.tanks, rng), load_factor, pool.tanks[0].true, fault)
    state.note(drop.start_s)
    volume = state.stock_15_l / factor
    added = drop.volume_15_l / factor
    share = added / (volume + added)
    state.temp_c += share * (load.temp_c - state.temp_c)
    state.density += share * (drop.density_15_kg_m3 - state.density)
    state.stock_15_l += drop.volume_15_l
    drop.volume_l = drop.volume_15_l / float(pool.vcf(np.array([state.temp_c]))[0])
    if fault is not None:
        drop.settle(fault)
    state.drops.append(drop)
    state.note(drop.end_s)


def _vapour_l(truth: TrueTank, drawn_l: float, weather: Weather, hour: int) -> float:
    """Litres that leave as vapour in an hour, with sales and by breathing."""
    with_sales = truth.vapour_share * max(drawn_l, 0.0) * float(weather.vapour_times[hour])
    return with_sales + truth.breathing_l_per_h * float(weather.breathing_times[hour])


def _pass_hour(
    state: _State, pool: Pool, volume: float, drawn_15_l: float, vapour_15_l: float, *, around_c: float
) -> None:
    """Let an hour's sales, vapour and heat go by; a fuller tank takes longer to warm."""
    tau_h = pool.tanks[0].true.thermal_tau_h * (0.35 + 1.3 * volume / pool.capacity_l)
    state.temp_c += (around_c - state.temp_c) * (1.0 - float(np.exp(-1.0 / tau_h)))
    state.vapour_15_l += vapour_15_l
    state.stock_15_l -= drawn_15_l + vapour_15_l


def _leak(state: _State, pool: Pool, fault: Fault, volume: float, factor: float, *, hour: tuple[float, float]) -> None:
    """Let a hole's litres out: rate ∝ √(head above it), nothing once the surface is below it."""
    end_s = np.inf if fault.end_s is None else fault.end_s
    lasts_h = max(0.0, min(hour[1], end_s) - max(hour[0], fault.start_s)) / HOUR_S
    if lasts_h == 0.0:
        return
    head = float(pool.shape.level_at(np.array([volume]))[0]) - fault.params["hole_mm"]
    litres = fault.params["rate_l_per_h"] * np.sqrt(max(head, 0.0) / fault.params["head_mm"]) * lasts_h
    fault.litres = (fault.litres or 0.0) - litres
    fault.params["hours"] = fault.params.get("hours", 0.0) + lasts_h
    state.leak_15_l += litres * factor
    state.stock_15_l -= litres * factor
