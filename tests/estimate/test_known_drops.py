"""Which day sees a drop, with which tickets, and what later days may not take back. Truth by construction.

A day's run sees a drop that ended by 22:45: 45 minutes to settle, and the last half hour is the next day's. One that
ended from 21:15 on, an hour and a half sooner, may have its next part on the next day.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.known_drops import KnownDrop, known_drops
from pipeline.estimate.observe import observe_site
from pipeline.ledger.drops import Drop
from tests.support.hand_site import HandSite, HandTank, Poured, at, steady_sales
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of, unit_of

DAYS = 3
FIVE_MINUTES = np.arange(0.0, 24.0 * DAYS, 1.0 / 12.0)
LASTS_H = 1.0 / 6.0
LATE = Poured(22.5, 2_000.0, 10.0)
"""Ends at 22:40."""
NEXT = Poured(23.0 + 50.0 / 60.0, 1_400.0, 10.0)
"""Begins at 23:50, 70 minutes later, and ends on the next day."""


def known(*poured: Poured, tickets: Sequence[tuple[str, float, float]] = ()) -> list[KnownDrop]:
    """The drops of rises of a tank that sells nothing."""
    stock_l = HandTank(drops=poured).stock_l(3_600.0 * FIVE_MINUTES)
    unit = unit_of(gauge_of(FIVE_MINUTES, stock_l / 5.0), tickets=tickets)
    rises = [
        Drop(float(at_s(one.hour)), float(at_s(one.hour + one.minutes / 60.0)), one.litres, one.litres / one.minutes)
        for one in poured
    ]
    return known_drops(rises, unit, np.zeros(len(FIVE_MINUTES)))


def told(drops: list[KnownDrop]) -> list[tuple[int, int, tuple[int, ...], tuple[int, ...]]]:
    """Litres, day after the first, the tickets of that day and those of hindsight, of each drop."""
    return [(round(one.drop.gain_l), one.day - FIRST_DAY, one.tickets_then, one.drop.tickets) for one in drops]


def test_a_late_part_waits_and_is_one_drop_with_the_next_day_s():
    (one,) = known(LATE, NEXT, tickets=[("D1", 20.0, 3_400.0)])
    assert told([one]) == [(3_400, 1, (0,), (0,))]
    assert (one.drop.start_s, one.drop.end_s) == (at_s(LATE.hour), at_s(NEXT.hour + LASTS_H))


def test_a_late_part_that_nothing_follows_is_the_next_day_s_as_it_is():
    """Its ticket of 3,400 l is the only one there: 1,400 l short, it takes it when no better one has come by then."""
    assert told(known(LATE, tickets=[("D1", 20.0, 3_400.0)])) == [(2_000, 1, (), (0,))]
    assert told(known(LATE)) == [(2_000, 1, (), ())]


@pytest.mark.parametrize(
    ("ends_h", "fits", "day"),
    [(21.2, False, 0), (21.3, False, 1), (22.4, True, 0), (22.7, True, 0), (22.7, False, 1), (22.8, True, 1)],
)
def test_only_a_late_drop_that_no_ticket_fits_waits(ends_h, fits, day):
    """A ticket of its own 2,000 l, or of 3,400 l."""
    tickets = [("D1", 20.0, 2_000.0 if fits else 3_400.0)]
    (one,) = known(Poured(ends_h - LASTS_H, 2_000.0, 10.0), tickets=tickets)
    assert (one.day, one.drop.tickets) == (FIRST_DAY + day, (0,))


def test_a_late_part_that_waits_leaves_its_ticket_to_the_day_s_other_drops():
    """1,950 l at noon, whose ticket is at hand, and the late part: each gets its own in the end."""
    tickets = [("D1", 11.0, 1_950.0), ("D2", 28.0, 2_000.0)]
    drops = known(Poured(12.0, 1_950.0, 10.0), LATE, tickets=tickets)
    assert told(drops) == [(1_950, 0, (0,), (0,)), (2_000, 1, (1,), (1,))]


@pytest.mark.parametrize(
    ("hour", "ticket_h", "day", "then"),
    [(12.0, 30.0, 0, ()), (12.0, 23.9, 0, (0,)), (22.5, 30.0, 1, (0,)), (22.5, 50.0, 1, ())],
)
def test_a_ticket_of_the_day_after_is_matched_in_hindsight(hour, ticket_h, day, then):
    """The day that sees the drop has the tickets written by its end; the next one still gives it its own."""
    drops = known(Poured(hour, 2_000.0, 10.0), tickets=[("D1", ticket_h, 2_000.0)])
    assert told(drops) == [(2_000, day, then, (0,))]


def test_two_days_later_a_ticket_comes_too_late():
    """A drop of noon, and a ticket entered 36 hours after, beyond the next day's end."""
    assert told(known(Poured(12.0, 2_000.0, 10.0), tickets=[("D1", 48.1, 2_000.0)])) == [(2_000, 0, (), ())]


