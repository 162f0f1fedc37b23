"""Hoses a little off, drops a little short, and what a coarse historian costs: as a whole run names and states them."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipeline.backtest.injection.fault import DAY_S, Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import share_interval
from pipeline.ledger.fleet import unit_members
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Window
from pipeline.simulate.settings import FleetSettings
from tests.benchmarks.limits_fleets import (
    DAYS_A_MONTH,
    MONTH,
    START,
    Figure,
    contract,
    made_of,
    sure,
    typical_fleet,
    with_sites,
)
from tests.benchmarks.limits_oracle import TOLD, course_of, covariance, information, until
from tests.support.fleets import Tables

LEARN_DAYS = 31
SHARE = 0.12
HOSES = ((0.5, 17.0), (0.3, 45.0))
"""How far a hose is off [%], and within how many days it is wanted."""
HOSES_A_TANK = 8.0
SHORT_L = 115.0
SAFE_FILL_L = 18_500.0
"""So filled, tanks of 30,000 l take drops of about 10,000 l."""
SHORT_AFTER_DAYS = (0.0, 14.0)


def begun() -> datetime:
    """When faults set in: after a month's learning."""
    return datetime(START.year, START.month, START.day, tzinfo=UTC) + timedelta(days=LEARN_DAYS)


def hose_shares(frames: Tables) -> pl.DataFrame:
    """Each hose that draws on one tank alone and that nobody calibrated, with its share of the tank's sales."""
    fed = frames["meter_feeds"].filter(pl.col("share") == 1.0).select("meter_id", "tank_id").unique()
    sold = frames["sales"].filter(pl.col("kind") == "sale").group_by("meter_id").agg(pl.col("volume_l").sum())
    shares = fed.join(sold, on="meter_id").with_columns(
        share=pl.col("volume_l") / pl.col("volume_l").sum().over("tank_id")
    )
    touched = frames["events"].filter(pl.col("kind") == "meter_calibrated")["meter_id"].drop_nulls().to_list()
    return shares.filter(~pl.col("meter_id").is_in(touched)).sort("tank_id", "meter_id")


def chosen_hoses(frames: Tables) -> pl.DataFrame:
    """Of each tank the hose whose share is nearest the one that is wanted, by a third at most."""
    off = (pl.col("share") / SHARE).log().abs()
    near = hose_shares(frames).with_columns(off=off).filter(pl.col("off") < np.log(4.0 / 3.0))
    return near.sort("tank_id", "off", "meter_id").unique("tank_id", keep="first", maintain_order=True)


def hoses_of(frames: Tables, percent: float, seed: int) -> pl.DataFrame:
    """What is said of each tank one of whose hoses is off, one tank up, the next down: `delay` days, `right` hose."""
    start = begun()
    wanted = chosen_hoses(frames)
    faults = [
        Injection(
            "meter_drift", row["tank_id"], start.timestamp(), percent * (-1.0) ** number, meter_id=row["meter_id"]
        )
        for number, row in enumerate(wanted.iter_rows(named=True))
    ]
    cases = sure(made_of(inject(contract(frames), faults, seed=seed).frames)["cases"], ["meter_drift"])
    rows = []
    for row in wanted.iter_rows(named=True):
        mine = cases.filter(pl.col("tank_id") == row["tank_id"], pl.col("raised_on") >= start.date())
        right = mine.filter(pl.col("meter_id") == row["meter_id"])
        delay = (right["raised_on"][0] - start.date()).days if right.height else None
        rows.append({"share": row["share"], "delay": delay, "named": mine.height > 0,
                     "right": mine.height > 0 and mine["meter_id"][0] == row["meter_id"]})  # fmt: skip
    return pl.DataFrame(rows, schema={"share": pl.Float64, "delay": pl.Int64, "named": pl.Boolean, "right": pl.Boolean})


def hose_limits(frames: Tables, days: float) -> list[float]:
    """The least errors of the chosen hoses that the best test could tell by then, from the same data. [%]"""
    start_s = begun().timestamp()
    found = []
    for row in chosen_hoses(frames).iter_rows(named=True):
        course = until(course_of(frames, row["tank_id"]), start_s + DAY_S * days)
        sold = course.sold[row["meter_id"]]
        given = 0.01 * np.maximum(sold - np.interp(start_s, course.at_s, sold), 0.0)
        found.append(TOLD * float(information(given[:, None], covariance(course, "same data"))[0] ** -0.5))
    return found


