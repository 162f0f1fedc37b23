"""What becomes of a lake's cases when its gauges, tills and tickets are worse than they are. Prints; asserts nothing.

``python -m tests.benchmarks.degraded LAKE [--kinds A B ...]``

The same lake is analysed as it is and then with one thing taken from it at a time: thermometers, seconds, every reading
but one an hour, and so on. Nothing else happens to it, so a case that comes only then is false, and what is no longer
found is the price. LAKE's labels lie inside it or beside it, as ``LAKE.labels.parquet``.
"""

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.lake import read_lake
from pipeline.ledger.gauge import REFERENCE_TEMP_C
from pipeline.workers import in_order, worker_count
from tests.benchmarks.detection import judged
from tests.benchmarks.families import Measured, case_row, labels_of, month_row, slim
from tests.support.fleets import Tables, clean
from tests.support.matching import true_labels

Kind = Callable[[Tables], Tables]
NONE = pl.lit(None, pl.Float64)
HOUR_S = 3600
STEP_MM = 5.0
ROUND_TICKET_L = 500.0
LOOSE_TICKETS = 0.004
LATE_S = 40
USUAL_C, USUAL_PER_K = 10.0, 0.001
"""A load's temperature where its ticket has none, and what a kelvin does to petrol or diesel. Common practice."""
FIRST_SHARE = 0.5
"""A thermometer dies after so much of the time."""


def first_in(tables: Tables, every_s: int) -> Tables:
    """The first reading of each tank in each span."""
    readings = tables["readings"].sort("tank_id", "ts")
    span = readings["ts"].dt.epoch("s") // every_s
    thin = readings.with_columns(span=span).group_by("tank_id", "span", maintain_order=True).first()
    return {**tables, "readings": thin.select(readings.columns)}


def with_gaps(tables: Tables) -> Tables:
    """Every tenth stretch of two hours is silent, at all tanks alike."""
    span = tables["readings"]["ts"].dt.epoch("s") // (2 * HOUR_S)
    return {**tables, "readings": tables["readings"].filter(span.hash(3) % 10 != 0)}


def rewritten(tables: Tables, table: str, *columns: pl.Expr) -> Tables:
    """The lake with some columns of a table written otherwise."""
    return {**tables, table: tables[table].with_columns(*columns)}


def sales_by_the_hour(tables: Tables) -> Tables:
    """One row a meter and hour instead of one a sale."""
    sales = tables["sales"]
    hour = pl.col("ts_end").dt.truncate("1h").alias("hour")
    added = sales.group_by("meter_id", hour, "kind", maintain_order=True).agg(
        pl.col("sale_id", "unit_price").last(),
        pl.col("ts_start").min(),
        pl.col("ts_end").max(),
        pl.col("volume_l").sum(),
    )
    return {**tables, "sales": added.select(sales.columns)}


def late_tickets(tables: Tables) -> Tables:
    """Tickets written up to five hours before or after."""
    off = (pl.col("delivery_id").hash(5) % (10 * HOUR_S)).cast(pl.Int64) - 5 * HOUR_S
    return rewritten(tables, "deliveries", (pl.col("ts_ticket") + pl.duration(seconds=off)).alias("ts_ticket"))


def lost_tickets(tables: Tables) -> Tables:
    """Three tickets in ten are lost: their drops are cases, and rightly so."""
    return {**tables, "deliveries": tables["deliveries"].filter(pl.col("delivery_id").hash(9) % 10 >= 3)}


def dead_thermometers(tables: Tables, *, still: bool) -> Tables:
    """From half the time on every thermometer gives nothing, or stands still where it first stood."""
    ts = tables["readings"]["ts"]
    dead = pl.col("ts") > ts.min() + (ts.max() - ts.min()) * FIRST_SHARE  # type: ignore[operator]
    last = pl.col("temp_c").drop_nulls().first().over("tank_id") if still else NONE
    return rewritten(tables, "readings", pl.when(dead).then(last).otherwise("temp_c").alias("temp_c"))


def loose_tickets(tables: Tables) -> Tables:
    """Tickets that miss what was loaded by 0.4 %, SD."""
    off = np.random.default_rng(5).normal(1.0, LOOSE_TICKETS, tables["deliveries"].height)
    return rewritten(tables, "deliveries", pl.col("ticket_volume_l") * pl.Series(off))


def other_basis(tables: Tables) -> Tables:
    """A third of the time in, one terminal goes over to litres at 15 °C; nothing on its tickets says so."""
    drops, first = tables["deliveries"], tables["deliveries"]["terminal"].drop_nulls().sort().first()
    start, end = drops["ts_ticket"].min(), drops["ts_ticket"].max()
    since = start + (end - start) / 3  # type: ignore[operator]
    warmer = pl.col("ticket_temp_c").fill_null(USUAL_C) - REFERENCE_TEMP_C
    at_15 = pl.col("ticket_volume_l") * (1.0 - USUAL_PER_K * warmer)
    goes_over = (pl.col("terminal") == first) & (pl.col("ts_ticket") > since)
    told = pl.when(goes_over).then(at_15).otherwise("ticket_volume_l").alias("ticket_volume_l")
    return rewritten(tables, "deliveries", told)