def test_parts_of_a_day_without_ticket_get_one_or_two_the_day_after():
    """1,200 and 800 l 40 minutes apart are one drop, whether one paper is written for them or one for each."""
    parts = Poured(12.0, 1_200.0, 10.0), Poured(12.0 + 50.0 / 60.0, 800.0, 10.0)
    assert told(known(*parts, tickets=[("D1", 30.0, 2_000.0)])) == [(2_000, 0, (), (0,))]
    both = [("D1", 30.0, 1_200.0), ("D2", 30.0, 800.0)]
    assert told(known(*parts, tickets=both)) == [(2_000, 0, (), (0, 1))]


SITES = {
    "a next part": ([LATE, NEXT], [(20.0, 3_400.0)]),
    "two loads": ([LATE, NEXT], [(22.0, 2_000.0), (23.9, 1_400.0)]),
    "two loads, papers late": ([LATE, NEXT], [(26.0, 2_000.0), (27.0, 1_400.0)]),
    "nothing follows": ([LATE], [(20.0, 3_400.0)]),
    "a paper of the next day": ([LATE], [(30.0, 2_000.0)]),
    "a fitting paper": ([LATE], [(20.0, 2_000.0)]),
    "parts before": ([Poured(21.5, 900.0, 10.0), LATE, NEXT], [(20.0, 4_300.0)]),
    "its neighbour has a paper": ([LATE, NEXT], [(23.9, 1_400.0)]),
    "between two with papers": ([Poured(21.0, 1_500.0, 10.0), LATE, NEXT], [(20.0, 1_500.0), (23.9, 1_400.0)]),
    "begins before midnight": ([Poured(23.9, 2_000.0, 20.0)], [(20.0, 2_000.0)]),
}
"""Drops, and tickets as hours and litres."""


def cut(tables: dict[str, pl.DataFrame], hour: float) -> dict[str, pl.DataFrame]:
    """The tables as they stood at an hour: no later reading, sale or ticket."""
    times = {"readings": "ts", "sales": "ts_end", "deliveries": "ts_ticket"}
    return tables | {name: tables[name].filter(pl.col(column) < at(hour)) for name, column in times.items()}


@pytest.mark.parametrize("name", SITES)
def test_what_a_day_s_run_shows_no_later_run_takes_back(name):
    """A site that sells by day, cut after its first and second day."""
    drops, papers = SITES[name]
    tickets = [(f"D{number}", "T1", hour, litres) for number, (hour, litres) in enumerate(papers)]
    site = HandSite([HandTank(sales=steady_sales(DAYS), drops=drops)], days=DAYS, tickets=tickets)
    tables = site.tables()
    whole = observe_site(tables).units[0].drops
    assert sum(one.drop.gain_l for one in whole) == pytest.approx(sum(one.litres for one in drops), abs=10.0)
    for days in (1, 2):
        day = FIRST_DAY + days - 1
        then = observe_site(cut(tables, 24.0 * days)).units[0].drops
        assert [seen_by(one) for one in then if one.day <= day] == [seen_by(one) for one in whole if one.day <= day]


def seen_by(one: KnownDrop) -> tuple[int, float, float, float, tuple[int, ...]]:
    return one.day, one.drop.start_s, one.drop.end_s, one.drop.gain_l, one.tickets_then
