"""Gauge series written by hand: 15 °C, no water, and a tank whose litres go by its level."""

import numpy as np

from pipeline.ledger.gauge import GaugeSeries


def straight_gauge(
    at_s: np.ndarray, level_mm: np.ndarray, *, l_per_mm: float, nominal_s: float = 300.0, is_on_change: bool = False
) -> GaugeSeries:
    """A gauge that shows `level_mm` at `at_s`, shape (n,) each, of a tank of `l_per_mm` litres a millimetre."""
    every = np.ones(len(at_s))
    return GaugeSeries(
        ts_s=at_s, level_mm=level_mm, water_mm=0.0 * every, temp_c=15.0 * every, density_kg_m3=np.nan * every,
        gauge_l=l_per_mm * level_mm, surface_l_per_mm=l_per_mm * every, apart_l=0.0 * every,
        nominal_s=nominal_s, is_on_change=is_on_change,
    )  # fmt: skip
