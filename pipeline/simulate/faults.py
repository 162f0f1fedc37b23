"""Decides which faults a fleet has, where, from when and how bad; severities run from hard to find to gross."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from pipeline.contract.vocabulary import CAUSES
from pipeline.simulate.metering import adjustment_s
from pipeline.simulate.model import DAY_S, HOUR_S, Fault, Fleet, Tank
from pipeline.simulate.places import ETHANOL_BLENDS, family
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.settings import FleetSettings

_WITH_METER = ("meter_drift", "missing_sales", "wrong_feed")
_WITH_DROP = ("short_delivery", "over_delivery", "missing_ticket", "wrong_product")


def plan_faults(fleet: Fleet, causes: Sequence[str] | None, settings: FleetSettings) -> list[Fault]:
    """Return the fleet's faults, causes taken in turn so that each is about as frequent as the others.

    A tank, or a pool of joined ones, has one fault at most, but for a small share that has two. A cause that no tank
    can have is left out.

    Raises
    ------
    ValueError : if a cause is not one of the contract's.
    """
    wanted = list(CAUSES if causes is None else causes)
    unknown = sorted(set(wanted) - set(CAUSES))
    if unknown:
        raise ValueError(f"unknown causes: {', '.join(unknown)}")
    if not wanted or settings.fault_rate <= 0.0:
        return []
    rng = stream(fleet.seed, Part.FAULTS)
    count = max(1, round(settings.fault_rate * len(fleet.tanks)))
    seconds = int(rng.binomial(count, settings.second_fault_share))
    turn = [cause for _ in range(count // len(wanted) + 1) for cause in rng.permutation(wanted)]
    faults: list[Fault] = []
    taken: set[str] = set()
    for cause in turn[:count]:
        _add_fault(faults, str(cause), fleet, taken, rng)
    for cause in rng.choice(wanted, size=seconds):
        _add_fault(faults, str(cause), fleet, {pool for pool in sorted(taken) if rng.random() < 0.5}, rng)
    return faults


def pool_of(tank: Tank) -> str:
    """Name of the body of product that the tank is part of."""
    return tank.manifold_id or tank.tank_id


def _add_fault(faults: list[Fault], cause: str, fleet: Fleet, taken: set[str], rng: np.random.Generator) -> None:
    """Add a fault of that cause to a tank that can have it and has none."""
    tanks = [tank for tank in fleet.tanks if pool_of(tank) not in taken and _can_have(cause, tank, fleet)]
    if cause == "clock_skew":
        busy = {fault.site_index for fault in faults if fault.cause == "clock_skew"}
        tanks = [tank for tank in tanks if tank.site_index not in busy]
    if not tanks:
        return
    tank = tanks[int(rng.integers(len(tanks)))]
    fault = make_fault(len(faults), cause, tank, fleet)
    faults.append(fault)
    taken.add(pool_of(tank))
    if cause == "wrong_feed":
        taken |= {pool_of(fleet.tanks[int(fault.params[name])]) for name in ("booked", "true")}


def _can_have(cause: str, tank: Tank, fleet: Fleet) -> bool:
    site = fleet.sites[tank.site_index]
    if cause in _WITH_METER and not _own_meters(tank, fleet):
        return False
    if cause == "wrong_feed":
        return bool(_neighbours(tank, fleet))
    if cause == "water_ingress":
        return tank.product not in ETHANOL_BLENDS and site.has_water
    if cause == "phase_separation":
        return tank.product in ("gasoline_e5", "gasoline_e10") and site.has_water
    return True


def _own_meters(tank: Tank, fleet: Fleet) -> list[int]:
    """Meters that draw on this tank alone."""
    return [meter.index for meter in fleet.meters_of(tank.site_index) if meter.feeds == ((tank.index, 1.0),)]


def _neighbours(tank: Tank, fleet: Fleet) -> list[Tank]:
    """Other pools' tanks at the site that could stand on the same pipework."""
    return [
        other
        for other in fleet.tanks_of(tank.site_index)
        if pool_of(other) != pool_of(tank) and family(other.product) == family(tank.product)
    ]


def make_fault(index: int, cause: str, tank: Tank, fleet: Fleet) -> Fault:
    """Return a fault of that cause at that tank, its start, length and severity drawn."""
    rng = stream(fleet.seed, Part.FAULT_DETAIL, index)
    start_s, end_s = _span(rng, cause, fleet)
    fault = Fault(index, cause, tank.site_index, tank.index, start_s, end_s, happened=cause not in _WITH_DROP)
    if cause in _WITH_METER:
        own = _own_meters(tank, fleet)
        weights = np.array([fleet.meters[meter].weight for meter in own])
        fault.meter_index = own[int(rng.choice(len(own), p=weights / weights.sum()))]
    _SEVERITIES[cause](rng, fault, tank, fleet)
    return fault


