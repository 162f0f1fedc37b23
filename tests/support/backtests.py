"""Small tables as rules see them, built by hand; they owe nothing to the analysis or the simulator."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import polars as pl

from pipeline.backtest.asof import READABLE, as_of_tables
from pipeline.contract.dictionary import ALL_TABLES, polars_schema

FIRST = date(2026, 3, 2)


def day(number: int) -> date:
    """A day, counted from the first."""
    return FIRST + timedelta(days=number)


def at(number: int, hour: float = 0.0) -> datetime:
    """An instant on a day."""
    return datetime.combine(day(number), datetime.min.time(), UTC) + timedelta(hours=hour)


def table(name: str, rows: Sequence[dict] | pl.DataFrame) -> pl.DataFrame:
    """Frame of a table of the contract; a column that is left out is null."""
    schema = polars_schema(ALL_TABLES[name])
    frame = rows if isinstance(rows, pl.DataFrame) else pl.DataFrame(list(rows), infer_schema_length=None)
    have = set(frame.columns)
    return frame.select((pl.col(c) if c in have else pl.lit(None)).cast(t).alias(c) for c, t in schema.items())


def fleet(tanks: Sequence[str], *, pools: dict[str, str] | None = None) -> dict[str, pl.DataFrame]:
    """One site in London with some tanks, T1 with the meters MT1 and M1."""
    site = {"site_id": "S1", "name": "Ferrow Cross", "timezone": "Europe/London", "trading_day_start": "06:00"}
    rows = [
        {"tank_id": tank, "site_id": "S1", "product": "diesel_b7", "manifold_id": (pools or {}).get(tank)}
        for tank in tanks
    ]
    meters = [{"meter_id": name, "site_id": "S1"} for tank in tanks for name in (f"M{tank}", f"M{tank[1:]}")]
    return {"sites": table("sites", [site]), "tanks": table("tanks", rows), "meters": table("meters", meters)}


def variance_days(values: dict[str, Sequence[float]], *, sales_l: float = 2000.0) -> pl.DataFrame:
    """Rows of `tank_days` with these variances, a trading day each from the first on."""
    parts = [
        pl.DataFrame(
            {
                "tank_id": [tank] * len(variances),
                "trading_day": [day(number) for number in range(len(variances))],
                "variance_l": pl.Series(variances, dtype=pl.Float64),
                "sales_l": [sales_l] * len(variances),
            }
        )
        for tank, variances in values.items()
    ]
    return table("tank_days", pl.concat(parts))


def seen(names: Sequence[str] = ("T1",), /, **frames: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Tables as rules see them: those given, the others empty."""
    empty = {name: polars_schema(ALL_TABLES[name]).to_frame() for name in READABLE}
    return as_of_tables({**empty, **fleet(names), **frames})
