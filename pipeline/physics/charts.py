"""The tank chart (strapping table): litres from a level, levels from litres, and what is odd about a chart."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from pipeline.physics import geometry
from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs

_MOST_CELLS = 1 << 15
# Rows of a look-up that stay in the processor's cache.
_BLOCK = 1 << 14


@dataclass(frozen=True, eq=False)
class Chart:
    """A tank chart: litres below each level, straight lines between.

    `level_mm` rises strictly; `volume_l` should rise too (`chart_findings` says where it does not). Both are copied
    and made read-only.

    Raises
    ------
    ValueError : if the rows are fewer than two, not finite, of unequal number, or their levels do not rise.
    """

    level_mm: FloatArray
    volume_l: FloatArray
    _cells: _Cells = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Check the rows and index them."""
        level, volume = np.array(self.level_mm, dtype=np.float64), np.array(self.volume_l, dtype=np.float64)
        if level.ndim != 1 or level.shape != volume.shape or level.size < 2:
            raise ValueError(f"a chart needs two columns of two rows or more, got {level.shape} and {volume.shape}")
        if not (np.isfinite(level).all() and np.isfinite(volume).all()):
            raise ValueError("a chart's levels and volumes must be finite")
        if not (np.diff(level) > 0.0).all():
            row = int(np.flatnonzero(np.diff(level) <= 0.0)[0]) + 1
            raise ValueError(f"a chart's levels must rise, got {level[row - 1]} then {level[row]} mm in row {row}")
        level.flags.writeable = volume.flags.writeable = False
        object.__setattr__(self, "level_mm", level)
        object.__setattr__(self, "volume_l", volume)
        object.__setattr__(self, "_cells", _cells_of(level, volume))


def nominal_chart(
    tank: geometry.TankShape,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    roll_deg: float = 0.0,
    step_mm: float = 5.0,
) -> Chart:
    """Give the chart of the nominal tank; options and error (below 0.1 l) are those of `geometry.gauge_table`."""
    levels, volumes = geometry.gauge_table(
        tank, tilt_mm_per_m=tilt_mm_per_m, probe_position_mm=probe_position_mm, roll_deg=roll_deg, step_mm=step_mm
    )
    return Chart(levels, volumes)