def _span(rng: np.random.Generator, cause: str, fleet: Fleet) -> tuple[float, float | None]:
    """From when and until when: most faults outlast the data, others are mended after ten days to six weeks."""
    days = fleet.window.days
    start_s = rng.uniform(min(10.0, 0.15 * days), max(0.75 * days, 0.16 * days)) * DAY_S
    if cause in _WITH_DROP:
        start_s *= 0.9
    end_s = start_s + rng.uniform(10.0, 42.0) * DAY_S
    lasts = rng.random() < 0.6 or end_s > fleet.window.seconds - DAY_S
    return float(np.round(start_s)), None if lasts else float(np.round(end_s))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """A size drawn evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _night_s(rng: np.random.Generator, fleet: Fleet, tank: Tank, near_s: float) -> float:
    """An instant in the night, by the sun, of the day that `near_s` falls into."""
    longitude = fleet.sites[tank.site_index].longitude
    hour = rng.uniform(-2.0, 4.0) if rng.random() < 0.75 else rng.uniform(0.0, 24.0)
    midnight_s = np.floor(near_s / DAY_S) * DAY_S - longitude / 15.0 * HOUR_S
    return float(np.round(np.clip(midnight_s + hour * HOUR_S, 0.0, fleet.window.seconds - 0.5 * DAY_S)))


def _tank_leak(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    depth = tank.shape.depth_mm
    hole = 0.0 if rng.random() < 0.6 else rng.uniform(0.0, 0.35) * depth
    fault.params = {"rate_l_per_h": _between(rng, 0.15, 4.0), "hole_mm": hole, "head_mm": 0.5 * depth - hole}


def _line_leak(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    fault.params = {"rate_l_per_h": _between(rng, 2.0, 40.0)}


def _bulk_theft(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    litres = min(_between(rng, 80.0, 3_000.0), 0.1 * tank.capacity_l)
    fault.start_s = _night_s(rng, fleet, tank, fault.start_s)
    fault.end_s = fault.start_s + float(np.round(litres / _between(rng, 25.0, 400.0) * 60.0))
    fault.params = {"litres": litres}


def _slow_theft(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    """Most nights, on chosen weekdays, or once the site has closed; hours are the site's own."""
    site = fleet.sites[tank.site_index]
    pattern = int(rng.integers(3))
    hour = rng.uniform(-2.0, 4.0) if rng.random() < 0.7 else rng.uniform(0.0, 24.0)
    if pattern == 2 and not site.is_open_always:
        hour = site.closes_h + rng.uniform(0.2, 1.0)
    fault.params = {"litres": _between(rng, 5.0, 60.0), "pattern": float(pattern), "hour": hour}


