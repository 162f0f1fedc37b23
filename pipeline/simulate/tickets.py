"""Loads, drops and their tickets: what was bought, what arrived, and what the paper says."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.simulate.laws.tickets import Bill
from pipeline.simulate.model import HOUR_S, Fault, Floats, Flow, Haulier, Site, Tank, TrueTank


@dataclass
class Drop:
    """Product that ran from a lorry into a tank, and its ticket (without one, `delivery_id` is None)."""

    tank_index: int
    start_s: float
    end_s: float
    flow: Flow
    volume_15_l: float
    volume_l: float
    temp_c: float
    density_15_kg_m3: float
    ts_ticket_s: float
    ticket_volume_l: float
    ticket_temp_c: float | None
    ticket_density_15_kg_m3: float | None
    carrier: str | None
    vehicle: str | None
    terminal: str | None
    has_ticket: bool = True
    fault: Fault | None = None
    delivery_id: str | None = None

    def settle(self, fault: Fault) -> None:
        """Fill in what the fault came to, now that its drop is known."""
        fault.start_s, fault.end_s, fault.happened = self.start_s, self.end_s, True
        self.fault = fault
        if fault.cause == "missing_ticket":
            self.has_ticket = False
            fault.litres = self.volume_l
        elif fault.cause in ("short_delivery", "over_delivery"):
            fault.litres = fault.params["litres"]


@dataclass(frozen=True)
class Load:
    """What a lorry brings: litres by the ticket, at what temperature, how fast it will run."""

    start_s: float
    parts_s: tuple[tuple[float, float], ...]
    ticket_volume_l: float
    temp_c: float
    loading_error: float
    held_up_l: float
    density_shift: float
    haulier: Haulier
    ts_ticket_s: float
    shows_temp: bool
    shows_density: bool
    vehicle: str
    paper_off_k: float = 0.0
    paper_off_kg_m3: float = 0.0

    def bill(self, truth: TrueTank) -> Bill:
        """Return the load as it is and as its ticket has it."""
        density = truth.density_15_kg_m3 + self.density_shift
        return Bill(self.litres, self.temp_c, density, self.ticket_volume_l, self.temp_c, density)

    def rebilled(self, bill: Bill, truth: TrueTank) -> Load:
        """Return the load that a bill describes, everything else as it is."""
        per_ticket = (bill.litres + self.held_up_l) / bill.paper_l
        return replace(
            self,
            ticket_volume_l=bill.paper_l,
            loading_error=per_ticket - 1.0 - self.haulier.bias,
            density_shift=bill.density_15_kg_m3 - truth.density_15_kg_m3,
            paper_off_k=bill.paper_temp_c - bill.temp_c,
            paper_off_kg_m3=bill.paper_density_15_kg_m3 - bill.density_15_kg_m3,
        )

    @property
    def litres(self) -> float:
        """Litres that run into the tank, at the load's temperature, with nothing wrong."""
        return self.ticket_volume_l * (1.0 + self.haulier.bias + self.loading_error) - self.held_up_l

    def dropped(self, tank_index: int, factor: float, truth: TrueTank, fault: Fault | None) -> Drop:
        """Return the drop of this load into a tank; `factor` brings litres at the load's temperature to 15 °C."""
        litres = self.litres
        density = truth.density_15_kg_m3 + self.density_shift
        shown = density + self.paper_off_kg_m3
        if fault is not None and fault.cause in ("short_delivery", "over_delivery"):
            sign = -1.0 if fault.cause == "short_delivery" else 1.0
            fault.params["litres"] = sign * max(fault.params["share"] * self.ticket_volume_l, 80.0)
            litres += fault.params["litres"]
        if fault is not None and fault.cause == "wrong_product":
            density = density + fault.params["density_shift_kg_m3"]
            shown = density if fault.params["ticket_shows"] > 0.0 else shown
        spans = np.array(self.parts_s)
        lasts = spans[:, 1] - spans[:, 0]
        volume_15 = litres * factor
        gives_density = self.shows_density or (
            fault is not None and fault.cause == "wrong_product" and fault.params["ticket_shows"] > 0.0
        )
        return Drop(
            tank_index=tank_index,
            start_s=float(spans[0, 0]),
            end_s=float(spans[-1, 1]),
            flow=Flow(spans[:, 0], spans[:, 1], volume_15 * lasts / lasts.sum()),
            volume_15_l=volume_15,
            volume_l=litres,
            temp_c=self.temp_c,
            density_15_kg_m3=density,
            ts_ticket_s=self.ts_ticket_s,
            ticket_volume_l=self.ticket_volume_l,
            ticket_temp_c=round(self.temp_c + self.paper_off_k, 1) if self.shows_temp else None,
            ticket_density_15_kg_m3=round(shown, 1) if gives_density else None,
            carrier=self.haulier.name,
            vehicle=self.vehicle,
            terminal=self.haulier.terminal,
        )