def chart_volume_l(level_mm: ArrayLike, chart: Chart) -> FloatOrArray:
    """Litres below `level_mm` by the chart, straight lines between its rows [l].

    Parameters
    ----------
    level_mm : float or ndarray
        [mm]
    chart : Chart

    Returns
    -------
    float or ndarray
        [l]. NaN where `level_mm` is NaN or outside the chart's first and last row: never clamped.

    Notes
    -----
    Equal cells of level, each of which knows its first row: no search. About 10 ns a level on one core, in any order.
    """
    levels = as_floats(level_mm)
    flat = levels.ravel()
    litres = np.empty(flat.shape)
    for start in range(0, flat.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        litres[part] = _look_up(flat[part], chart)
    return like_inputs(litres.reshape(levels.shape), level_mm)


def chart_level_mm(volume_l: ArrayLike, chart: Chart) -> FloatOrArray:
    """Level at which the chart holds `volume_l`: the inverse of `chart_volume_l` [mm].

    NaN where the volume is NaN or outside the chart's.

    Raises
    ------
    ValueError : if the chart's volumes do not rise strictly, so that a volume has no one level.
    """
    if not (np.diff(chart.volume_l) > 0.0).all():
        raise ValueError("a level cannot be read from a chart whose volumes do not rise")
    level = np.interp(as_floats(volume_l), chart.volume_l, chart.level_mm, left=np.nan, right=np.nan)
    return like_inputs(level, volume_l)


def chart_slope_l_per_mm(level_mm: ArrayLike, chart: Chart) -> FloatOrArray:
    """Litres that a millimetre stands for at `level_mm`, from a smooth curve through the rows [l/mm].

    The slope of the monotone cubic (PCHIP) through the rows: continuous, and never negative on a rising chart. NaN
    outside the chart.

    References
    ----------
    .. [1] F. Fritsch, R. Carlson, "Monotone piecewise cubic interpolation", SIAM Journal on Numerical Analysis 17
       (1980) 238-246, DOI 10.1137/0717021.
    """
    curve = PchipInterpolator(chart.level_mm, chart.volume_l, extrapolate=False)
    return like_inputs(curve(as_floats(level_mm), nu=1), level_mm)


def water_bottom_l(water_mm: ArrayLike, chart: Chart) -> FloatOrArray:
    """Litres of water below `water_mm` by the same chart [l].

    No water (0 mm) is 0 l where the chart starts higher up; a film between 0 and the chart's first row is not known,
    NaN, as is an unknown level.
    """
    water = as_floats(water_mm)
    litres = as_floats(chart_volume_l(water, chart))
    dry = (water == 0.0) & (chart.level_mm[0] > 0.0)
    return like_inputs(np.where(dry, 0.0, litres), water_mm)


def product_volume_l(level_mm: ArrayLike, water_mm: ArrayLike, chart: Chart) -> FloatOrArray:
    """Litres of product: what is below its surface less the water, both by the chart, at ambient temperature [l].

    NaN where either level is NaN or outside the chart, or the water stands above the product. Where a tank has no
    water probe and is known to be dry, pass 0.
    """
    level, water = as_floats(level_mm), as_floats(water_mm)
    litres = as_floats(chart_volume_l(level, chart)) - as_floats(water_bottom_l(water, chart))
    return like_inputs(np.where(water <= level, litres, np.nan), level_mm, water_mm)


@dataclass(frozen=True)
class ChartFinding:
    """Something odd about a chart.

    `name` is one of `not_rising`, `jump_between_rows`, `above_capacity`, `disagrees_with_geometry`; `level_mm` says
    where, `litres` how much (row less what was expected), `message` says it in one line.
    """

    name: str
    level_mm: float
    litres: float
    message: str


def chart_findings(
    chart: Chart,
    tank: geometry.TankShape,
    capacity_l: float,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    jump_share: float = 0.25,
    jump_of_capacity: float = 0.001,
    over_capacity: float = 0.005,
    disagreement: float = 0.02,
) -> list[ChartFinding]:
    """List what is odd about `chart`, from the bottom up; an empty list if nothing is.

    Parameters
    ----------
    chart, tank : Chart, geometry.TankShape
    capacity_l : float
        Stated capacity [l].
    tilt_mm_per_m, probe_position_mm : float
        How the tank is said to lie.
    jump_share, jump_of_capacity : float
        A step between rows is a jump if it misses its neighbours' trend by more than this share of itself and of the
        capacity (common practice, no source).
    over_capacity, disagreement : float
        Shares of the capacity by which a row may pass it, or differ from the nominal geometry: charts are good to
        0.3 to 1 %, a tilt that nobody wrote down costs 1 to 3 % (common practice, no source).
    """
    nominal = as_floats(
        geometry.volume_l(chart.level_mm, tank, tilt_mm_per_m=tilt_mm_per_m, probe_position_mm=probe_position_mm)
    )
    findings = _not_rising(chart) + _jumps(chart, nominal, jump_share, jump_of_capacity * capacity_l)
    over = chart.volume_l - capacity_l
    worst = int(np.argmax(over))
    if over[worst] > over_capacity * capacity_l:
        findings.append(
            _finding("above_capacity", chart, worst, float(over[worst]), f"the stated capacity, {capacity_l:.0f} l")
        )
    apart = chart.volume_l - nominal
    if np.isfinite(apart).any():
        worst = int(np.nanargmax(np.abs(apart)))
        if abs(apart[worst]) > disagreement * capacity_l:
            expected = f"the nominal geometry, {nominal[worst]:.0f} l"
            findings.append(_finding("disagrees_with_geometry", chart, worst, float(apart[worst]), expected))
    return sorted(findings, key=lambda finding: finding.level_mm)


def _not_rising(chart: Chart) -> list[ChartFinding]:
    """Rows that hold no more than the row below."""
    step = np.diff(chart.volume_l)
    return [
        _finding("not_rising", chart, int(row) + 1, float(step[row]), f"the row below, {chart.volume_l[row]:.1f} l")
        for row in np.flatnonzero(step <= 0.0)
    ]


def _jumps(chart: Chart, nominal: FloatArray, share: float, least_l: float) -> list[ChartFinding]:
    """Steps that leave the trend of the steps around them, measured against the nominal tank's own steps."""
    step, expected = np.diff(chart.volume_l), np.diff(nominal)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(expected > 0.0, step / expected, np.nan)
    if ratio.size < 5 or not np.isfinite(ratio).all():
        return []
    padded = np.pad(ratio, 2, mode="reflect")
    trend = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1) * expected
    miss = step - trend
    odd = (np.abs(miss) > least_l) & (np.abs(miss) > share * np.abs(trend)) & (step > 0.0)
    return [
        _finding("jump_between_rows", chart, int(row) + 1, float(miss[row]), f"the steps around, {trend[row]:.1f} l")
        for row in np.flatnonzero(odd)
    ]


def _finding(name: str, chart: Chart, row: int, litres: float, expected: str) -> ChartFinding:
    """Put a finding into words."""
    level = float(chart.level_mm[row])
    message = f"{name}: {chart.volume_l[row]:.1f} l at {level:g} mm against {expected}: {litres:+.1f} l"
    return ChartFinding(name, level, litres, message)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Equal cells of level: the first row of each, and each row's line."""

    low: float
    high: float
    per_mm: float
    first_row: NDArray[np.intp]
    hops: int
    next_level: FloatArray
    slope: FloatArray
    intercept: FloatArray


def _cells_of(level: FloatArray, volume: FloatArray) -> _Cells:
    """Index a chart by equal cells, fine enough that a cell seldom holds more than one row."""
    span = level[-1] - level[0]
    cells = int(np.clip(np.ceil(span / np.diff(level).min()), level.size, _MOST_CELLS))
    edges = level[0] + np.arange(cells + 1) * (span / cells)
    first_row = np.clip(np.searchsorted(level, edges, side="right") - 1, 0, level.size - 2)
    slope = np.diff(volume) / np.diff(level)
    return _Cells(
        low=float(level[0]),
        high=float(level[-1]),
        per_mm=cells / span,
        first_row=first_row.astype(np.intp),
        hops=int(np.diff(first_row).max(initial=0)),
        next_level=np.append(level[1:-1], np.inf),
        slope=slope,
        intercept=volume[:-1] - slope * level[:-1],
    )


def _look_up(level: FloatArray, chart: Chart) -> FloatArray:
    """Litres of one block of levels."""
    cells = chart._cells
    inside = (level >= cells.low) & (level <= cells.high)
    at = np.where(inside, level, cells.low)
    row = cells.first_row[((at - cells.low) * cells.per_mm).astype(np.intp)]
    for _ in range(cells.hops):
        row += at >= cells.next_level[row]
    litres = cells.slope[row] * at + cells.intercept[row]
    litres[~inside] = np.nan
    return litres
