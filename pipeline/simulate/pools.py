"""A pool of tanks through the window: what moved, what its gauges saw, what its historian kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.simulate import heat, historian, sensors
from pipeline.simulate.draws import open_times, unmetered_flow
from pipeline.simulate.laws.level import Around
from pipeline.simulate.laws.meters import Pours
from pipeline.simulate.model import HOUR_S, Fault, Fleet, Floats, Flow, Site, Tank
from pipeline.simulate.probe_faults import with_probe_faults
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.stock import Pool, StockPath, Weather, run_stock
from pipeline.simulate.tickets import flows_of, hours_of
from pipeline.simulate.water import WaterPath, water_path


@dataclass(frozen=True)
class PoolTruth:
    """Everything that moved in a pool, and its stock at the nodes of time.

    `sold` and `unmetered` are in litres at 15 °C, negative where product left; `opened_s` are the starts and ends of
    the times in which a hose of the pool was open.
    """

    pool: Pool
    path: StockPath
    sold: Flow
    sold_of_tank: tuple[Flow, ...]
    unmetered: Flow
    dropped: Flow
    opened_s: tuple[Floats, Floats]

    def temp_c(self, at_s: Floats) -> Floats:
        """Mean temperature of the product. [°C]"""
        return np.interp(at_s, self.path.node_s, self.path.temp_c)

    def stock_15_l(self, at_s: Floats) -> Floats:
        """Litres at 15 °C: the opening stock and all that moved since."""
        moved = Flow.joined([self.sold, self.unmetered, self.dropped]).moved_by(at_s)
        slow = np.interp(at_s, self.path.node_s, self.path.slow_15_l)
        return self.path.opening_15_l + moved + slow

    def product_l(self, at_s: Floats) -> Floats:
        """Litres at the product's own temperature."""
        return self.stock_15_l(at_s) / self.pool.vcf(self.temp_c(at_s))


def pool_truth(pool: Pool, draws: list[Flow], faults: list[Fault], fleet: Fleet) -> PoolTruth:
    """Return what happens in the pool.

    `draws` are the litres at ambient temperature that its meters take from each of its tanks (negative), meter tests
    with their way back. `faults` are those of the pool; litres and times of some are filled in.
    """
    rng = stream(fleet.seed, Part.STOCK, pool.tanks[0].index)
    leaving = [draw.volume < 0.0 for draw in draws]
    opened = open_times(
        np.concatenate([draw.start_s[out] for draw, out in zip(draws, leaving, strict=True)]),
        np.concatenate([draw.end_s[out] for draw, out in zip(draws, leaving, strict=True)]),
    )
    lost = [_unmetered(fault, pool, fleet, opened) for fault in faults]
    unmetered = Flow.joined(lost)
    hour_s = np.arange(-rng.uniform(0.0, HOUR_S), fleet.window.seconds + 2.0 * HOUR_S, HOUR_S)
    quick = Flow.joined([*draws, unmetered])
    shares = [_meter_shares(draw, tank, fleet) for draw, tank in zip(draws, pool.tanks, strict=True)]
    weather = _weather(pool, fleet, hour_s, _around_c(pool, hour_s, rng), (draws, shares))
    path = run_stock(pool, hour_s, -hours_of(quick, hour_s), weather, faults, rng=rng)
    sold = tuple(_at_15(draw, pool, path, share, fleet) for draw, share in zip(draws, shares, strict=True))
    return PoolTruth(
        pool,
        path,
        Flow.joined(list(sold)),
        sold,
        _at_15(unmetered, pool, path, 0.0, fleet),
        flows_of(path.drops),
        opened,
    )


def _unmetered(fault: Fault, pool: Pool, fleet: Fleet, opened: tuple[Floats, Floats]) -> Flow:
    flow = unmetered_flow(fault, fleet.window, fleet.seed, pool.site.timezone, opened)
    if flow.volume.size:
        fault.litres = float(flow.volume.sum())
    return flow


def _around_c(pool: Pool, hour_s: Floats, rng: np.random.Generator) -> Floats:
    """Temperature of the soil around a buried pool, else of the air. [°C]"""
    middle_s = (hour_s[1:] + hour_s[:-1]) / 2.0
    if pool.tanks[0].buried:
        return heat.ground_c(pool.site, pool.window, middle_s)
    return heat.air_c(rng, pool.site, pool.window, middle_s)


