"""What a historian keeps of the signals: reported on exception or held, with rows missing, repeated, late or bad."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.simulate.model import HOUR_S, Bools, Floats, Historian, Ints, Site, Window
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.sensors import Signals


def sample_times_s(historian: Historian, window: Window) -> Floats:
    """Instants at which the gauge is asked. [s]"""
    return np.arange(historian.phase_s, window.seconds, historian.interval_s)


def outages_s(site: Site, window: Window, n_tanks: int, seed: int) -> list[tuple[float, float]]:
    """Starts and ends of the times in which nothing of the site's gauge was kept. [s]"""
    rng = stream(seed, Part.HISTORIAN, site.index)
    mean = site.historian.outages_per_month * window.days / 30.0
    starts = rng.uniform(0.0, window.seconds, int(rng.poisson(mean)))
    lasts = np.exp(rng.uniform(np.log(0.5), np.log(48.0), starts.size)) * HOUR_S
    return [(float(s), float(s + d)) for s, d in zip(starts, lasts, strict=True)]


def readings_frame(
    tank_id: str, signals: Signals, historian: Historian, window: Window, gaps: list[tuple[float, float]],
    *, shift_s: Floats, rng: np.random.Generator,
) -> pl.DataFrame:  # fmt: skip
    """Return the tank's rows of `readings` in the order in which they were written.

    `shift_s` is how far the gauge's clock is ahead at each signal. [s]
    """
    rows = _kept_rows(signals, historian, gaps, rng)
    source = rows
    if historian.mode == "snapshot":
        held = _reported(signals.level_mm, signals.at_s, historian.deadband_mm, np.inf)
        source = held[np.searchsorted(held, rows, side="right") - 1]
    frame = pl.DataFrame(
        {
            "tank_id": pl.repeat(tank_id, rows.size, eager=True),
            "ts": (window.start_us + np.round(signals.at_s + shift_s)[rows].astype(np.int64) * 1_000_000),
            "level_mm": signals.level_mm[source],
            "water_mm": signals.water_mm[source],
            "temp_c": signals.temp_c[source],
            "density_kg_m3": signals.density_kg_m3[source],
        }
    ).with_columns(
        pl.col("ts").cast(pl.Datetime("us", "UTC")),
        pl.col("level_mm", "water_mm", "temp_c", "density_kg_m3").fill_nan(None),
    )
    frame = _with_quality(frame, historian, signals.at_s[rows], gaps, rng)
    ts_us = pl.col("ts").dt.timestamp("us")
    end_us = window.start_us + int(window.seconds) * 1_000_000
    inside = (ts_us >= window.start_us) & (ts_us < end_us)
    return _reordered(frame, historian, rng).filter(inside)


def _kept_rows(
    signals: Signals, historian: Historian, gaps: list[tuple[float, float]], rng: np.random.Generator
) -> Ints:
    kept = rng.random(signals.at_s.size) >= historian.missing_share
    for start_s, end_s in gaps:
        kept &= ~((signals.at_s >= start_s) & (signals.at_s < end_s))
    rows = np.flatnonzero(kept)
    if historian.mode == "exception":
        at_s = signals.at_s[rows]
        rows = rows[_reported(signals.level_mm[rows], at_s, historian.deadband_mm, historian.heartbeat_s)]
    return rows


def _reported(level_mm: Floats, at_s: Floats, deadband_mm: float, heartbeat_s: float) -> Ints:
    """Rows that a report on exception lets through: a change beyond the deadband, or a long silence.

    A level that falls silent, or comes back, is a change.
    """
    kept = [0]
    held, held_s = level_mm[0], at_s[0]
    for row, (level, now_s) in enumerate(zip(level_mm.tolist(), at_s.tolist(), strict=True)):
        moved = not abs(level - held) <= deadband_mm and not (level != level and held != held)
        if moved or now_s - held_s >= heartbeat_s:
            if row:
                kept.append(row)
            held, held_s = level, now_s
    return np.array(kept, dtype=np.int64)


def _with_quality(
    frame: pl.DataFrame, historian: Historian, at_s: Floats, gaps: list[tuple[float, float]], rng: np.random.Generator
) -> pl.DataFrame:
    """Add `quality`: bad rows carry nonsense or nothing, the first rows after a gap are uncertain."""
    bad = rng.random(frame.height) < historian.bad_share
    level = frame["level_mm"].to_numpy().copy()
    bad |= np.isnan(level)
    garbage = rng.choice([0.0, 9_999.0, np.nan, -1.0], frame.height)
    level = np.where(bad & ~np.isnan(level), garbage, level)
    uncertain: Bools = np.zeros(frame.height, dtype=bool)
    for _, end_s in gaps:
        uncertain |= (at_s >= end_s) & (at_s < end_s + 2.0 * historian.interval_s)
    quality = np.where(bad, "bad", np.where(uncertain, "uncertain", "good"))
    return frame.with_columns(
        pl.Series("level_mm", level).fill_nan(None), pl.Series("quality", quality, dtype=pl.String)
    )


def _reordered(frame: pl.DataFrame, historian: Historian, rng: np.random.Generator) -> pl.DataFrame:
    """Repeat some rows, and let some arrive at the end, or a short stretch before its time."""
    rows = np.arange(frame.height)
    if historian.repeats and rows.size:
        again = np.sort(rng.choice(rows, size=max(1, rows.size // 500), replace=False))
        rows = np.insert(rows, again, again)
    if historian.late and rows.size > 200:
        late: Bools = np.zeros(rows.size, dtype=bool)
        for start in rng.integers(0, rows.size - 100, max(1, rows.size // 20_000)):
            late[start : start + int(rng.integers(5, 90))] = True
        rows = np.concatenate([rows[~late], rows[late]])
    return frame[rows]
