"""A hose that the books move to another tank in the middle of a day. Truth by construction: litres by hand."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.known import explains_falls
from pipeline.estimate.observe import SiteObserved, observe_site
from tests.support.hand_site import HandSite, HandTank, Poured, at
from tests.support.hand_unit import FIRST_DAY, at_s
from tests.support.lakes import rows

DAYS = 3
NOISE_MM = 1.5


def sales(seed: int, litres: float) -> list[Poured]:
    """A sale in each half hour from six to ten, at uneven minutes."""
    late_h = np.random.default_rng(seed).uniform(0.0, 0.4, (DAYS, 32))
    return [
        Poured(24.0 * day + 6.0 + 0.5 * k + float(late_h[day, k]), litres) for day in range(DAYS) for k in range(32)
    ]


def observed(moved_h: float, *, is_right: bool, noise_mm: float = 0.0, others_as_booked: bool = True) -> SiteObserved:
    """Tanks of a hose each; the books have the first one's hose on the second tank from an hour on.

    Where they are right, the second tank loses what it sells since then, and the first one no longer does. A third tank
    sells most, and so says that the clocks agree.
    """
    mine, others = sales(3, 25.0), sales(4, 20.0)
    since = [one for one in mine if one.hour >= moved_h] if is_right else []
    third = sales(5, 45.0)
    kept = [] if others_as_booked else [replace(one, litres=-one.litres) for one in (*others, *third)]
    site = HandSite(
        [
            HandTank("T1", sales=mine, lost=[replace(one, litres=-one.litres) for one in since]),
            HandTank("T2", sales=others, lost=[*since, *kept[: len(others)]]),
            HandTank("T3", sales=third, lost=kept[len(others) :]),
        ],
        days=DAYS,
        noise_mm=noise_mm,
    )
    tables = site.tables()
    move = {"meter_id": "M-T1", "tank_id": "T2", "share": 1.0, "valid_from": at(moved_h)}
    before = tables["meter_feeds"].with_columns(
        valid_to=pl.when(pl.col("meter_id") == "M-T1").then(pl.lit(at(moved_h))).otherwise(pl.col("valid_to"))
    )
    return observe_site(tables | {"meter_feeds": pl.concat([before, rows("meter_feeds", move)])})


@pytest.mark.parametrize("others_as_booked", [True, False])
def test_where_sales_explain_little_a_hose_is_told_beside_others_that_lie_as_booked(others_as_booked):
    """A gauge that scatters by 15 l hides each sale of 25 l, and 32 a day of three hoses say where they come from.

    Where the other tanks do not fall by what their hoses sell, nothing shows that the day tells of hoses at all.
    """
    site = observed(1.0, is_right=False, noise_mm=NOISE_MM, others_as_booked=others_as_booked)
    assert not any(explains_falls(site.lags[day]) for day in (FIRST_DAY, FIRST_DAY + 1))
    assert [(one.meter_id, one.to_unit) for one in site.feeds] == ([("M-T1", "T1")] if others_as_booked else [])


@pytest.mark.parametrize("hour", [12.1, 16.1])
def test_a_hose_that_the_books_move_within_a_day_is_taken_at_their_word(hour):
    """Rightly moved: its sales before are no sign against the tank that it is on since."""
    assert observed(24.0 + hour, is_right=True).feeds == []


def test_a_hose_that_the_books_move_wrongly_is_told_by_the_next_day():
    """It goes on drawing on the first tank; half a day's 500 l say so. The next day's 32 sales of 25 l are put back."""
    site = observed(36.1, is_right=False)
    (change,) = site.feeds
    assert (change.meter_id, change.unit_id, change.to_unit) == ("M-T1", "T2", "T1")
    assert change.day in (FIRST_DAY + 1, FIRST_DAY + 2)
    assert change.since_s >= at_s(36.1)
    assert change.share == pytest.approx(0.0, abs=0.1)
    (flow,) = next(unit for unit in site.units if unit.unit.unit_id == "T1").flows
    assert flow.volume_l[flow.end_s >= at_s(48.0)].sum() == pytest.approx(32 * 25.0)
