"""Temperatures: the ground's through the year, the air's through the day, and a load's as it comes off the lorry."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.model import DAY_S, HOUR_S, Floats, Site, Window

_YEAR_DAYS = 365.25
# Depth at which soil's yearly wave is down to 1/e, for a diffusivity of 5e-7 m²/s: sqrt(2 a / w). [M]
_DAMPING_M = 2.24
_TANK_DEPTH_M = 2.3


def _year(site: Site) -> tuple[float, float, float]:
    """Mean, half-swing and warmest day of the year of the surface. [°C, °C, day] [C]"""
    away = abs(site.latitude)
    mean = 27.0 - 0.35 * max(away - 15.0, 0.0)
    swing = 3.0 + 0.2 * max(away - 15.0, 0.0)
    warmest = 203.0 if site.latitude >= 0 else 203.0 - _YEAR_DAYS / 2.0
    return mean, swing, warmest


def ground_c(site: Site, window: Window, at_s: Floats) -> Floats:
    """Soil temperature at the depth of a buried tank: the surface's yearly wave, damped and late. [°C]"""
    mean, swing, warmest = _year(site)
    ratio = _TANK_DEPTH_M / _DAMPING_M
    day = window.day_of_year + at_s / DAY_S - warmest
    return np.asarray(mean + swing * np.exp(-ratio) * np.cos(2.0 * np.pi * day / _YEAR_DAYS - ratio))


def air_c(rng: np.random.Generator, site: Site, window: Window, at_s: Floats) -> Floats:
    """Air temperature at `at_s`, an even grid: year, day, and weather that lasts for days. [°C]"""
    mean, swing, warmest = _year(site)
    day = window.day_of_year + at_s / DAY_S - warmest
    solar_h = (at_s / HOUR_S + site.longitude / 15.0) % 24.0
    daily = 4.5 * np.cos(2.0 * np.pi * (solar_h - 15.0) / 24.0)
    step_h = (at_s[1] - at_s[0]) / HOUR_S
    return mean + swing * np.cos(2.0 * np.pi * day / _YEAR_DAYS) + daily + _weather(rng, at_s.size, step_h)


def _weather(rng: np.random.Generator, count: int, step_h: float) -> Floats:
    """Weather: SD 2.5 K, lasting two days. [K] [C]"""
    keep = float(np.exp(-step_h / 48.0))
    shocks = rng.normal(0.0, 2.5 * np.sqrt(1.0 - keep**2), count)
    values = np.empty(count)
    last = rng.normal(0.0, 2.5)
    for index, shock in enumerate(shocks):
        last = keep * last + shock
        values[index] = last
    return values