def draw_load(
    site: Site,
    hauliers: tuple[Haulier, ...],
    room_l: float,
    around_c: float,
    hour: tuple[float, float],
    *,
    rng: np.random.Generator,
) -> Load:
    """Return the load that comes within the hour: whole compartments that fit into `room_l`.

    Loading meter 0.15 %; hose and compartments hold back some litres; a load is 3 K (SD) off the ground, at times hot.
    """
    ticket_l = float(np.clip(np.floor(room_l * rng.uniform(0.8, 1.0) / 500.0) * 500.0, 2_500.0, 20_000.0))
    ticket_l += float(np.round(rng.normal(0.0, 6.0)))
    parts = _parts(rng, ticket_l, hour)
    haulier = hauliers[site.hauliers[0 if rng.random() < 0.8 else 1]]
    hot = rng.uniform(5.0, 12.0) if rng.random() < 0.05 else 0.0
    return Load(
        start_s=parts[0][0],
        parts_s=parts,
        ticket_volume_l=ticket_l,
        temp_c=float(around_c + rng.normal(0.5, 3.0) + hot),
        loading_error=float(rng.normal(0.0, 0.0015)),
        held_up_l=float(rng.normal(0.0, 5.0)),
        density_shift=float(rng.normal(0.0, 1.5)),
        haulier=haulier,
        ts_ticket_s=_ticket_time_s(rng, haulier, parts),
        shows_temp=bool(rng.random() < (0.95 if haulier.gives_temperature else 0.05)),
        shows_density=bool(rng.random() < (0.95 if haulier.gives_density else 0.05)),
        vehicle=str(rng.choice(list(haulier.vehicles))),
    )


def _parts(rng: np.random.Generator, litres: float, hour: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """When the product runs: in one go, or for a large load in two with the hose moved in between. [s]"""
    lasts = litres / rng.uniform(600.0, 1_200.0) * 60.0
    pause = rng.uniform(150.0, 420.0) if litres > 11_000.0 and rng.random() < 0.4 else 0.0
    start = float(np.round(hour[0] + rng.uniform(0.0, max(hour[1] - hour[0] - lasts - pause - 60.0, 60.0))))
    if pause == 0.0:
        return ((start, start + lasts),)
    first = lasts * rng.uniform(0.35, 0.65)
    return ((start, start + first), (start + first + pause, start + lasts + pause))


def _ticket_time_s(rng: np.random.Generator, haulier: Haulier, parts: tuple[tuple[float, float], ...]) -> float:
    """The ticket's time: of loading, of the end of the drop, or of when somebody typed it in. [s]"""
    if haulier.ticket_style == "loading":
        return float(np.floor(parts[0][0] - rng.uniform(0.5, 5.0) * HOUR_S))
    if haulier.ticket_style == "after":
        return float(np.floor(parts[-1][1] + rng.uniform(120.0, 1_500.0)))
    return float(np.floor(parts[-1][1] + rng.uniform(0.5, 10.0) * HOUR_S))


def tank_of_drop(tanks: tuple[Tank, ...], rng: np.random.Generator) -> int:
    """Index of the tank that the ticket names; of joined tanks it is any."""
    return tanks[int(rng.integers(len(tanks)))].index


def delivery_fault(pending: list[Fault], at_s: float) -> Fault | None:
    """Take from `pending` the fault that the drop at `at_s` carries out, if one is due."""
    for fault in pending:
        if at_s >= fault.start_s:
            pending.remove(fault)
            return fault
    return None


def flows_of(drops: list[Drop]) -> Flow:
    """All drops as movements of litres at 15 °C."""
    return Flow.joined([drop.flow for drop in drops])


def hours_of(flow: Flow, hour_s: Floats) -> Floats:
    """Litres of a flow within each hour between the nodes `hour_s`. [l]"""
    return np.diff(flow.moved_by(hour_s))
