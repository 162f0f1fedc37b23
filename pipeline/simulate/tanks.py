"""Draws a site's tanks: nominal shape, what the books say of them, and how they really are."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from pipeline.physics.expansion import product_density_15_kg_m3
from pipeline.physics.geometry import TankShape, capacity_l
from pipeline.simulate.model import Gauge, Site, Tank, TrueTank, Window
from pipeline.simulate.places import ETHANOL_BLENDS, PRODUCT_WEIGHTS, family
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.settings import FleetSettings

_SIZES_L = np.array([10_000.0, 15_000.0, 20_000.0, 25_000.0, 30_000.0, 40_000.0, 50_000.0])
# A tank of the largest size that gives more a day cannot be kept from running dry by one lorry at a time.
_MOST_A_DAY_L = 13_000.0
_END_SHAPES = ("torispherical", "flat", "elliptical_2_1", "spherical_cap", "hemispherical")
_END_WEIGHTS = (0.38, 0.27, 0.2, 0.1, 0.05)


def _taste(kind: str, product: str) -> float:
    """How much more than elsewhere a kind of site sells of a product: lorries burn diesel. [C]"""
    if kind == "truck_stop":
        return 0.15 if family(product) == "gasoline" else 1.0
    return 1.3 if kind == "motorway" and family(product) == "distillate" else 1.0


def draw_tanks(
    site: Site, menu: tuple[str, ...], first: int, window: Window, settings: FleetSettings, *, seed: int
) -> list[Tank]:
    """Return the tanks of `site`, numbered from `first`; a product written `+x` is joined to the tank before it."""
    products = [entry.lstrip("+") for entry in menu]
    weights = np.array([PRODUCT_WEIGHTS[product] * _taste(site.kind, product) for product in products])
    shares = np.array([w / products.count(p) for w, p in zip(weights, products, strict=True)])
    daily = np.minimum(site.daily_l * shares / shares.sum(), _MOST_A_DAY_L)
    tanks: list[Tank] = []
    for place, entry in enumerate(menu):
        rng = stream(seed, Part.TANKS, site.index, place)
        tank = _draw_tank(site, products[place], first + place, daily[place], window, settings=settings, rng=rng)
        if entry.startswith("+"):
            tank = _joined(tanks, tank, site)
        tanks.append(tank)
    return tanks


def _joined(tanks: list[Tank], tank: Tank, site: Site) -> Tank:
    """Join `tank` to the last of `tanks` by a siphon: same pool, same product, same height of shell."""
    partner = tanks.pop()
    manifold_id = f"{site.site_id}-M{len(tanks) + 1}"
    tanks.append(replace(partner, manifold_id=manifold_id))
    truth = replace(
        partner.true,
        tilt_mm_per_m=tank.true.tilt_mm_per_m,
        probe_position_mm=tank.true.probe_position_mm,
        scale=tank.true.scale,
    )
    return replace(
        tank, manifold_id=manifold_id, shape=partner.shape, capacity_l=partner.capacity_l,
        safe_fill_l=partner.safe_fill_l, buried=partner.buried, true=truth, daily_l=partner.daily_l,
    )  # fmt: skip


def _draw_tank(
    site: Site,
    product: str,
    index: int,
    daily_l: float,
    window: Window,
    *,
    settings: FleetSettings,
    rng: np.random.Generator,
) -> Tank:
    upright = family(product) == "distillate" and site.kind == "rural" and bool(rng.random() < 0.35)
    shape = _draw_shape(rng, daily_l, upright)
    capacity = float(round(capacity_l(shape)))
    tilt, probe = _believed_pose(rng, shape)
    wall_count = 2 if rng.random() < 0.6 else 1
    age = timedelta(days=int(rng.integers(400, 12_000)))
    return Tank(
        index=index,
        site_index=site.index,
        tank_id=f"T{index + 1:04d}",
        product=product,
        shape=shape,
        capacity_l=capacity,
        safe_fill_l=float(round(capacity * (0.97 if rng.random() < 0.7 else 0.95))),
        tilt_mm_per_m=tilt,
        probe_position_mm=probe,
        chart_step_mm=float(rng.choice([10.0, 5.0, 20.0, 50.0, 100.0], p=[0.55, 0.15, 0.15, 0.1, 0.05])),
        buried=not upright,
        wall_count=wall_count,
        manifold_id=None,
        commissioned_on=None if rng.random() < 0.15 else window.start - age,
        daily_l=float(daily_l),
        true=_draw_truth(product, tilt, probe, shape, not upright, rng=rng),
        gauge=_draw_gauge(rng, settings),
    )


def _draw_shape(rng: np.random.Generator, daily_l: float, upright: bool) -> TankShape:
    """A shape of a usual size that holds four to nine days of sales, where one so large is made."""
    wanted = daily_l * rng.uniform(4.0, 9.0) / 0.75
    size = float(_SIZES_L[min(int(np.searchsorted(_SIZES_L, wanted)), _SIZES_L.size - 1)])
    if upright:
        diameter = float(rng.choice([2_200.0, 2_500.0, 2_800.0]))
        per_mm = np.pi * (diameter / 2.0) ** 2 / 1e6
        return TankShape("vertical_cylinder", "flat", diameter, float(round(min(size, 25_000.0) / per_mm, -1)))
    diameters = [1_600.0, 1_900.0] if size <= 10_000 else [2_000.0, 2_500.0] if size <= 25_000 else [2_500.0, 2_900.0]
    diameter = float(rng.choice(diameters))
    end_shape = str(rng.choice(_END_SHAPES, p=_END_WEIGHTS))
    end_depth = float(round(rng.uniform(0.1, 0.2) * diameter, -1)) if end_shape == "spherical_cap" else None
    short = TankShape("horizontal_cylinder", end_shape, diameter, 1_000.0, end_depth)
    per_mm = np.pi * (diameter / 2.0) ** 2 / 1e6
    length = 1_000.0 + (size - capacity_l(short)) / per_mm
    return replace(short, length_mm=float(max(round(length, -1), 1_000.0)))


def _believed_pose(rng: np.random.Generator, shape: TankShape) -> tuple[float | None, float | None]:
    """Tilt and probe position as the owner's papers have them; half of the papers are silent."""
    reach = 0.4 * shape.length_mm if shape.shape == "horizontal_cylinder" else 0.35 * shape.diameter_mm
    fall = float(round(rng.uniform(0.0, 8.0), 1)) if shape.shape == "horizontal_cylinder" else 0.0
    position = float(round(rng.uniform(-reach, reach), -1))
    known = rng.random() < 0.5
    return (fall, position) if known else (None, None)


