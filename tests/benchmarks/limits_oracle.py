"""The best test there could be of a tank's balance, by the simulator's own noise; and statements beside it.

The balance of a tank on hours k, in litres at 15 °C: y = gauge stock + sold - ticketed = level + x θ + e, e normal
with covariance Σ. The best unbiased estimate of θ is that of generalised least squares, and no unbiased one has less
variance (Cramér-Rao, e being normal): with the level unknown, var θ = 1 / I, I = x'Σ⁻¹x - (x'Σ⁻¹1)² / (1'Σ⁻¹1). The
most powerful test of one course x of litres of known size against none (Neyman-Pearson) finds it with 95 % at 5 % false
alarms when √I ≥ 3.29, the two normal quantiles' sum. So the least leak that could be told is 3.29 / √I with x the hours
since the month began, and √I of a fault's own litres says whether it could be told at all (`limits_above`).

Σ is what `pipeline.simulate` puts between the product and the rows (sensors, stock, metering, tickets), term by term:

- of each gauge, A its litres a millimetre, n samples in the hour: white noise A²(w² + q²/12) / n, w the larger
  `ripple_mm` too while a hose is open and for `ripple_tau_s` after (by the mean of 1/variance), q the resolution, as if
  rounding were noise (it is not where noise is finer than q: the bound is then lower than can be had);
- a historian that tells changes of d alone leaves each hour's level anywhere within ± d: A²d²/3;
- coloured noise A²s² of correlation exp(-t/tau), averaged over the half hour;
- wander: `wander_l` a root hour that comes back over 72 h, so variance 36 `wander_l`², correlation exp(-t/72 h);
- thermometer: βV times an error whose rate has SD `temp_rate_c_per_h` and correlates over 20 h, forgotten over 120 h;
  its constant offset (SD 0.18 K), its own noise and resolution, and the layers after a drop (0.08 of the step, 5 h);
- meters: repeatability 30 r² litres² a litre sold; carriers: 0.15 % of each drop and 5 l, a step at the drop.

Three oracles. `true temperatures` leaves out all that the thermometer adds, `known` leaves it in: both know chart,
meters, expansion, vapour and shell. `same data` knows of these no more than the spread from which they are drawn: each
meter 0.17 %; the chart's scale 0.3 %, slope 0.3 % over 300 mm, and height 1.1 mm; the coefficient of expansion 2 %; the
shell's share 0.04 % (over 3 h); of petrol, vapour 0.012 % of sales and 0.0144 l/h. All have the month before to learn
from, as the statement has. The hour of a drop and the next half are left out; so are silences above an hour and a half.

That Σ is the simulator's was checked by the `known` estimate itself, true chart, meters and movements put in, over the
18 tanks that stand alone of seed 402: its z-scores had mean +0.4 and SD 1.1, with true temperatures +0.1 and 1.1.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky
from scipy.signal import lfilter

from pipeline.backtest.injection.levels import habit_of
from pipeline.physics.products import expansion_per_k
from pipeline.simulate import simulate_fleet
from tests.benchmarks.limits_fleets import MONTH, START, Figure, made_of
from tests.support.fleets import Tables

Floats = NDArray[np.float64]

TOLD = 3.29
"""Normal quantiles of 95 % detection and 5 % false alarms, added up."""
SILENCE_S = 5400.0
DROP_L = 1500.0
KNOWS = ("true temperatures", "known", "same data")


@dataclass(frozen=True)
class Gauge:
    """One gauge of a pool on the grid: litres a millimetre, litres and level of its tank, samples a step, truth."""

    surface: Floats
    stock: Floats
    level: Floats
    depth: float
    samples: float
    hidden_mm: float
    truth: Mapping[str, float]


@dataclass(frozen=True)
class Course:
    """A pool of tanks on a grid of times: what the noise of its balance goes by. Arrays (n,), `at_s` since 1970."""

    at_s: Floats
    step_s: float
    stock: Floats
    temp_c: Floats
    busy: Floats
    sold: Mapping[str, Floats]
    drops: tuple[tuple[float, float, float], ...]
    gauges: tuple[Gauge, ...]
    beta: float
    repeatability: float
    is_petrol: bool

    @property
    def hours(self) -> Floats:
        """Hours since the first."""
        return (self.at_s - self.at_s[0]) / 3600.0

    @property
    def all_sold(self) -> Floats:
        """Litres sold so far through all hoses."""
        return np.asarray(np.sum(list(self.sold.values()), axis=0)) if self.sold else np.zeros(len(self.at_s))


def course_of(frames: Tables, pool: str, *, step_s: float = 3600.0) -> Course:
    """The pool's course, from the lake and the truth beside it."""
    tanks = frames["_truth"].filter(pl.col("pool") == pool).sort("tank_id")
    names = tanks["tank_id"].to_list()
    stock = frames["_truth_stock"].filter(pl.col("pool") == pool).sort("ts")
    hour_s, litres = _seconds(stock["ts"]), stock["product_l"].to_numpy()
    risen, warmed = np.diff(stock["stock_15_l"].to_numpy()), np.diff(stock["temp_c"].to_numpy())
    at = np.flatnonzero(risen > DROP_L)
    drops = tuple((float(hour_s[k]), float(risen[k]), float(warmed[k])) for k in at)
    grid = np.arange(hour_s[0] + step_s / 2.0, hour_s[-1], step_s)
    rows = frames["readings"].filter(pl.col("tank_id") == names[0], pl.col("quality") != "bad")
    read = _seconds(rows["ts"].unique().sort())
    after = np.searchsorted(read, grid)
    inside = (after > 0) & (after < len(read))
    keep = inside & (read[np.minimum(after, len(read) - 1)] - read[np.maximum(after - 1, 0)] < SILENCE_S)
    for start, _, _ in drops:
        keep &= (grid < start) | (grid > start + 3600.0 + 0.5 * step_s)
    grid = grid[keep]
    feeds = frames["meter_feeds"].filter(pl.col("tank_id").is_in(names)).select("meter_id", "share").unique("meter_id")
    sales = frames["sales"].join(feeds, on="meter_id").filter(pl.col("kind") == "sale").sort("ts_end")
    held = np.interp(grid, hour_s, litres) / len(names)
    product = str(frames["tanks"].filter(pl.col("tank_id") == names[0])["product"][0])
    temp = np.interp(grid, hour_s, stock["temp_c"].to_numpy())
    meters = frames["_truth_meters"].join(feeds, on="meter_id")["repeatability"].to_numpy()
    usual_s = max(float(np.quantile(np.diff(read), 0.05)), 30.0)
    return Course(
        at_s=grid, step_s=step_s, stock=held * len(names), temp_c=temp, busy=_busy(sales, grid, step_s),
        sold={str(key[0]): _sold(part, grid) for key, part in sales.partition_by("meter_id", as_dict=True).items()},
        drops=drops, gauges=tuple(_gauge(frames, row, held, step_s / usual_s) for row in tanks.iter_rows(named=True)),
        beta=float(np.asarray(expansion_per_k(product, float(temp.mean())))),
        repeatability=float(np.sqrt(np.mean(meters**2))) if len(meters) else 0.0,
        is_petrol=product.startswith("gasoline"),
    )  # fmt: skip


