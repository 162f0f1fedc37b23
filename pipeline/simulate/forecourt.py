"""Draws a site's dispensers: hoses, their meters, and which tanks feed them."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.model import Meter, Site, Tank
from pipeline.simulate.places import SITE_KINDS, family
from pipeline.simulate.seeds import Part, stream

_NOT_FOR_CARS = ("heating_oil", "kerosene")


def draw_meters(site: Site, tanks: list[Tank], first: int, seed: int) -> list[Meter]:
    """Return the meters of `site`, numbered from `first`: on each side of a dispenser one hose a product.

    Two tanks of one product that no siphon joins feed a dispenser in turn; joined tanks share every hose.
    A quarter of the sites with two gasolines have hoses that blend them.
    """
    rng = stream(seed, Part.METERS, site.index)
    low, high = SITE_KINDS[site.kind].dispensers
    dispensers = int(rng.integers(low, high + 1))
    sources = _sources(tanks)
    blend = _blend(rng, site, tanks)
    meters: list[Meter] = []
    for place in range(dispensers):
        for side in (0, 1):
            hoses = [(product, feeds[place % len(feeds)]) for product, feeds in sources.items()]
            hoses = [hose for hose in hoses if _is_here(hose[0], place, side)]
            if blend is not None and place < max(1, dispensers // 2):
                hoses.append(("blend", blend))
            for letter, (product, feeds) in zip("ABCDEF", hoses, strict=False):
                name = (f"D{place + 1}", f"{side + 1}{letter}", place * 2 + side)
                meters.append(_draw_meter(site, first + len(meters), product, feeds, name, rng=rng))
    return meters


def _is_here(product: str, place: int, side: int) -> bool:
    """Heating oil and kerosene have one hose, on the first dispenser."""
    return product not in _NOT_FOR_CARS or (place == 0 and side == 0)


def _sources(tanks: list[Tank]) -> dict[str, list[tuple[tuple[int, float], ...]]]:
    """For each product the groups of tanks that a dispenser may stand on."""
    found: dict[str, list[tuple[tuple[int, float], ...]]] = {}
    pools: dict[str, list[Tank]] = {}
    for tank in tanks:
        pools.setdefault(tank.manifold_id or tank.tank_id, []).append(tank)
    for pool in pools.values():
        # Pumps stand in one tank of a pool; a siphon levels the others, and the books go by the pump.
        groups = [((tank.index, 1.0),) for tank in pool]
        found.setdefault(pool[0].product, []).extend(groups)
    return found


def _blend(rng: np.random.Generator, site: Site, tanks: list[Tank]) -> tuple[tuple[int, float], ...] | None:
    gasolines: dict[str, Tank] = {}
    for tank in tanks:
        if family(tank.product) == "gasoline" and tank.product != "gasoline_e85":
            gasolines.setdefault(tank.product, tank)
    drawn = rng.random(2)
    has_blends = site.blends if site.blends is not None else drawn[0] < 0.3
    if len(gasolines) < 2 or not has_blends:
        return None
    one, other = list(gasolines.values())[:2]
    share = (0.5, 0.35, 0.6)[int(drawn[1] * 3)]
    return ((one.index, share), (other.index, round(1.0 - share, 3)))


def _draw_meter(
    site: Site,
    index: int,
    product: str,
    feeds: tuple[tuple[int, float], ...],
    name: tuple[str, str, int],
    *,
    rng: np.random.Generator,
) -> Meter:
    dispenser, hose, side = name
    truck = family(product) == "distillate" and bool(rng.random() < SITE_KINDS[site.kind].truck_share)
    shares = np.array([share for _, share in feeds])
    if shares.size > 1:
        shift = float(rng.normal(0.0, 0.002))
        shares = shares + np.array([shift, -shift])
    # Service tolerance 0.5 %: SD 0.17 % in service, few beyond 0.45 %. [C]
    error = float(np.clip(rng.normal(0.0002, 0.0017), -0.0045, 0.0045))
    return Meter(
        index=index,
        site_index=site.index,
        meter_id=f"M{index + 1:05d}",
        dispenser=dispenser,
        hose=hose,
        side=side,
        product=product,
        feeds=feeds,
        true_shares=tuple(float(s) for s in shares),
        weight=float(rng.lognormal(0.0, 0.45)) * (0.35 if product == "blend" else 1.0),
        flow_l_per_min=float(rng.uniform(80.0, 120.0) if truck else rng.uniform(30.0, 40.0)),
        is_truck=truck,
        error=error,
        repeatability=float(rng.uniform(0.0005, 0.001)),
        # Wear gives away: 0 to 0.06 % in 100 m³. [C]
        wear_per_m3=-float(rng.uniform(0.0, 6e-6)),
        total_start_l=float(round(rng.uniform(0.0, 1.0) ** 2 * 990_000.0, 2)),
        rollover_l=float(rng.choice([1e6, 1e7], p=[0.6, 0.4])),
    )