def sales_cut_off(tables: Tables) -> Tables:
    """No sale and no totaliser arrives in the last third of the time."""
    ts = tables["readings"]["ts"]
    last = ts.min() + (ts.max() - ts.min()) * 2 / 3  # type: ignore[operator]
    sales, totals = tables["sales"], tables["meter_totals"]
    return {
        **tables,
        "sales": sales.filter(pl.col("ts_end") < last),
        "meter_totals": totals.filter(pl.col("ts") < last),
    }


def dead_interfaces(tables: Tables) -> Tables:
    """In the last third of the time one meter a site tells nothing: neither sales nor its totaliser."""
    ts = tables["readings"]["ts"]
    last = ts.min() + (ts.max() - ts.min()) * 2 / 3  # type: ignore[operator]
    meters = tables["meters"].sort("meter_id").group_by("site_id").first()["meter_id"].to_list()
    told = {"sales": "ts_end", "meter_totals": "ts"}
    return tables | {
        name: tables[name].filter(~pl.col("meter_id").is_in(meters) | (pl.col(at) < last)) for name, at in told.items()
    }


def stamped_on_arrival(tables: Tables) -> Tables:
    """Readings whose stamps are up to 40 s early or late."""
    readings = tables["readings"]
    off = np.random.default_rng(5).integers(-LATE_S, LATE_S + 1, readings.height)
    late = readings.with_columns(pl.col("ts") + pl.duration(seconds=pl.Series(off)))
    return {**tables, "readings": late.sort("tank_id", "ts").unique(["tank_id", "ts"], maintain_order=True)}


def sales_twice(tables: Tables) -> Tables:
    """One sale in a hundred comes twice, under another number."""
    sales = tables["sales"]
    again = sales.filter(pl.col("sale_id").hash(12) % 100 == 0).with_columns(pl.col("sale_id") + "-2")
    return {**tables, "sales": pl.concat([sales, again])}


KINDS: dict[str, Kind] = {
    "as it is": lambda tables: tables,
    "a reading a quarter of an hour": partial(first_in, every_s=HOUR_S // 4),
    "a reading an hour": partial(first_in, every_s=HOUR_S),
    "a reading a day": partial(first_in, every_s=24 * HOUR_S),
    "gaps of two hours": with_gaps,
    "whole millimetres": lambda tables: rewritten(tables, "readings", pl.col("level_mm").round(0)),
    "steps of 5 mm": lambda tables: rewritten(tables, "readings", STEP_MM * (pl.col("level_mm") / STEP_MM).round(0)),
    "no thermometer": lambda tables: rewritten(tables, "readings", NONE.alias("temp_c")),
    "whole degrees": lambda tables: rewritten(tables, "readings", pl.col("temp_c").round(0)),
    "sales on the minute": lambda tables: rewritten(tables, "sales", pl.col("ts_start", "ts_end").dt.truncate("1m")),
    "sales by their end": lambda tables: rewritten(tables, "sales", pl.col("ts_end").alias("ts_start")),
    "sales in whole litres": lambda tables: rewritten(tables, "sales", pl.col("volume_l").round(0)),
    "sales by the hour": sales_by_the_hour,
    "sales cut off": sales_cut_off,
    "sales twice": sales_twice,
    "interfaces die": dead_interfaces,
    "readings stamped on arrival": stamped_on_arrival,
    "no totalisers": lambda tables: {**tables, "meter_totals": tables["meter_totals"].clear()},
    "no events": lambda tables: {**tables, "events": tables["events"].clear()},
    "thermometers die": partial(dead_thermometers, still=False),
    "thermometers stand still": partial(dead_thermometers, still=True),
    "tickets hours off": late_tickets,
    "tickets 0.4 % off": loose_tickets,
    "a terminal goes over to 15 °C": other_basis,
    "tickets in steps of 500 l": lambda tables: rewritten(
        tables, "deliveries", ROUND_TICKET_L * (pl.col("ticket_volume_l") / ROUND_TICKET_L).round(0)
    ),
    "tickets lost": lost_tickets,
}


def measured(kind: str, lake: Path) -> Measured:
    """The lake made worse in one way, analysed and judged."""
    labels = labels_of(lake)
    tables = KINDS[kind]({**read_lake(lake).tables, "labels": labels})
    one = slim(judged(kind, clean(tables), labels))
    return Measured(kind, "faulty" if true_labels(labels).height else "sound", one)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every kind and print cases and months."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("lake", type=Path, metavar="LAKE")
    parser.add_argument("--kinds", nargs="*", choices=list(KINDS), default=list(KINDS), metavar="KIND")
    options = parser.parse_args(arguments)
    runs = list(in_order(worker_count(len(options.kinds)))(partial(measured, lake=options.lake), options.kinds))
    pl.Config.set_tbl_formatting("ASCII_MARKDOWN").set_tbl_hide_column_data_types(True)
    pl.Config.set_tbl_hide_dataframe_shape(True).set_tbl_rows(-1).set_tbl_cols(-1).set_tbl_width_chars(240)
    for title, rows in {
        "Cases": [case_row(run.row, [run]) for run in runs],
        "Months": [month_row(run.row, [run]) for run in runs if run.kind == "sound"],
        "False cases": [
            {"kind": run.row, "cause": cause, "false": count}
            for run in runs
            for cause, count in run.judged.false["cause"].value_counts(sort=True).iter_rows()
        ],
    }.items():
        print(f"\n## {title}\n\n{pl.DataFrame(rows, infer_schema_length=None) if rows else 'none'}")


if __name__ == "__main__":
    sys.exit(main())
