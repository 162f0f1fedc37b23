"""What no lake tells: the true parameters of tanks, meters and faults, and the balance of every pool."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import polars as pl

from pipeline.simulate.faults import pool_of
from pipeline.simulate.model import HOUR_S, Fault, Fleet
from pipeline.simulate.pools import PoolTruth
from pipeline.simulate.site_run import SiteRun
from pipeline.simulate.tables import instant, instants


def truth_frames(fleet: Fleet, runs: list[SiteRun], faults: list[Fault]) -> dict[str, pl.DataFrame]:
    """Return the truth by name; no name is a table's, all begin with `_truth`.

    `_truth` has a row a tank, `_truth_meters` a meter, `_truth_faults` a fault, `_truth_sales` a sale as poured,
    `_truth_balance` a pool: its litres at 15 °C from opening to closing; `_truth_stock` a pool and hour.
    """
    pools = [pool for run in runs for pool in run.pools]
    return {
        "_truth": _tanks(pools),
        "_truth_meters": pl.DataFrame(
            [
                {"meter_id": m.meter_id, "product": m.product, "error": m.error, "wear_per_m3": m.wear_per_m3,
                 "repeatability": m.repeatability, "flow_l_per_min": m.flow_l_per_min}
                for m in fleet.meters
            ]
        ),
        "_truth_faults": _faults(fleet, faults),
        "_truth_sales": _sales(fleet, runs),
        "_truth_balance": pl.DataFrame([_balance(pool, fleet) for pool in pools]),
        "_truth_stock": pl.concat([_stock(pool, fleet) for pool in pools]),
    }  # fmt: skip


def _tanks(pools: list[PoolTruth]) -> pl.DataFrame:
    rows = [
        {"tank_id": tank.tank_id, "pool": pool_of(tank)} | asdict(tank.true) | asdict(tank.gauge)
        for pool in pools
        for tank in pool.pool.tanks
    ]
    return pl.DataFrame(rows)


def _faults(fleet: Fleet, faults: list[Fault]) -> pl.DataFrame:
    schema = {
        "cause": pl.String, "site_id": pl.String, "tank_id": pl.String, "meter_id": pl.String, "happened": pl.Boolean,
        "start_s": pl.Float64, "end_s": pl.Float64, "litres": pl.Float64, "rate_l_per_h": pl.Float64,
        "parameter": pl.String, "value": pl.Float64,
    }  # fmt: skip
    rows = [
        {
            "cause": fault.cause,
            "site_id": fleet.sites[fault.site_index].site_id,
            "tank_id": None if fault.tank_index is None else fleet.tanks[fault.tank_index].tank_id,
            "meter_id": None if fault.meter_index is None else fleet.meters[fault.meter_index].meter_id,
            "happened": fault.happened,
            "start_s": fault.start_s,
            "end_s": fault.end_s,
            "litres": fault.litres,
            "rate_l_per_h": fault.rate_l_per_h,
            "parameter": name,
            "value": value,
        }
        for fault in faults
        for name, value in (fault.params or {"none": 0.0}).items()
    ]
    return pl.DataFrame(rows, schema=schema)


def _sales(fleet: Fleet, runs: list[SiteRun]) -> pl.DataFrame:
    ids = pl.Series([meter.meter_id for meter in fleet.meters])
    return pl.concat(
        [
            pl.DataFrame(
                {
                    "meter_id": ids[run.sales.meter.tolist()],
                    "ts_start": instants(fleet.window, run.sales.start_s),
                    "recorded_l": run.sales.recorded_l,
                    "true_l": run.true_l,
                    "is_test": run.sales.is_test,
                }
            )
            for run in runs
        ]
    )


def _balance(truth: PoolTruth, fleet: Fleet) -> dict[str, object]:
    end = np.array([fleet.window.seconds])
    path = truth.path
    return {
        "pool": pool_of(truth.pool.tanks[0]),
        "opening_15_l": path.opening_15_l,
        "dropped_15_l": float(truth.dropped.moved_by(end)[0]),
        "sold_15_l": float(truth.sold.moved_by(end)[0]),
        "unmetered_15_l": float(truth.unmetered.moved_by(end)[0]),
        "leak_15_l": -float(np.interp(end, path.node_s, path.leak_15_l)[0]),
        "vapour_15_l": -float(np.interp(end, path.node_s, path.vapour_15_l)[0]),
        "closing_15_l": float(truth.stock_15_l(end)[0]),
    }


def _stock(truth: PoolTruth, fleet: Fleet) -> pl.DataFrame:
    at_s = np.arange(0.0, fleet.window.seconds, HOUR_S)
    volume = truth.product_l(at_s)
    return pl.DataFrame(
        {
            "pool": pl.repeat(pool_of(truth.pool.tanks[0]), at_s.size, eager=True),
            "ts": pl.datetime_range(
                instant(fleet.window, 0.0), instant(fleet.window, float(at_s[-1])), "1h", time_unit="us", eager=True
            ),
            "stock_15_l": truth.stock_15_l(at_s),
            "product_l": volume,
            "temp_c": truth.temp_c(at_s),
        }
    )