def _meter_drift(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    """The meter ends at 0.5 to 3 % off; an inspector who adjusts it on the way ends the drift, or comes before it."""
    assert fault.meter_index is not None
    meter = fleet.meters[fault.meter_index]
    sign = -1.0 if rng.random() < 0.65 else 1.0
    target = sign * _between(rng, 0.005, 0.03)
    fault.params = {"error": target - meter.error, "ramp": float(rng.random() < 0.5)}
    adjusted_s = adjustment_s(meter, fleet)
    if adjusted_s is None or not fault.start_s < adjusted_s < (fault.end_s or np.inf):
        return
    if adjusted_s - fault.start_s > 8.0 * DAY_S:
        fault.end_s = float(np.round(adjusted_s))
    else:
        fault.start_s = float(np.round(adjusted_s + HOUR_S))
        fault.end_s = None


def _missing_sales(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    site = fleet.sites[tank.site_index]
    starts = (rng.uniform(6.0, 18.0) - site.longitude / 15.0) % 24.0
    fault.params = {
        "share": _between(rng, 0.08, 0.7),
        "shift_starts_h": starts,
        "shift_lasts_h": float(rng.choice([8.0, 12.0, 24.0])),
    }


def _chart_error(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    kinds = ("tilt", "offset", "scale", "dent")
    kind = int(rng.choice(4, p=[0.25, 0.3, 0.25, 0.2]))
    sign = float(rng.choice([-1.0, 1.0]))
    if kind == 0 and (abs(tank.true.probe_position_mm) < 800.0 or tank.shape.shape == "vertical_cylinder"):
        # A probe near the middle hardly sees a tilt.
        kind = 1
    fault.params = {
        "kind": float(kind),
        "size": sign * {
            "tilt": _between(rng, 9.0, 40.0),
            "offset": _between(rng, 5.0, 50.0),
            "scale": _between(rng, 0.01, 0.03),
            "dent": _between(rng, 0.02, 0.06),
        }[kinds[kind]],
        "centre": rng.uniform(0.3, 0.7) * tank.shape.depth_mm,
        "width": rng.uniform(150.0, 300.0),
    }  # fmt: skip
    replaced = kinds[kind] in ("scale", "dent") and rng.random() < 0.35
    fault.start_s = fault.start_s if replaced else 0.0
    fault.end_s = None
    fault.params["replaced"] = float(replaced)


def _wrong_feed(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    """Either the books change and the pipes do not, or the pipes change and the books do not."""
    others = _neighbours(tank, fleet)
    other = others[int(rng.integers(len(others)))]
    books_change = rng.random() < 0.5
    if rng.random() < 0.25:
        fault.start_s = 0.0
    fault.params = {
        "booked": float(other.index if books_change else tank.index),
        "true": float(tank.index if books_change else other.index),
    }
    fault.tank_index = int(fault.params["booked"])


def _off_ticket(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    fault.params = {"share": _between(rng, 0.01, 0.08)}


def _no_details(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    fault.params = {}


def _wrong_product(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    shift = rng.uniform(18.0, 95.0) if family(tank.product) == "gasoline" else -rng.uniform(18.0, 95.0)
    shows = 1.0 if not tank.gauge.has_density or rng.random() < 0.6 else 0.0
    fault.params = {"density_shift_kg_m3": shift, "ticket_shows": shows}


def _water_ingress(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    fault.params = {
        "steady": float(rng.random() < 0.5),
        "rate_l_per_h": _between(rng, 0.03, 0.8),
        "burst_l": _between(rng, 6.0, 60.0),
        "removed_share": 0.9 * float(rng.random() < 0.6),
    }
    if fault.end_s is None or fault.end_s > fault.start_s + 25.0 * DAY_S:
        fault.end_s = min(fault.start_s + 25.0 * DAY_S, fleet.window.seconds - HOUR_S)


def _phase_separation(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    fault.params = {
        "kind": float(rng.choice(3, p=[0.45, 0.35, 0.2])),
        "water_l": _between(rng, 12.0, 70.0),
        "grows_s": rng.uniform(1.0, 12.0) * DAY_S,
        "splits_s": rng.uniform(2.0, 8.0) * HOUR_S,
        "drawn_share": rng.uniform(0.5, 0.85),
    }
    fault.end_s = None


def _probe_fault(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    kind = int(rng.choice(4, p=[0.3, 0.3, 0.15, 0.25]))
    fault.params = {
        "kind": float(kind),
        "jump_mm": float(rng.choice([-1.0, 1.0])) * _between(rng, 3.0, 50.0),
        "noise_times": _between(rng, 5.0, 20.0),
        "dropped_share": rng.uniform(0.3, 0.95),
    }
    # A gauge that stands still or falls silent is seen to within days.
    if kind in (0, 2):
        fault.end_s = fault.start_s + float(np.round(rng.uniform(0.2, 6.0) * DAY_S))
    if fault.end_s is not None and fault.end_s > fleet.window.seconds:
        fault.end_s = None


def _clock_skew(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    hour = rng.random() < 0.25
    size = HOUR_S if hour else float(np.round(_between(rng, 120.0, 1_800.0)))
    fault.params = {"shift_s": float(rng.choice([-1.0, 1.0])) * size, "till": float(rng.random() < 0.5)}
    fault.tank_index = None


def _unexplained(rng: np.random.Generator, fault: Fault, tank: Tank, fleet: Fleet) -> None:
    """Product that comes and goes at any hour, or comes steadily from nowhere."""
    comes = float(rng.random() < 0.35)
    fault.params = {
        "litres": _between(rng, 40.0, 160.0),
        "a_day": rng.uniform(1.5, 4.0),
        "steady_gain_l_per_h": comes * _between(rng, 0.6, 6.0),
    }
    end_s = fault.start_s + rng.uniform(8.0, 20.0) * DAY_S
    fault.end_s = float(np.round(min(end_s, fleet.window.seconds - DAY_S)))


_SEVERITIES: dict[str, Callable[[np.random.Generator, Fault, Tank, Fleet], None]] = {
    "tank_leak": _tank_leak,
    "line_leak": _line_leak,
    "bulk_theft": _bulk_theft,
    "slow_theft": _slow_theft,
    "meter_drift": _meter_drift,
    "missing_sales": _missing_sales,
    "chart_error": _chart_error,
    "wrong_feed": _wrong_feed,
    "short_delivery": _off_ticket,
    "over_delivery": _off_ticket,
    "missing_ticket": _no_details,
    "wrong_product": _wrong_product,
    "water_ingress": _water_ingress,
    "phase_separation": _phase_separation,
    "probe_fault": _probe_fault,
    "clock_skew": _clock_skew,
    "unexplained": _unexplained,
}
