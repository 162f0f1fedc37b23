"""Temperatures: the ground's through the year, the air's through the day, and a load's as it comes off the lorry."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.model import DAY_S, HOUR_S, Fleet, Floats, Site, Window

_YEAR_DAYS = 365.25
# Depth at which soil's yearly wave is down to 1/e, for a diffusivity of 5e-7 m²/s: sqrt(2 a / w). [M]
_DAMPING_M = 2.24
_TANK_DEPTH_M = 2.3


def _year(site: Site) -> tuple[float, float, float]:
    """Mean, half-swing and warmest day of the year of the surface. [°C, °C, day] [C]"""
    away = abs(site.latitude)
    mean = 27.0 - 0.35 * max(away - 15.0, 0.0) + site.climate.warmer_c
    swing = (3.0 + 0.2 * max(away - 15.0, 0.0)) * site.climate.year_times
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
    daily = site.climate.half_day_c * np.cos(2.0 * np.pi * (solar_h - 15.0) / 24.0)
    step_h = (at_s[1] - at_s[0]) / HOUR_S
    return mean + swing * np.cos(2.0 * np.pi * day / _YEAR_DAYS) + daily + _weather(rng, site, at_s.size, step_h)


def site_air_c(fleet: Fleet, site: Site, at_s: Floats) -> Floats:
    """Air temperature at a site at any instants, for what stands outside its tanks. [°C]"""
    hour_s = np.arange(-2.0, 24.0 * fleet.window.days + 3.0) * HOUR_S
    hourly = air_c(fleet.family.rng(fleet.seed, "air", site.index), site, fleet.window, hour_s)
    return np.interp(at_s, hour_s, hourly)


def _weather(rng: np.random.Generator, site: Site, count: int, step_h: float) -> Floats:
    """Weather of the climate's SD and length, by rule 2.5 K over two days. [K] [C]"""
    keep = float(np.exp(-step_h / site.climate.weather_h))
    shocks = rng.normal(0.0, site.climate.weather_sd_c * np.sqrt(1.0 - keep**2), count)
    values = np.empty(count)
    last = rng.normal(0.0, site.climate.weather_sd_c)
    for index, shock in enumerate(shocks):
        last = keep * last + shock
        values[index] = last
    return values
