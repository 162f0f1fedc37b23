"""Features of a day and their standing against the past. Evidence: known truth by construction, naive twin."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.scoring.day_features import FLOORS, with_z
from pipeline.scoring.odd_days import FEATURES
from tests.support.hand_site import START, HandSite, HandTank, Poured, steady_sales
from tests.support.site_run import published


def values(frames: dict[str, pl.DataFrame], name: str, tank: str = "T1") -> dict[int, float]:
    """A feature's values by trading day, counted from the first day of data."""
    rows = frames["features"].filter((pl.col("name") == name) & (pl.col("tank_id") == tank))
    return {(day - START.date()).days: value for day, value in rows.select("trading_day", "value").iter_rows()}


@pytest.fixture(scope="module")
def leaking():
    """2 l/h leave by night and day, and the meter gives 0.4 l more on each sale of 20 l than it records."""
    sales = steady_sales(8)
    excess = [Poured(one.hour, 0.4, one.minutes) for one in sales]
    site = HandSite(
        [
            HandTank(
                sales=sales,
                lost=[*excess, Poured(0.0, 2.0 * 24 * 8, 60.0 * 24 * 8)],
            )
        ],
        days=8,
    )
    return published(site.tables())[0]


def test_a_rests_loss_is_the_leak(leaking):
    """Known truth: at rest 2 l/h leave; sales end at 22:00 and begin at 06:00, days open at 04:00."""
    loss, spread = values(leaking, "idle_loss_l_per_h"), values(leaking, "idle_loss_sd_l_per_h")
    assert set(loss) >= {1, 2, 3, 4, 5, 6}
    for day in range(1, 7):
        assert loss[day] == pytest.approx(2.0, abs=0.05)
        assert 0.0 < spread[day] < 0.5


def test_a_meters_own_day_shows_its_error(leaking):
    """Known truth: recorded ÷ true − 1 = 20 ÷ 20.4 − 1, to which the leak in the hours of sale adds.

    16 hours of sale lose 32 l on 640 l sold: 5 % more, of which the prior keeps a part.
    """
    error = values(leaking, "meter_residual_pct:M-T1")
    for day in range(2, 7):
        assert -100 * (1 - 1 / 1.07) - 0.7 < error[day] < -100 * (1 - 1 / 1.02)


def test_a_drops_mismatch_is_what_did_not_come():
    """Known truth: 50 l short of 3,000 after three sound drops that had told the chart; nothing on other days."""
    sound = [(12.25 + 48.0 * number, 1500.0) for number in range(3)]
    site = HandSite(
        [HandTank(sales=steady_sales(8), drops=[*(Poured(*one, 10.0) for one in sound), Poured(156.25, 2950.0, 10.0)])],
        days=8,
        tickets=[*((f"D{hour}", "T1", hour - 1.0, litres) for hour, litres in sound), ("D9", "T1", 155.0, 3000.0)],
    )
    mismatch = values(published(site.tables())[0], "drop_mismatch_l")
    assert set(mismatch) == {0, 2, 4, 6}
    # The chart may take its part of it: by the prior some 0.3 % of scale and 0.4 % of a band, together 15 l.
    assert mismatch[6] == pytest.approx(-50.0, abs=15.0)
    assert [mismatch[day] for day in (0, 2, 4)] == pytest.approx([0.0] * 3, abs=8.0)


def test_the_density_is_brought_to_15_degrees(leaking):
    """Known truth: product at 15 °C is at its own density."""
    assert set(values(leaking, "density_15_kg_m3").values()) == {840.0}
    assert set(values(leaking, "density_change_kg_m3").values()) == {0.0}


def test_a_silence_is_as_long_as_nothing_was_read():
    tables = HandSite([HandTank(sales=steady_sales(4))], days=4).tables()
    silent = pl.col("ts").is_between(START + timedelta(hours=30), START + timedelta(hours=33))
    tables["readings"] = tables["readings"].filter(~silent)
    gaps = values(published(tables)[0], "gap_hours")
    assert gaps[1] == pytest.approx(3.0 + 2 / 60)
    assert gaps[2] == pytest.approx(1 / 60)


def test_unfinished_days_have_no_features(leaking):
    """Days open at 04:00 and data end at midnight: the last day, the eighth, is not over."""
    assert leaking["features"]["trading_day"].max() == START.date() + timedelta(days=6)


def series(name: str, numbers: list[float | None], tank: str = "T1") -> pl.DataFrame:
    """A feature's rows on days in a row; where a number is None the day has none."""
    days = [date(2026, 1, 1) + timedelta(days=k) for k in range(len(numbers))]
    kept = [(tank, day, name, value) for day, value in zip(days, numbers, strict=True) if value is not None]
    return pl.DataFrame(kept, schema=["tank_id", "trading_day", "name", "value"], orient="row")


def test_z_is_the_loop_over_each_days_own_past():
    """Naive twin: median and quartiles of up to sixty earlier days, seven at least; a spread never below its floor."""
    rng = np.random.default_rng(2)
    numbers = [None if rng.random() < 0.1 else float(x) for x in rng.normal(4.0, 20.0, 100)]
    mine = with_z(pl.concat([series("residual_l", numbers), series("residual_l", [1.0] * 20, "T2")]))
    held = [value for value in numbers if value is not None]
    twin = []
    for place, value in enumerate(held):
        past = np.array(held[max(0, place - 60) : place])
        if len(past) < 7:
            twin.append(np.nan)
            continue
        low, middle, high = np.quantile(past, [0.25, 0.5, 0.75])
        twin.append((value - middle) / max((high - low) / 1.349, FLOORS["residual_l"]))
    np.testing.assert_allclose(mine.filter(pl.col("tank_id") == "T1")["z"].cast(float).to_numpy(), twin, rtol=1e-12)
    assert mine.filter(pl.col("tank_id") == "T2")["z"].drop_nulls().to_list() == [0.0] * 13


def test_features_of_several_meters_are_standardised_each_by_itself():
    frame = with_z(
        pl.concat([series("meter_residual_pct:M1", [1.0] * 10), series("meter_residual_pct:M2", [0.0] * 9 + [0.2])])
    )
    last = dict(frame.filter(pl.col("trading_day") == date(2026, 1, 10)).select("name", "z").iter_rows())
    assert last["meter_residual_pct:M1"] == 0.0
    assert last["meter_residual_pct:M2"] == pytest.approx(0.2 / FLOORS["meter_residual_pct"])


def test_the_forest_sees_features_that_have_a_standing():
    assert set(FEATURES) <= set(FLOORS)
