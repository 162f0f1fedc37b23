"""Water in the tank: a steady bottom, water that enters, and ethanol blends that split."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.model import DAY_S, HOUR_S, Fault, Floats, Tank, Window
from pipeline.simulate.seeds import Part, stream


@dataclass
class WaterPath:
    """Litres of water that the tank holds, litres below what the water float rests on, and the product's density.

    `held_l` adds to the tank's contents; `layer_l` may be more (ethanol has joined the water) or less (it has been
    taken up). `density_shift_kg_m3` is what a split does to the product above.
    """

    held_l: Floats
    layer_l: Floats
    density_shift_kg_m3: Floats


def water_path(
    tank: Tank, at_s: Floats, product_l: Floats, faults: list[Fault], window: Window, *, seed: int
) -> WaterPath:
    """Return the tank's water at each instant; fills in the litres of a fault that lets water in."""
    held = np.full_like(at_s, tank.true.water_l)
    path = WaterPath(held, held.copy(), np.zeros_like(at_s))
    for fault in faults:
        if fault.cause == "water_ingress":
            gained = ingress_l(fault, at_s, window, seed)
            end_s = window.seconds if fault.end_s is None else fault.end_s
            left = gained * np.where(at_s >= end_s, 1.0 - fault.params["removed_share"], 1.0)
            path = WaterPath(path.held_l + left, path.layer_l + left, path.density_shift_kg_m3)
            fault.litres = float(ingress_l(fault, np.array([end_s]), window, seed)[0])
        elif fault.cause == "phase_separation":
            path = _split(path, fault, tank, at_s, product_l)
    return path


def ingress_l(fault: Fault, at_s: Floats, window: Window, seed: int) -> Floats:
    """Litres of water that have entered by each instant: steadily, or with each rain."""
    end_s = window.seconds if fault.end_s is None else fault.end_s
    if fault.params["steady"] > 0.0:
        return fault.params["rate_l_per_h"] * np.clip(at_s - fault.start_s, 0.0, end_s - fault.start_s) / HOUR_S
    rng = stream(seed, Part.FAULT_DETAIL, fault.index, 3)
    rains = max(1, round((end_s - fault.start_s) / DAY_S / 5.0))
    starts = fault.start_s + np.append(0.0, rng.uniform(0.0, 0.8, rains - 1)) * (end_s - fault.start_s)
    lasts = rng.uniform(2.0, 12.0, rains) * HOUR_S
    litres = fault.params["burst_l"] * rng.lognormal(0.0, 0.4, rains)
    shares = np.clip((at_s[None, :] - starts[:, None]) / lasts[:, None], 0.0, 1.0)
    return np.asarray(litres @ shares)


def _split(path: WaterPath, fault: Fault, tank: Tank, at_s: Floats, product_l: Floats) -> WaterPath:
    """An ethanol blend over water: it splits, it is about to, or it has taken the water up.

    On splitting most of the ethanol joins the water, so the float rises by far more than the water that came in, and
    what is left above is lighter. [C]
    """
    kind = int(fault.params["kind"])
    since = at_s - fault.start_s
    end_s = np.inf if fault.end_s is None else fault.end_s
    present = (at_s < end_s).astype(np.float64)
    grown = fault.params["water_l"] * np.clip(since / fault.params["grows_s"], 0.0, 1.0)
    if kind == 2:
        early = fault.params["water_l"] * np.clip((since + 4.0 * DAY_S) / (3.0 * DAY_S), 0.0, 1.0)
        gone = np.clip(since / fault.params["splits_s"], 0.0, 1.0)
        layer = path.layer_l + early * (1.0 - gone)
        return WaterPath(path.held_l + early, layer, path.density_shift_kg_m3 + 0.6 * gone)
    grown = grown * present
    if kind == 1:
        return WaterPath(path.held_l + grown, path.layer_l + grown, path.density_shift_kg_m3)
    share = {"gasoline_e5": 0.05, "gasoline_e10": 0.10}[tank.product] * fault.params["drawn_share"]
    done = np.clip((since - fault.params["grows_s"]) / fault.params["splits_s"], 0.0, 1.0) * present
    at_split = float(np.interp(fault.start_s + fault.params["grows_s"], at_s, product_l))
    layer = path.layer_l + grown + done * share * at_split
    return WaterPath(path.held_l + grown, layer, path.density_shift_kg_m3 - 60.0 * share * done)