def _meter_shares(flow: Flow, tank: Tank, fleet: Fleet) -> Floats:
    """How far from the tank's temperature to the air's the product of each draw was at the meter, 0..1."""
    pours = Pours(flow.start_s, flow.end_s - flow.start_s, flow.volume)
    kept = np.ones_like(flow.start_s)
    for place, law in enumerate(fleet.family.warmth_laws):
        kept = kept * (1.0 - law(pours, fleet.family.rng(fleet.seed, "warmth", place, tank.index)))
    return 1.0 - kept


def _weather(
    pool: Pool, fleet: Fleet, hour_s: Floats, around_c: Floats, drawn: tuple[list[Flow], list[Floats]]
) -> Weather:
    """What surrounds the pool hour by hour; `drawn` are its tanks' draws and their shares of the way to the air's."""
    outside_c = heat.site_air_c(fleet, pool.site, (hour_s[1:] + hour_s[:-1]) / 2.0)
    with_sales, breathing = np.ones_like(around_c), np.ones_like(around_c)
    for law in fleet.family.vapour_laws:
        sales_times, breathing_times = law(around_c, outside_c)
        with_sales, breathing = with_sales * sales_times, breathing * breathing_times
    warmed = Flow.joined([Flow(f.start_s, f.end_s, f.volume * share) for f, share in zip(*drawn, strict=True)])
    all_drawn = hours_of(Flow.joined(drawn[0]), hour_s)
    share = np.where(
        np.abs(all_drawn) > 1e-6, hours_of(warmed, hour_s) / np.where(all_drawn == 0.0, 1.0, all_drawn), 0.0
    )
    return Weather(around_c, outside_c, np.clip(share, 0.0, 1.0), with_sales, breathing)


def _at_15(flow: Flow, pool: Pool, path: StockPath, share: Floats | float, fleet: Fleet) -> Flow:
    """The same movements in litres at 15 °C, at the product's temperature half-way through each.

    What went through a meter was measured `share` of the way from the tank's temperature to the air's.
    """
    if flow.volume.size == 0:
        return flow
    middle_s = (flow.start_s + flow.end_s) / 2.0
    temp = np.interp(middle_s, path.node_s, path.temp_c)
    if np.any(share):
        temp = temp + share * (heat.site_air_c(fleet, pool.site, middle_s) - temp)
    return Flow(flow.start_s, flow.end_s, flow.volume * pool.vcf(temp))


def pool_readings(
    truth: PoolTruth,
    faults: list[Fault],
    fleet: Fleet,
    gaps: list[tuple[float, float]],
    gauge_shift: list[Fault],
) -> list[pl.DataFrame]:
    """Return the rows of `readings` of each of the pool's tanks.

    `faults` are the pool's own, `gauge_shift` those that set the site's gauge clock wrong.
    """
    pool, site = truth.pool, truth.pool.site
    at_s = historian.sample_times_s(site.historian, fleet.window)
    product = truth.product_l(at_s)
    waters = [
        water_path(tank, at_s, product / len(pool.tanks), _of_tank(faults, tank), fleet.window, seed=fleet.seed)
        for tank in pool.tanks
    ]
    level = pool.shape.level_at(product + sum((water.held_l for water in waters), np.zeros_like(at_s)))
    frames = []
    for place, tank in enumerate(pool.tanks):
        held = pool.shapes[place].volume_at(level) - _behind_l(truth, place, at_s)
        signals = _signals(truth, place, at_s, held, waters[place], fleet=fleet)
        signals = with_probe_faults(signals, tank, _of_tank(faults, tank), seed=fleet.seed)
        frames.append(
            historian.readings_frame(
                tank.tank_id,
                _on_paper(signals, site, tank),
                site.historian,
                fleet.window,
                gaps,
                shift_s=clock_shift_s(gauge_shift, at_s),
                rng=stream(fleet.seed, Part.HISTORIAN, site.index, tank.index),
            )
        )
    return frames


