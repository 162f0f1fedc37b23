"""How odd a day is to the balance. Evidence: known truth by construction and simulated, property."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contract.lake import LAKE_TABLES
from pipeline.scoring.member_days import change_since_known, rise_within_week
from pipeline.scoring.physics import ANOMALOUS_AT, HIGHEST
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.support.hand_site import START, HandSite, HandTank, Poured, steady_sales
from tests.support.site_run import published


def scores(frames: dict[str, pl.DataFrame]) -> dict[int, float | None]:
    """Physics scores by trading day, counted from the first day of data."""
    rows = frames["tank_days"].select("trading_day", "physics_score")
    return {(day - START.date()).days: value for day, value in rows.iter_rows()}


def test_a_sudden_draw_a_drop_without_a_ticket_and_a_short_one_stand_out():
    """Known truth: on days 2, 4 and 6; the days between are ordinary."""
    site = HandSite(
        [
            HandTank(
                sales=steady_sales(9),
                drops=[Poured(101.0, 2000.0, 8.0), Poured(149.0, 2700.0, 8.0)],
                lost=[Poured(71.5, 120.0, 10.0)],
            )
        ],
        days=9,
        tickets=[("D1", "T1", 148.0, 3000.0)],
    )
    frames = published(site.tables())[0]
    score = scores(frames)
    odd = dict(zip(frames["tank_days"]["trading_day"], frames["tank_days"]["is_anomalous"], strict=True))
    for day in (2, 4, 6):
        assert score[day] >= ANOMALOUS_AT
        assert odd[START.date() + timedelta(days=day)]
    for day in (1, 3):
        assert score[day] < ANOMALOUS_AT
        assert not odd[START.date() + timedelta(days=day)]


def test_a_drop_whose_ticket_may_still_come_is_not_odd_yet():
    """Known truth: the drop ends two hours before the run's last data, on a day that is over at midnight."""
    site = HandSite(
        [HandTank(sales=steady_sales(4), drops=[Poured(93.5, 2000.0, 8.0)])], days=4, trading_day_start="00:00"
    )
    assert scores(published(site.tables())[0])[3] < ANOMALOUS_AT


def test_an_unfinished_day_has_no_score():
    frames = published(HandSite([HandTank(sales=steady_sales(4))], days=4).tables())[0]
    last = frames["tank_days"].sort("trading_day").row(-1, named=True)
    assert (last["physics_score"], last["forest_score"], last["is_anomalous"]) == (None, None, False)


@pytest.fixture(scope="module")
def sound() -> pl.DataFrame:
    """Day sheets of a fleet with nothing wrong, its quirks included."""
    fleet = simulate_fleet(6, 35, seed=71, causes=[], settings=FleetSettings())
    lake = {name: fleet[name] for name in LAKE_TABLES}
    lake["readings"] = lake["readings"].unique(["tank_id", "ts"], keep="first").sort("tank_id", "ts")
    return published(lake)[0]["tank_days"]


def test_a_sound_fleets_days_are_seldom_odd(sound):
    """Known truth: nothing is wrong. A tenth is far more than is hoped for: it tells a broken score from a sound."""
    judged = sound["physics_score"].drop_nulls()
    assert judged.len() > 150
    assert judged.is_between(-HIGHEST, HIGHEST).all()
    assert (judged >= ANOMALOUS_AT).mean() < 0.1
    assert judged.median() < 0.0


def test_scores_begin_with_the_days_that_are_over(sound):
    assert sound.filter(pl.col("trading_day") < date(2026, 3, 2))["forest_score"].null_count() > 0
    assert sound["forest_score"].drop_nulls().is_between(0.0, 1.0).all()


def test_litres_that_leave_and_come_back_are_no_sudden_move():
    """Known truth: a can of 60 l is drawn at 01:00 of day 2 and poured back twenty minutes later."""
    tank = HandTank(sales=steady_sales(5), lost=[Poured(49.0, 60.0, 3.0), Poured(49.333, -60.0, 3.0)])
    assert scores(published(HandSite([tank]).tables())[0])[1] < ANOMALOUS_AT


def test_water_that_rises_stands_out_while_it_does():
    """Known truth: 2 mm a day from day 4 on, on a float that shows 10 mm."""
    tables = HandSite([HandTank(sales=steady_sales(9))], days=9).tables()
    hours = (pl.col("ts") - START).dt.total_seconds() / 3600.0
    tables["readings"] = tables["readings"].with_columns(water_mm=10.0 + (2.0 / 24.0 * (hours - 100.0)).clip(0.0))
    score = scores(published(tables)[0])
    assert score[3] < ANOMALOUS_AT
    assert all(score[day] >= ANOMALOUS_AT for day in (6, 7))


def test_another_products_density_stands_out_on_its_day():
    """Known truth: diesel of 840 kg/m³ becomes 815 at noon of day 4, and stays so."""
    tables = HandSite([HandTank(sales=steady_sales(8))], days=8).tables()
    late = pl.col("ts") >= START + timedelta(hours=108)
    tables["readings"] = tables["readings"].with_columns(density_kg_m3=pl.when(late).then(815.0).otherwise(840.0))
    score = scores(published(tables)[0])
    assert score[3] < ANOMALOUS_AT <= score[4]
    assert score[6] < ANOMALOUS_AT


def test_a_rise_is_over_the_lowest_of_a_week():
    """Naive: by eye. Unknown days are passed over; a fall is no rise."""
    water = np.array([5.0, np.nan, 6.0, 3.0, 3.5, 3.5, 3.5, 3.5, 3.5, 3.5, 9.0, 3.5])
    expected = [np.nan, np.nan, 1.0, -2.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 6.0, 0.0]
    np.testing.assert_allclose(rise_within_week(water), expected)
    assert np.isnan(change_since_known(np.array([np.nan, 5.0]))).all()
    np.testing.assert_allclose(change_since_known(water)[:4], [np.nan, np.nan, 1.0, -3.0])