def best_share(limits: Sequence[float], percent: float) -> float:
    """Share of such errors that the best sequential test would name by then, at a false alarm in 100 tank-months.

    To first order it names a fault once I / 2, I the squared error in its SDs, reaches the log of the mean time between
    false alarms, in looks (G. Lorden, "Procedures for reacting to a change in distribution", Annals of Mathematical
    Statistics 42 (1971) 1897-1908): a look a day at each of `HOSES_A_TANK`. What is left is the estimate's own scatter.
    """
    needed = np.sqrt(2.0 * np.log(100.0 * DAYS_A_MONTH * HOSES_A_TANK))
    return float(np.mean(ndtr(TOLD * percent / np.array(limits) - needed)))


def drop_limits(frames: Tables) -> list[float]:
    """The least shortages of single drops, a month learned, that the best test could tell from the same data. [l]"""
    found = []
    for tank in frames["tanks"]["tank_id"]:
        course = course_of(frames, tank)
        late = [start for start, _, _ in course.drops if begun().timestamp() < start < course.at_s[-1] - 2 * DAY_S]
        steps = np.column_stack([(course.at_s > start).astype(float) for start in late])
        found += (TOLD / np.sqrt(information(steps, covariance(course, "same data")))).tolist()
    return found


def _share(count: int, whole: int) -> str:
    low, high = share_interval(count, whole)
    return f"{count} of {whole}: {count / max(whole, 1):.2f} ({low:.2f} to {high:.2f})"


def hoses(seeds: Sequence[int]) -> list[Figure]:
    """The lines of hoses that are a little off."""
    lines, last = [], int(HOSES[-1][1])
    fleets = {seed: typical_fleet(15, LEARN_DAYS + last + 3, seed=seed) for seed in seeds}
    false = sum(sure(made_of(frames)["cases"], ["meter_drift"]).height for frames in fleets.values())
    for percent, days in HOSES:
        every = pl.concat(hoses_of(frames, percent, seed) for seed, frames in fleets.items())
        name = f"a hose of {every['share'].mean():.0%} off by {percent:g} %"
        limits = [least for frames in fleets.values() for least in hose_limits(frames, days)]
        soon, right, named = (every.filter(here).height for here in (pl.col("delay") <= days, "right", "named"))
        half = every["delay"].fill_null(10_000).median()
        said = "never for half" if half is None or half > 9_999 else f"{half:.0f} d"
        lines += [
            Figure(f"{name}: named, right hose, within {days:.0f} d", _share(soon, every.height),
                   f"half; limit by then {np.median(limits):.2f} %; the best test {best_share(limits, percent):.0%}",
                   2 * soon >= every.height),
            Figure(f"{name}: median days until named", said, f"<= {days:.0f}", bool(half and half <= days)),
            Figure(f"{name}: of those named a drift, right hose first",
                   _share(right, named), "0.90", right >= 0.9 * named if named else None),
        ]  # fmt: skip
    lines.append(Figure("drifting hoses named in the same fleets undisturbed", f"{false}", "0", not false))
    return lines


def drops(seeds: Sequence[int]) -> list[Figure]:
    """The lines of drops that are a little short, and of sound ones."""
    found, whole, sizes, known, false, sound = 0, 0, [], {True: [0, 0], False: [0, 0]}, 0, 0
    limits: list[float] = []
    for seed in seeds:
        frames = typical_fleet(15, 62, seed=seed, safe_fill_l=SAFE_FILL_L)
        limits += drop_limits(frames)
        starts = [begun().timestamp() + DAY_S * days for days in SHORT_AFTER_DAYS]
        tanks = frames["tanks"]["tank_id"].to_list()
        made = inject(
            contract(frames),
            [Injection("short_delivery", tank, at, SHORT_L) for tank in tanks for at in starts],
            seed=seed,
        ).frames
        cases = sure(made_of(made)["cases"], ["short_delivery"])["delivery_id"].to_list()
        rows = made["labels"].filter(pl.col("label_id").str.starts_with("INJ-")).join(
            made["deliveries"].select("delivery_id", "ticket_volume_l", "ticket_temp_c"), on="delivery_id"
        )  # fmt: skip
        for row in rows.iter_rows(named=True):
            is_found = row["delivery_id"] in cases
            found, whole = found + is_found, whole + 1
            sizes.append(row["ticket_volume_l"])
            known[row["ticket_temp_c"] is not None][0] += is_found
            known[row["ticket_temp_c"] is not None][1] += 1
        undisturbed = made_of(frames)
        false += sure(undisturbed["cases"], ["short_delivery", "over_delivery"]).height
        sound += undisturbed["drops"].filter(pl.col("delivery_id").is_not_null()).height
    name = f"a drop of {np.median(sizes):.0f} l short by {SHORT_L:g} l"
    rate = 500.0 * false / max(sound, 1)
    return [
        Figure(f"{name}: named", _share(found, whole), f"0.95; limit {np.median(limits):.0f} l", found >= 0.95 * whole),
        Figure("   its ticket tells the temperature", _share(*known[True]), "0.95"),
        Figure("   its ticket tells none", _share(*known[False]), "-"),
        Figure("sound drops called short or over, per 500", f"{false} of {sound}: {rate:.1f}", "<= 1", rate <= 1.0),
    ]


