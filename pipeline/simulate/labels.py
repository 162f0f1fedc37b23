"""What was found out afterwards, and what stood in the sites' logs."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from pipeline.contract.vocabulary import CAUSES, CAUSES_WITHOUT_LITRES
from pipeline.simulate.demand import test_visit_s
from pipeline.simulate.metering import adjustment_s, is_adjusted
from pipeline.simulate.model import DAY_S, HOUR_S, Fault, Fleet
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.settings import FleetSettings
from pipeline.simulate.tables import Row, instant


def label_rows(fleet: Fleet, faults: list[Fault], settings: FleetSettings) -> list[Row]:
    """Rows of `labels`: each fault that came to pass, and a few suspicions that were ruled out."""
    rng = stream(fleet.seed, Part.EVENTS, 10_001)
    rows = [_confirmed(fleet, fault, rng.uniform(2.0, 25.0)) for fault in faults if fault.happened]
    if faults:
        rows += _ruled_out(fleet, faults, settings, rng)
    rows.sort(key=lambda row: (str(row["ts_start"]), str(row["site_id"]), str(row["tank_id"])))
    for number, row in enumerate(rows, start=1):
        row["label_id"] = f"L{number:05d}"
    return rows


def _confirmed(fleet: Fleet, fault: Fault, days_later: float) -> Row:
    window = fleet.window
    tank = None if fault.tank_index is None else fleet.tanks[fault.tank_index].tank_id
    seen_s = (fault.end_s if fault.end_s is not None else fault.start_s) + days_later * DAY_S
    without = fault.cause in CAUSES_WITHOUT_LITRES
    return {
        "cause": fault.cause,
        "verdict": "confirmed",
        "site_id": fleet.sites[fault.site_index].site_id,
        "tank_id": tank,
        "meter_id": None if fault.meter_index is None else fleet.meters[fault.meter_index].meter_id,
        "delivery_id": fault.delivery_id,
        "ts_start": instant(window, fault.start_s),
        "ts_end": None if fault.end_s is None else instant(window, fault.end_s),
        "litres": None if without or fault.litres is None else round(fault.litres, 3),
        "learned_on": (instant(window, 0.0) + timedelta(seconds=seen_s)).date(),
    }


def _ruled_out(fleet: Fleet, faults: list[Fault], settings: FleetSettings, rng: np.random.Generator) -> list[Row]:
    """Suspicions against sound tanks that came to nothing."""
    faulty = {fault.tank_index for fault in faults}
    common = [cause for cause in CAUSES if cause in ("tank_leak", "bulk_theft", "slow_theft", "chart_error")]
    rows: list[Row] = []
    for tank in fleet.tanks:
        luck, at_s = rng.random(), rng.uniform(0.2, 0.9) * fleet.window.seconds
        cause = common[int(rng.integers(len(common)))]
        if tank.index in faulty or luck >= settings.ruled_out_share:
            continue
        rows.append(
            {
                "cause": cause,
                "verdict": "ruled_out",
                "site_id": fleet.sites[tank.site_index].site_id,
                "tank_id": tank.tank_id,
                "meter_id": None,
                "delivery_id": None,
                "ts_start": instant(fleet.window, at_s),
                "ts_end": instant(fleet.window, min(at_s + 5.0 * DAY_S, fleet.window.seconds)),
                "litres": None,
                "learned_on": (instant(fleet.window, at_s) + timedelta(days=9)).date(),
            }
        )
    return rows


def event_rows(fleet: Fleet, faults: list[Fault], gaps: dict[int, list[tuple[float, float]]]) -> list[Row]:
    """Rows of `events`: visits, repairs, power losses and a few alarms."""
    rows = [row for site in fleet.sites for row in _site_events(fleet, site.index, gaps[site.index])]
    for fault in faults:
        rows += _fault_events(fleet, fault)
    rows.sort(key=lambda row: (str(row["ts"]), str(row["site_id"]), str(row["tank_id"]), str(row["meter_id"])))
    for number, row in enumerate(rows, start=1):
        row["event_id"] = f"E{number:06d}"
    return rows


def _event(
    fleet: Fleet,
    at_s: float,
    site_index: int,
    kind: str,
    *,
    tank: int | None = None,
    meter: int | None = None,
    note: str | None = None,
) -> Row:
    return {
        "ts": instant(fleet.window, at_s),
        "site_id": fleet.sites[site_index].site_id,
        "tank_id": None if tank is None else fleet.tanks[tank].tank_id,
        "meter_id": None if meter is None else fleet.meters[meter].meter_id,
        "kind": kind,
        "note": note,
    }


def _site_events(fleet: Fleet, site_index: int, gaps: list[tuple[float, float]]) -> list[Row]:
    rng = stream(fleet.seed, Part.EVENTS, site_index, 10_002)
    rows: list[Row] = []
    visit_s = test_visit_s(fleet.sites[site_index], fleet.window, fleet.seed)
    if visit_s is not None:
        rows += [
            _event(fleet, visit_s + DAY_S / 2.0, site_index, "meter_calibrated", meter=meter.index, note="inspector")
            for meter in fleet.meters_of(site_index)
            if is_adjusted(meter, fleet.seed)
        ]
    rows += [_event(fleet, start, site_index, "power_loss") for start, _ in gaps if rng.random() < 0.3]
    for tank in fleet.tanks_of(site_index):
        tested_s = rng.uniform(0.0, 12.0) * fleet.window.seconds
        if tested_s < fleet.window.seconds:
            rows.append(_event(fleet, tested_s, site_index, "tightness_test_passed", tank=tank.index))
        alarm_s = rng.uniform(0.0, 2.0) * fleet.window.seconds
        if alarm_s < fleet.window.seconds:
            note = str(rng.choice(["low product", "high level", "printer out of paper"]))
            rows.append(_event(fleet, alarm_s, site_index, "alarm", tank=tank.index, note=note))
    return rows


def _fault_events(fleet: Fleet, fault: Fault) -> list[Row]:
    """What a site writes down when a fault is mended, or when a chart is replaced by a wrong one."""
    rows: list[Row] = []
    if fault.cause == "chart_error" and fault.params["replaced"] > 0.0:
        rows.append(_event(fleet, fault.start_s, fault.site_index, "chart_replaced", tank=fault.tank_index))
    if not fault.happened or fault.end_s is None or fault.end_s >= fleet.window.seconds:
        return rows
    if fault.cause == "probe_fault":
        rows.append(_event(fleet, fault.end_s, fault.site_index, "probe_replaced", tank=fault.tank_index))
    if fault.cause == "meter_drift" and not _is_visit(fleet, fault):
        rows.append(_event(fleet, fault.end_s, fault.site_index, "meter_calibrated", meter=fault.meter_index))
    if fault.cause == "water_ingress" and fault.params["removed_share"] > 0.0:
        rows.append(_event(fleet, fault.end_s, fault.site_index, "water_removed", tank=fault.tank_index))
    if fault.cause == "tank_leak":
        failed_s = fault.end_s - HOUR_S
        rows.append(_event(fleet, failed_s, fault.site_index, "tightness_test_failed", tank=fault.tank_index))
    return rows


def _is_visit(fleet: Fleet, fault: Fault) -> bool:
    """Whether it was the inspector's visit, logged already, that ended a meter's drift."""
    assert fault.meter_index is not None and fault.end_s is not None
    adjusted_s = adjustment_s(fleet.meters[fault.meter_index], fleet)
    return adjusted_s is not None and abs(adjusted_s - fault.end_s) < 1.0