def _of_tank(faults: list[Fault], tank: Tank) -> list[Fault]:
    return [fault for fault in faults if fault.tank_index == tank.index]


def _behind_l(truth: PoolTruth, place: int, at_s: Floats) -> Floats:
    """Litres by which a joined tank is short of the common level, because its own pump draws first."""
    if len(truth.pool.tanks) == 1:
        return np.zeros_like(at_s)
    mine, other = truth.sold_of_tank[place].moved_by(at_s), truth.sold_of_tank[1 - place].moved_by(at_s)
    return sensors.siphon_lag_l(at_s, (other - mine) / 2.0)


def _signals(
    truth: PoolTruth, place: int, at_s: Floats, held: Floats, water: WaterPath, *, fleet: Fleet
) -> sensors.Signals:
    pool, tank, shape, seed = truth.pool, truth.pool.tanks[place], truth.pool.shapes[place], fleet.seed
    dropped = truth.dropped
    moves = sensors.Moves(*truth.opened_s, dropped.start_s, dropped.end_s)
    temp = truth.temp_c(at_s)
    changes = [
        (drop.end_s, float(np.diff(truth.temp_c(np.array([drop.start_s, drop.end_s])))[0])) for drop in truth.path.drops
    ]
    density = np.interp(at_s, truth.path.node_s, truth.path.density_15_kg_m3) + water.density_shift_kg_m3
    senses = Senses(truth, tank, at_s, density, shape.level_at(held), fleet)
    return sensors.Signals(
        at_s=at_s,
        level_mm=sensors.level_signal(tank, shape, at_s, held, moves, seed=seed, float_mm=senses.level_mm),
        water_mm=sensors.water_signal(tank, shape, water.layer_l, seed=seed),
        temp_c=sensors.temperature_signal(tank, at_s, senses.temp_c(temp), changes, seed=seed),
        density_kg_m3=sensors.density_signal(tank, density, pool.vcf(temp), seed=seed),
    )


@dataclass(frozen=True)
class Senses:
    """What the family's laws make of a tank's level and temperature on the way to its gauge."""

    truth: PoolTruth
    tank: Tank
    at_s: Floats
    density_15_kg_m3: Floats
    surface_mm: Floats
    fleet: Fleet

    def level_mm(self, level_mm: Floats) -> Floats:
        """Return the level as float and head have it. [mm]"""
        family = self.fleet.family
        for place, law in enumerate(family.level_laws):
            level_mm = law(level_mm, self._around, family.rng(self.fleet.seed, "level", place, self.tank.index))
        return level_mm

    def temp_c(self, temp_c: Floats) -> Floats:
        """Return the temperature as the elements have it. [°C]"""
        family = self.fleet.family
        for place, law in enumerate(family.thermometer_laws):
            temp_c = law(temp_c, self._around, family.rng(self.fleet.seed, "temp", place, self.tank.index))
        return temp_c

    @cached_property
    def _around(self) -> Around:
        return Around(
            self.at_s,
            heat.site_air_c(self.fleet, self.truth.pool.site, self.at_s),
            self.truth.temp_c(self.at_s),
            self.density_15_kg_m3,
            self.surface_mm,
            np.sort([drop.end_s for drop in self.truth.path.drops]),
        )


def _on_paper(signals: sensors.Signals, site: Site, tank: Tank) -> sensors.Signals:
    """What leaves the gauge: levels on its grid and within the tank, no water where the site's gauge knows none."""
    level = sensors.rounded(np.clip(signals.level_mm, 0.0, tank.shape.depth_mm), tank.gauge.resolution_mm)
    water = signals.water_mm if site.has_water else np.full_like(signals.water_mm, np.nan)
    return sensors.Signals(signals.at_s, level, water, signals.temp_c, signals.density_kg_m3)


def clock_shift_s(faults: list[Fault], at_s: Floats) -> Floats:
    """How far a clock is ahead because of faults. [s]"""
    shift = np.zeros_like(at_s)
    for fault in faults:
        end_s = np.inf if fault.end_s is None else fault.end_s
        shift = shift + np.where((at_s >= fault.start_s) & (at_s < end_s), fault.params["shift_s"], 0.0)
    return shift
