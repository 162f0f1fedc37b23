"""What an invented fleet is made of: sites, tanks, meters and the truth about each."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.physics.geometry import TankShape
from pipeline.simulate.families.record import PLAIN, Family
from pipeline.simulate.laws.climate import Climate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAY_S = 86_400.0
HOUR_S = 3_600.0


@dataclass(frozen=True)
class Window:
    """The days that are simulated; instants are seconds since its start."""

    start: date
    days: int

    @property
    def seconds(self) -> float:
        """Length of the window. [s]"""
        return self.days * DAY_S

    @property
    def start_us(self) -> int:
        """Start of the window since 1970. [µs]"""
        opened = datetime(self.start.year, self.start.month, self.start.day, tzinfo=UTC)
        return int(opened.timestamp()) * 1_000_000

    @property
    def day_of_year(self) -> int:
        """Day of the year on which the window starts, 1..366."""
        return self.start.timetuple().tm_yday


@dataclass(frozen=True)
class Historian:
    """How a site's readings are kept: their interval, and what is lost on the way."""

    interval_s: float
    phase_s: float
    mode: str
    deadband_mm: float
    heartbeat_s: float
    missing_share: float
    outages_per_month: float
    repeats: bool
    late: bool
    bad_share: float


@dataclass(frozen=True)
class Site:
    """A site as its owner knows it, with its demand, its clocks and its historian."""

    index: int
    site_id: str
    name: str
    kind: str
    timezone: str
    trading_day_start: str
    currency: str
    latitude: float
    longitude: float
    opens_h: float
    closes_h: float
    daily_l: float
    historian: Historian
    till_offset_s: float
    till_drift_s_per_day: float
    totals_running: bool
    totals_every_s: float
    has_water: bool
    prices: dict[str, float]
    blends: bool | None
    hauliers: tuple[int, ...]
    climate: Climate = field(default_factory=Climate)

    @property
    def is_open_always(self) -> bool:
        """True for a site that never closes."""
        return self.closes_h - self.opens_h >= 24.0


@dataclass(frozen=True)
class Gauge:
    """What stands between a tank's true state and its readings."""

    noise_class: str
    white_mm: float
    tail_dof: float | None
    coloured_mm: float
    coloured_tau_s: float
    ripple_mm: float
    ripple_tau_s: float
    drop_wave_mm: float
    drop_wave_tau_s: float
    shell_share: float
    shell_tau_s: float
    wander_l: float
    resolution_mm: float
    offset_mm: float
    temp_offset_c: float
    temp_rate_c_per_h: float
    temp_noise_c: float
    temp_resolution_c: float
    water_noise_mm: float
    water_resolution_mm: float
    has_density: bool
    density_offset_kg_m3: float
    density_noise_kg_m3: float


@dataclass(frozen=True)
class TrueTank:
    """The tank as it is: what no table of the lake tells."""

    tilt_mm_per_m: float
    probe_position_mm: float
    scale: float
    slope_sd: float
    slope_length_mm: float
    expansion_factor: float
    thermal_tau_h: float
    vapour_share: float
    breathing_l_per_h: float
    water_l: float
    density_15_kg_m3: float
    temp_start_c: float
    fill_start: float


@dataclass(frozen=True)
class Tank:
    """A tank as its owner knows it, with the truth beside."""

    index: int
    site_index: int
    tank_id: str
    product: str
    shape: TankShape
    capacity_l: float
    safe_fill_l: float
    tilt_mm_per_m: float | None
    probe_position_mm: float | None
    chart_step_mm: float
    buried: bool
    wall_count: int
    manifold_id: str | None
    commissioned_on: date | None
    daily_l: float
    true: TrueTank
    gauge: Gauge
    chart_round_l: float | None = None
    chart_rows: float | None = None


@dataclass(frozen=True)
class Meter:
    """A hose's meter: what feeds it, and how far it is off (recorded / true - 1)."""

    index: int
    site_index: int
    meter_id: str
    dispenser: str
    hose: str
    side: int
    product: str
    feeds: tuple[tuple[int, float], ...]
    true_shares: tuple[float, ...]
    weight: float
    flow_l_per_min: float
    is_truck: bool
    error: float
    repeatability: float
    wear_per_m3: float
    total_start_l: float
    rollover_l: float


@dataclass(frozen=True)
class Haulier:
    """Who brings fuel: a lasting bias of the tickets, and habits in filling them in."""

    name: str
    bias: float
    gives_temperature: bool
    gives_density: bool
    ticket_style: str
    vehicles: tuple[str, ...]
    terminal: str


@dataclass(frozen=True)
class Fleet:
    """Everything that stands still: sites, tanks, meters and hauliers."""

    window: Window
    seed: int
    sites: tuple[Site, ...]
    tanks: tuple[Tank, ...]
    meters: tuple[Meter, ...]
    hauliers: tuple[Haulier, ...]
    family: Family = PLAIN

    def tanks_of(self, site_index: int) -> list[Tank]:
        """Tanks of one site, in order."""
        return [tank for tank in self.tanks if tank.site_index == site_index]

    def meters_of(self, site_index: int) -> list[Meter]:
        """Meters of one site, in order."""
        return [meter for meter in self.meters if meter.site_index == site_index]


@dataclass
class Flow:
    """Litres at 15 °C that move at a steady rate from `start_s` to `end_s`; negative leave the tank.

    Arrays of equal length, one element a movement.
    """

    start_s: Floats
    end_s: Floats
    volume: Floats

    @classmethod
    def none(cls) -> Flow:
        """No movement at all."""
        return cls(np.empty(0), np.empty(0), np.empty(0))

    @classmethod
    def joined(cls, flows: list[Flow]) -> Flow:
        """All movements of several flows."""
        if not flows:
            return cls.none()
        return cls(
            np.concatenate([flow.start_s for flow in flows]),
            np.concatenate([flow.end_s for flow in flows]),
            np.concatenate([flow.volume for flow in flows]),
        )

    def moved_by(self, at_s: Floats) -> Floats:
        """Litres moved up to each instant, movements under way included in proportion."""
        if self.start_s.size == 0:
            return np.zeros_like(at_s)
        rate = self.volume / np.maximum(self.end_s - self.start_s, 1e-9)
        knots = np.concatenate([self.start_s, self.end_s])
        bends = np.concatenate([rate, -rate])
        order = np.argsort(knots, kind="stable")
        knots, slopes = knots[order], np.cumsum(bends[order])
        values = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(knots))])
        return np.asarray(np.interp(at_s, knots, values))


@dataclass
class Fault:
    """One injected fault; what it does is in `params`, what came of it is filled in by the simulation."""

    index: int
    cause: str
    site_index: int
    tank_index: int | None
    start_s: float
    end_s: float | None
    params: dict[str, float] = field(default_factory=dict)
    meter_index: int | None = None
    delivery_id: str | None = None
    litres: float | None = None
    rate_l_per_h: float | None = None
    happened: bool = True