def until(course: Course, at_s: float) -> Course:
    """The course as it stood at an instant."""
    keep = course.at_s < at_s
    parts = [
        dataclasses.replace(one, surface=one.surface[keep], stock=one.stock[keep], level=one.level[keep])
        for one in course.gauges
    ]
    return dataclasses.replace(
        course, at_s=course.at_s[keep], stock=course.stock[keep], temp_c=course.temp_c[keep], busy=course.busy[keep],
        sold={name: sold[keep] for name, sold in course.sold.items()}, gauges=tuple(parts),
    )  # fmt: skip


def _seconds(at: pl.Series) -> Floats:
    return at.dt.timestamp("us").to_numpy() / 1e6


def _sold(sales: pl.DataFrame, grid: Floats) -> Floats:
    total = np.concatenate([[0.0], np.cumsum((sales["volume_l"] * sales["share"]).to_numpy())])
    return total[np.searchsorted(_seconds(sales["ts_end"]), grid)]


def _busy(sales: pl.DataFrame, grid: Floats, step_s: float) -> Floats:
    """Share of each step with a hose open or just closed (three minutes)."""
    edges = np.append(grid - step_s / 2.0, np.inf)
    place = np.searchsorted(edges, _seconds(sales["ts_end"]), "right") - 1
    lasts = _seconds(sales["ts_end"]) - _seconds(sales["ts_start"]) + 180.0
    here = (place >= 0) & (place < len(grid))
    return np.minimum(np.bincount(place[here], lasts[here], len(grid)) / step_s, 1.0)