CLEAN: dict[str, object] = {"mode": "regular", "missing_share": 0.0, "outages_per_month": 0.0}
WORN: dict[str, object] = {"mode": "exception", "deadband_mm": 0.25, "heartbeat_s": 3600.0, "missing_share": 0.2,
                           "till_offset_s": 180.0}  # fmt: skip
COARSE: dict[str, object] = {"mode": "exception", "deadband_mm": 1.0, "heartbeat_s": 3600.0}


def month_of(frames: Tables) -> pl.DataFrame:
    """The second month's statements, one a pool of tanks."""
    first = [members[0] for members in unit_members(frames["tanks"])]
    rows = made_of(frames)["statements"].filter(pl.col("month") == MONTH, pl.col("tank_id").is_in(first))
    return rows.with_columns(pl.col("detectable_l_per_h").fill_nan(None)).sort("tank_id")


def deadbands(seeds: Sequence[int]) -> list[Figure]:
    """The lines of coarse reporting: the same fleets, as drawn but for their historians and tills."""
    settings = FleetSettings()
    ratios, off, verdicts, plain = [], {"clean": [], "worn": []}, [], []
    for seed in seeds:
        fleet = draw_fleet(Window(START, 61), 15, seed, settings)
        clean = month_of(with_sites(fleet, settings, **CLEAN))
        worn = month_of(with_sites(fleet, settings, **CLEAN | WORN))
        coarse = month_of(with_sites(fleet, settings, **CLEAN | COARSE))
        ratios += (worn["detectable_l_per_h"] / clean["detectable_l_per_h"]).to_list()
        off["clean"] += clean["leak_rate_l_per_h"].to_list()
        off["worn"] += worn["leak_rate_l_per_h"].to_list()
        verdicts += coarse["verdict"].to_list()
        plain += worn["verdict"].to_list()
    known = np.array([ratio for ratio in ratios if ratio is not None and np.isfinite(ratio)])
    spread = {name: _spread(values) for name, values in off.items()}
    middle = float(np.median(known))
    said = f"{middle:.2f}; worst decile {np.quantile(known, 0.9):.2f}; {len(known)} of {len(ratios)} tanks"
    passed = verdicts.count("pass")
    return [
        Figure("0.25 mm on exception, 20 % missing, till 3 min off: detectable, ratio", said, "<= 1.3", middle <= 1.3),
        Figure("   scatter of the rates themselves, clean and so", f"{spread['clean']:.3f}, {spread['worn']:.3f} l/h",
               "<= 1.3 times", spread["worn"] <= 1.3 * spread["clean"]),
        Figure("   passed, failed, inconclusive", _verdicts(plain), "-"),
        Figure("1 mm on exception: tanks that pass", f"{passed} of {len(verdicts)} ({_verdicts(verdicts)})", "0",
               not passed),
    ]  # fmt: skip


def _verdicts(verdicts: Sequence[str]) -> str:
    return ", ".join(f"{verdicts.count(name)} {name}" for name in ("pass", "fail", "inconclusive"))


def _spread(values: Sequence[float | None]) -> float:
    known = np.array([value for value in values if value is not None and np.isfinite(value)])
    return 1.4826 * float(np.median(np.abs(known - np.median(known))))
