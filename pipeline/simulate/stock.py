"""The true stock of a pool of tanks: hour by hour with its temperature, and the lorries that fill it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.physics.expansion import product_vcf
from pipeline.simulate.chart import TrueShape
from pipeline.simulate.model import HOUR_S, Fault, Floats, Haulier, Site, Tank, Window
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


def make_pool(
    tanks: list[Tank], shapes: list[TrueShape], site: Site, hauliers: tuple[Haulier, ...], window: Window
) -> Pool:
    """Return the pool of `tanks`; joined ones stand on one level, so their volumes at a level add up."""
    levels = shapes[0].level_mm
    total = sum((shape.volume_at(levels) for shape in shapes), np.zeros_like(levels))
    return Pool(tuple(tanks), tuple(shapes), site, hauliers, window, TrueShape(levels, total))


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


def run_stock(
    pool: Pool, hour_s: Floats, drawn_l: Floats, around_c: Floats, faults: list[Fault], *, rng: np.random.Generator
) -> StockPath:
    """Return the pool's path through the window.

    Parameters
    ----------
    pool : Pool
    hour_s : ndarray, shape (n + 1,)
        Nodes an hour apart; they span the window.
    drawn_l : ndarray, shape (n,)
        Net litres at ambient temperature that all quick movements but drops take in each hour.
    around_c : ndarray, shape (n,)
        Temperature of what surrounds the pool.
    faults : list of Fault
        Those of this pool. The one that a drop carries out is filled in.
    rng : Generator
        Draws lorries and loads.
    """
    truth = pool.tanks[0].true
    grid_c = np.linspace(-40.0, 60.0, 201)
    vcf = pool.vcf(grid_c)
    state = _State(0.0, float(around_c[0]) + truth.temp_start_c, truth.density_15_kg_m3)
    opening = truth.fill_start * pool.safe_fill_l
    state.stock_15_l = opening * float(np.interp(state.temp_c, grid_c, vcf))
    opening_15 = state.stock_15_l
    state.note(float(hour_s[0]))
    leaks = [fault for fault in faults if fault.cause == "tank_leak"]
    pending = [fault for fault in faults if fault.cause in _FAULTY_DROPS]
    usual_l = max(float(np.mean(drawn_l)), 5.0)
    for hour in range(drawn_l.size):
        factor = float(np.interp(state.temp_c, grid_c, vcf))
        begin_s, end_s = float(hour_s[hour]), float(hour_s[hour + 1])
        volume = state.stock_15_l / factor
        _order(state, pool, volume, begin_s, usual_l, rng=rng)
        load = _load_of_hour(state, pool, volume, (begin_s, end_s), float(around_c[hour]), rng=rng)
        if load is not None:
            fault = next_fault(pending, load.start_s)
            _drop(state, pool, load, fault, rng)
        _pass_hour(state, pool, volume, float(drawn_l[hour]), float(around_c[hour]), factor=factor)
        for fault in leaks:
            _leak(state, pool, fault, volume, factor, hour=(begin_s, end_s))
        state.note(end_s)
    columns = np.array(state.rows).T
    slow = -columns[2] - columns[3]
    return StockPath(opening_15, columns[0], columns[1], slow, columns[2], columns[3], columns[4], state.drops)


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
    return draw_load(pool.site, pool.hauliers, room, around_c, hour, rng=rng)


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


def _pass_hour(state: _State, pool: Pool, volume: float, drawn_l: float, around_c: float, *, factor: float) -> None:
    """Let an hour's sales, vapour and heat go by; a fuller tank takes longer to warm."""
    truth = pool.tanks[0].true
    tau_h = truth.thermal_tau_h * (0.35 + 1.3 * volume / pool.capacity_l)
    state.temp_c += (around_c - state.temp_c) * (1.0 - float(np.exp(-1.0 / tau_h)))
    vapour = (truth.vapour_share * max(drawn_l, 0.0) + truth.breathing_l_per_h) * factor
    state.vapour_15_l += vapour
    state.stock_15_l -= drawn_l * factor + vapour


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