def _gauge(frames: Tables, row: Mapping[str, object], held: Floats, samples: float) -> Gauge:
    chart = frames["strapping"].filter(pl.col("tank_id") == row["tank_id"])
    chart = chart.filter(pl.col("valid_from") == pl.col("valid_from").min()).sort("level_mm")
    levels, litres = chart["level_mm"].to_numpy(), chart["volume_l"].to_numpy()
    level = np.interp(held, litres, levels)
    surface = (np.interp(level + 25.0, levels, litres) - np.interp(level - 25.0, levels, litres)) / 50.0
    truth = {name: float(value) for name, value in row.items() if isinstance(value, int | float)}
    return Gauge(surface, held, level, float(levels[-1]), max(samples, 1.0), _hidden_mm(frames, row["tank_id"]), truth)


def _hidden_mm(frames: Tables, tank_id: object) -> float:
    """The change of level below which a tank's historian tells nothing, as its rows show it; 0 where it tells all."""
    good = (pl.col("tank_id") == tank_id) & (pl.col("quality") == "good") & pl.col("level_mm").is_not_null()
    rows = frames["readings"].filter(good).unique("ts").sort("ts")
    habit = habit_of(_seconds(rows["ts"]), rows["level_mm"].to_numpy())
    return habit.step_mm if habit.is_on_change or habit.is_held else 0.0


def covariance(course: Course, knows: str) -> Floats:
    """Σ of a pool's balance for an oracle that knows so much. Shape (n, n). [l²]"""
    hours, count = course.hours, len(course.at_s)
    apart = np.abs(hours[:, None] - hours[None, :])
    sigma, columns = np.zeros((count, count)), [np.zeros(count)]
    for gauge in course.gauges:
        sigma += _gauge_noise(course, gauge, apart)
        if knows != "true temperatures":
            heat, layers = _thermometer(course, gauge, apart)
            sigma += heat
            columns += layers
        if knows == "same data":
            sigma += chart_covariance(gauge)
            columns += [gauge.stock * 0.003, gauge.surface * 1.1]
    sold = course.all_sold
    sigma += 30.0 * course.repeatability**2 * np.minimum(sold[:, None], sold[None, :])
    columns += [np.hypot(0.0015 * litres, 5.0) * (course.at_s > start) for start, litres, _ in course.drops]
    if knows == "same data":
        columns += [0.0017 * litres for litres in course.sold.values()]
        columns += [0.02 * course.beta * course.stock * (course.temp_c - 15.0), 0.0004 * _ahead(course)]
        if course.is_petrol:
            columns += [0.00012 * sold, 0.0144 * course.hours]
    wide = np.column_stack(columns)
    return sigma + wide @ wide.T


def _ahead(course: Course) -> Floats:
    """How far the stock is ahead of a shell that follows it over three hours. [l]"""
    hour_s = course.at_s[0] + 3600.0 * np.arange(int(course.hours[-1]) + 2)
    litres = np.interp(hour_s, course.at_s, course.stock)
    keep = np.exp(-1.0 / 3.0)
    behind, _ = lfilter([1.0 - keep], [1.0, -keep], litres, zi=[keep * litres[0]])
    return np.interp(course.at_s, hour_s, litres - behind)


