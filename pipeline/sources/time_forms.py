"""In which form the times of a file are written: the one in which all of them can be read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

FORMS: Final = (
    None, "iso_zoned", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M", "%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M %p",
    "%m/%d/%Y %I:%M %p", "%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%b-%Y %H:%M:%S", "%Y%m%d%H%M%S",
    "%Y/%m/%d %H:%M:%S", "epoch_s", "epoch_ms",
)  # fmt: skip
"""Forms of times that are tried, in this order; None is ISO 8601 without a zone."""
_EPOCHS: Final = {"epoch_s": (5e8, 5e9), "epoch_ms": (5e11, 5e12)}
"""What counts of seconds and milliseconds since 1970 can be: 1985 to 2128."""


def time_form(columns: Sequence[pl.Series]) -> tuple[str | None, list[str]]:
    """The form in which all times can be read; of two, that by which they lie closer together, and a line about it."""
    if not columns:
        return None, []
    every = pl.concat([one.alias("ts") for one in columns]).drop_nulls()
    every = every.filter(every != "").unique()
    spans = {form: span for form in FORMS if (span := _span(every, form)) is not None}
    if not spans:
        return None, [f'times such as {every[0]!r} are in no form that is known here: time_format = "..."'] if len(
            every
        ) else []
    least = min(spans.values())
    best = [form for form, span in spans.items() if span == least]
    doubt = [f"times such as {every[0]!r} can be {best[0]} or {best[1]}: check which"] if len(best) > 1 else []
    return best[0], doubt


def _span(texts: pl.Series, form: str | None) -> float | None:
    """Seconds between the first and the last instant, None where one cannot be read so."""
    if form in _EPOCHS:
        low, high = _EPOCHS[form]
        number = texts.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy()
        if not len(number) or not ((number >= low) & (number <= high)).all():
            return None
        return float(np.ptp(number)) * (1.0 if form == "epoch_s" else 1e-3)
    forms = (
        ["%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"] if form is None else [form]
    )
    if form == "iso_zoned":
        read = texts.str.to_datetime("%+", time_unit="us", strict=False)
    else:
        read = pl.select(
            pl.coalesce(pl.lit(texts).str.to_datetime(one, time_unit="us", strict=False) for one in forms)
        ).to_series()
    if read.null_count() or not len(read):
        return None
    return float(np.ptp(read.dt.epoch("us").to_numpy())) / 1e6