def _draw_truth(
    product: str,
    tilt: float | None,
    probe: float | None,
    shape: TankShape,
    buried: bool,
    *,
    rng: np.random.Generator,
) -> TrueTank:
    """Truth about a healthy tank: within what a sound chart and a sound installation leave."""
    reach = 0.35 * (shape.length_mm if shape.shape == "horizontal_cylinder" else shape.diameter_mm)
    position = probe + float(rng.normal(0.0, 30.0)) if probe is not None else float(rng.uniform(-reach, reach))
    # What the chart leaves out stays within 3 mm at the probe.
    most = 3.0 / max(abs(position) / 1_000.0, 0.3)
    gasoline = family(product) == "gasoline"
    water_l = 0.0 if product in ETHANOL_BLENDS or rng.random() < 0.5 else float(rng.uniform(4.0, 40.0))
    base = float(product_density_15_kg_m3(product))
    return TrueTank(
        tilt_mm_per_m=(tilt or 0.0) + float(np.clip(rng.normal(0.0, 0.8), -most, most)),
        probe_position_mm=position,
        scale=float(rng.normal(0.0, 0.003)),
        slope_sd=float(np.clip(rng.normal(0.003, 0.001), 0.001, 0.006)),
        slope_length_mm=float(rng.uniform(200.0, 400.0)),
        expansion_factor=1.0 + float(rng.normal(0.0, 0.02)),
        thermal_tau_h=float(np.clip(rng.lognormal(np.log(84.0), 0.3), 48.0, 190.0)) / (1.0 if buried else 2.5),
        vapour_share=float(rng.uniform(1e-4, 5e-4)) if gasoline else 0.0,
        breathing_l_per_h=float(rng.uniform(0.01, 0.06)) if gasoline else 0.0,
        water_l=water_l,
        density_15_kg_m3=base + float(rng.normal(0.0, 4.0 if gasoline else 2.5)),
        temp_start_c=float(rng.normal(0.0, 1.5)),
        fill_start=float(rng.uniform(0.35, 0.85)),
    )


# Probe repeatability and coloured noise, good to poor, after a noise budget of common practice. [C]
_NOISE = {
    "good": ((0.03, 0.08), (0.01, 0.03), (480.0, 720.0)),
    "typical": ((0.10, 0.20), (0.03, 0.07), (480.0, 780.0)),
    "poor": ((0.22, 0.32), (0.10, 0.16), (720.0, 960.0)),
}


def _draw_gauge(rng: np.random.Generator, settings: FleetSettings) -> Gauge:
    drawn = str(rng.choice(list(_NOISE), p=[0.3, 0.5, 0.2]))
    noise_class = settings.noise_class or drawn
    white, coloured, tau = (float(rng.uniform(*limits)) for limits in _NOISE[noise_class])
    fine = {"good": [0.4, 0.6, 0.0], "typical": [0.1, 0.85, 0.05], "poor": [0.0, 0.75, 0.25]}[noise_class]
    temp_fine = rng.random() < 0.6
    return Gauge(
        noise_class=noise_class,
        white_mm=white,
        tail_dof=settings.tail_dof,
        coloured_mm=coloured,
        coloured_tau_s=tau,
        ripple_mm=float(rng.uniform(0.3, 0.5)),
        ripple_tau_s=float(rng.uniform(120.0, 240.0)),
        drop_wave_mm=float(rng.uniform(1.0, 5.0)),
        drop_wave_tau_s=float(rng.uniform(300.0, 600.0)),
        shell_share=float(10.0 ** rng.uniform(-4.0, -3.0)),
        shell_tau_s=float(rng.uniform(1.0, 5.0)) * 3_600.0,
        wander_l=float(rng.uniform(0.05, 0.15)),
        resolution_mm=float(rng.choice([0.01, 0.1, 1.0], p=fine)),
        offset_mm=float(np.clip(rng.normal(0.0, 0.8), -2.0, 2.0)),
        temp_offset_c=float(rng.normal(0.0, 0.18)),
        temp_rate_c_per_h=float(np.clip(rng.lognormal(np.log(0.005), 0.35), 0.003, 0.01)),
        temp_noise_c=float(rng.uniform(0.003, 0.02)),
        temp_resolution_c=0.01 if temp_fine else 0.1,
        water_noise_mm=float(rng.uniform(0.05, 0.3)),
        water_resolution_mm=float(rng.choice([0.1, 1.0], p=[0.7, 0.3])),
        has_density=bool(rng.random() < settings.density_share),
        density_offset_kg_m3=float(rng.normal(0.0, 0.4)),
        density_noise_kg_m3=float(rng.uniform(0.05, 0.25)),
    )