def _gauge_noise(course: Course, gauge: Gauge, apart: Floats) -> Floats:
    truth, hour = gauge.truth, course.step_s / 3600.0
    still = truth["white_mm"] ** 2 + truth["resolution_mm"] ** 2 / 12.0
    known = (1.0 - course.busy) / still + course.busy / (still + truth["ripple_mm"] ** 2)
    white = gauge.surface**2 * (1.0 / known / gauge.samples + gauge.hidden_mm**2 / 3.0)
    tau = truth["coloured_tau_s"] / course.step_s
    gone = 1.0 - np.exp(-1.0 / tau)
    lags = np.round(apart / hour)
    coloured = truth["coloured_mm"] ** 2 * (tau * gone) ** 2 * np.exp(-np.maximum(lags - 1.0, 0.0) / tau)
    np.fill_diagonal(coloured, truth["coloured_mm"] ** 2 * 2.0 * tau * (1.0 - tau * gone))
    wander = 36.0 * truth["wander_l"] ** 2 * np.exp(-apart / 72.0)
    return np.outer(gauge.surface, gauge.surface) * coloured + wander + np.diag(white)


def _thermometer(course: Course, gauge: Gauge, apart: Floats) -> tuple[Floats, list[Floats]]:
    truth, litres_per_k = gauge.truth, course.beta * gauge.stock
    keep, memory = np.exp(-1.0 / 20.0), np.exp(-1.0 / 120.0)
    hours = np.arange(3000.0)
    # What one shock of the rate, and then its own memory of 20 h, leaves in a temperature that forgets over 120 h.
    answer = (keep ** (hours + 1.0) - memory ** (hours + 1.0)) / (keep - memory)
    shock = truth["temp_rate_c_per_h"] ** 2 * (1.0 - keep**2)
    lagged = shock * np.array([answer[: len(answer) - lag] @ answer[lag:] for lag in range(1500)])
    slow = np.interp(apart, np.arange(1500.0), lagged)
    fine = truth["temp_noise_c"] ** 2 + truth["temp_resolution_c"] ** 2 / 12.0
    sigma = np.outer(litres_per_k, litres_per_k) * (slow + 0.18**2) + np.diag(litres_per_k**2 * fine / gauge.samples)
    layers = []
    for start, _, change in course.drops:
        since = (course.at_s - start) / 3600.0
        near = (since >= 0.0) & (since < 48.0)
        layers.append(litres_per_k * 0.08 * change * np.where(near, np.exp(-np.maximum(since, 0.0) / 5.0), 0.0))
    return sigma, layers


def chart_covariance(gauge: Gauge) -> Floats:
    """What a slope off by 0.3 % over some 300 mm does to the litres between two levels."""
    middles = np.arange(5.0, gauge.depth + 10.0, 10.0)
    slopes = 0.003**2 * np.exp(-0.5 * ((middles[:, None] - middles[None, :]) / 300.0) ** 2)
    order = np.argsort(gauge.level)
    surface = np.interp(middles, gauge.level[order], gauge.surface[order])
    held = 10.0 * surface[None, :] * (middles[None, :] <= middles[:, None])
    table = held @ slopes @ held.T
    place = np.clip((gauge.level - middles[0]) / 10.0, 0.0, len(middles) - 1.001)
    low, share = place.astype(int), place % 1.0
    rows = table[low] * (1.0 - share[:, None]) + table[low + 1] * share[:, None]
    return np.asarray(rows[:, low] * (1.0 - share) + rows[:, low + 1] * share)


def information(courses: Floats, sigma: Floats) -> Floats:
    """I of each course of litres (n, m), the level unknown. Shape (m,)."""
    factor = cholesky(sigma, lower=True, overwrite_a=False, check_finite=False)
    columns = np.column_stack([np.ones(len(sigma)), courses])
    solved = cho_solve((factor, True), columns)
    every = columns.T @ solved
    return np.diag(every)[1:] - every[0, 1:] ** 2 / every[0, 0]


