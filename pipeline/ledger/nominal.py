"""The nominal chart of a tank that has none: what its dimensions hold, good enough to see that something moved."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.physics.geometry import TankShape, volume_l

ROWS: Final = 101
"""Rows of a nominal chart, evenly over the tank's depth."""
NOMINAL_SHARE: Final = 0.03
"""By what share of any litres a nominal chart may be off, SD: stated dimensions are often outer ones or rounded. Common
practice, no source."""
_ALWAYS: Final = datetime(2000, 1, 1, tzinfo=UTC)


def with_nominal_charts(tables: Mapping[str, pl.DataFrame]) -> tuple[dict[str, pl.DataFrame], frozenset[str]]:
    """A site's tables with a nominal chart for each tank that has readings and no chart, and the names of those tanks.

    Its stock is not told by it: what is off by some per cent makes losses of every sale.
    """
    bare = tables["tanks"].join(tables["strapping"], on="tank_id", how="anti")
    bare = bare.join(tables["readings"], on="tank_id", how="semi")
    made = {tank["tank_id"]: chart for tank in bare.iter_rows(named=True) if (chart := _nominal(tank)) is not None}
    like = tables["strapping"]
    rows = [chart.select(pl.col(name).cast(kind) for name, kind in like.schema.items()) for chart in made.values()]
    return {**tables, "strapping": pl.concat([like, *rows])}, frozenset(made)


def _nominal(tank: dict[str, Any]) -> pl.DataFrame | None:
    """A tank's nominal chart, None where its dimensions are those of no tank."""
    try:
        shape = TankShape(
            tank["shape"], tank["end_shape"], tank["diameter_mm"], tank["length_mm"], tank["end_depth_mm"]
        )
    except ValueError:
        return None
    level = np.linspace(0.0, shape.depth_mm, ROWS)
    pose = (tank["tilt_mm_per_m"] or 0.0, tank["probe_position_mm"] or 0.0)
    litres = np.asarray(volume_l(level, shape, tilt_mm_per_m=pose[0], probe_position_mm=pose[1]))
    return pl.DataFrame({"level_mm": level, "volume_l": np.maximum.accumulate(litres)}).with_columns(
        tank_id=pl.lit(tank["tank_id"]), valid_from=pl.lit(_ALWAYS)
    )