def oracle_sd(course: Course, knows: str, since_s: float) -> float:
    """SD of the best estimate of a leak that began at an instant. [l/h]"""
    leaked = np.maximum(course.at_s - since_s, 0.0) / 3600.0
    return float(information(leaked[:, None], covariance(course, knows))[0] ** -0.5)


def oracle(seeds: Sequence[int]) -> list[Figure]:
    """The lines of statements against the three oracles, on fleets as they are drawn."""
    rows = []
    for seed in seeds:
        frames = simulate_fleet(20, 61, seed=seed, causes=[], start=START)
        month = made_of(frames)["statements"].filter(pl.col("month") == MONTH)
        since_s = float(_seconds(pl.Series([MONTH]).cast(pl.Datetime("us")))[0])
        for pool, names in frames["_truth"].group_by("pool", maintain_order=True).agg("tank_id").iter_rows():
            said = month.filter(pl.col("tank_id") == min(names))
            course = course_of(frames, pool)
            best = {knows: oracle_sd(course, knows, since_s) for knows in KNOWS}
            rows.append({"tank": f"{seed} {min(names)}", "noise": said_noise(frames, names), **best, **_said(said)})
    table = pl.DataFrame(rows, infer_schema_length=None)
    with pl.Config(tbl_rows=-1, tbl_cols=-1, tbl_width_chars=180, float_precision=3, tbl_formatting="ASCII_MARKDOWN",
                   tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True):  # fmt: skip
        print(table.with_columns(**{f"ratio, {name}": pl.col("sd") / pl.col(name) for name in KNOWS}))
    return _ratio_lines(table)


def said_noise(frames: Tables, names: Sequence[str]) -> str:
    """The gauge's class of noise and its resolution."""
    row = frames["_truth"].filter(pl.col("tank_id") == min(names)).row(0, named=True)
    return f"{row['noise_class']} {row['resolution_mm']:g} mm"


def _said(rows: pl.DataFrame) -> dict[str, object]:
    if not rows.height:
        return {"sd": None, "leak": None, "verdict": None}
    row = rows.row(0, named=True)
    detectable = row["detectable_l_per_h"]
    known = detectable is not None and np.isfinite(detectable) and row["leak_rate_l_per_h"] is not None
    return {"sd": detectable / TOLD if known else None, "leak": row["leak_rate_l_per_h"], "verdict": row["verdict"]}


def _ratio_lines(table: pl.DataFrame) -> list[Figure]:
    told = table.filter(pl.col("verdict") == "pass")
    leak, sd = told["leak"].to_numpy(), told["sd"].to_numpy()
    spread = 1.4826 * float(np.median(np.abs(leak - np.median(leak))))
    wider = 1.4826 * float(np.median(np.abs((leak - np.median(leak)) / sd)))
    lines = [
        Figure("tanks that pass, of all", f"{told.height} of {table.height}", "-"),
        Figure("scatter of their rates over tanks, times 3.29", f"{TOLD * spread:.3f} l/h", "-"),
        Figure("   mean rate (vapour is part of it)", f"{leak.mean():+.3f} l/h", "-"),
        Figure("   scatter in the SDs that they state", f"{wider:.2f}", "1"),
    ]
    for knows in KNOWS:
        ratio = sd / told[knows].to_numpy()
        middle, worst = float(np.median(ratio)), float(np.quantile(ratio, 0.9))
        best = TOLD * float(np.median(told[knows].to_numpy()))
        name = f"SD stated over the oracle's, {knows}"
        lines.append(Figure(f"{name}: median", f"{middle:.2f} ({best:.3f} l/h)", "<= 1.4", middle <= 1.4))
        lines.append(Figure("   worst decile", f"{worst:.2f}", "<= 1.4", worst <= 1.4))
        root = float(np.sqrt(np.mean((leak - leak.mean()) ** 2 / told[knows].to_numpy() ** 2)))
        robust = 1.4826 * float(np.median(np.abs(leak - np.median(leak)) / told[knows].to_numpy()))
        said = f"robust {robust:.2f}, root mean square {root:.2f}"
        lines.append(Figure("   rates' own scatter over the oracle's", said, "<= 1.4", robust <= 1.4))
    return lines
