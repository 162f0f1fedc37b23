"""Rises that are the parts of one drop. Truth by construction: litres poured and tickets written by hand.

Nothing is sold, so what several rises brought together is the sum of what each brought.
"""

import numpy as np
import pytest

from pipeline.ledger.drop_parts import in_parts, together
from pipeline.ledger.drop_tickets import LITRES_FIT, Tickets, match_cost, match_tickets, misses_by
from pipeline.ledger.drops import Drop

HOUR_S = 3_600.0
LASTS_S = 600.0
LATER_S = 48.0 * HOUR_S
"""When every ticket has long been due."""


def rises(*litres: float, pause_min: float = 35.0) -> list[Drop]:
    """Rises of ten minutes each, so long after each other."""
    starts_s = np.arange(len(litres)) * (LASTS_S + 60.0 * pause_min)
    return [
        Drop(float(start), float(start) + LASTS_S, one, one / 10.0) for start, one in zip(starts_s, litres, strict=True)
    ]


def summed(parts):
    return Drop(parts[0].start_s, parts[-1].end_s, sum(part.gain_l for part in parts), parts[0].rate_l_per_min)


def written(*tickets: tuple[float, float]) -> Tickets:
    """Tickets (hour, litres) without a temperature."""
    hours, litres = np.array(tickets, dtype=np.float64).reshape(-1, 2).T
    return Tickets(HOUR_S * hours, litres, np.full(len(litres), np.nan))


def told(drops: list[Drop], tickets: Tickets, now_s: float = LATER_S) -> list[tuple[float, tuple[int, ...]]]:
    """Litres and tickets of each drop that the rises are told to be."""
    runs = in_parts(summed, drops, tickets, now_s)
    assert [place for run in runs for place in run] == list(range(len(drops)))
    whole = [together(summed, [drops[place] for place in run]) for run in runs]
    return [(drop.gain_l, drop.tickets) for drop in match_tickets(whole, tickets, now_s)]


ONE_LOAD = [(10_000.0, (0,))]


def test_one_ticket_of_two_compartments_is_one_drop():
    assert told(rises(6_000.0, 4_000.0), written((-1.0, 10_000.0))) == ONE_LOAD


def test_a_ticket_that_fits_a_part_by_chance_does_not_part_it():
    """Another drop's 4,000 l, entered thirty hours later."""
    assert told(rises(6_000.0, 4_000.0), written((-1.0, 10_000.0), (30.0, 4_000.0))) == ONE_LOAD


def test_two_loads_with_a_ticket_each_stay_two():
    loads = rises(6_000.0, 4_000.0, pause_min=40.0)
    assert told(loads, written((-0.5, 6_000.0), (0.4, 4_000.0))) == [(6_000.0, (0,)), (4_000.0, (1,))]


def test_a_short_drop_in_two_parts_is_one_short_drop():
    """5 % short: 500 l of 10,000 are 2.17 times 2 % and 30 l, more than any ticket is off by itself."""
    short = rises(5_700.0, 3_800.0)
    assert told(short, written((-1.0, 10_000.0))) == [(9_500.0, (0,))]
    assert misses_by(Drop(0.0, LASTS_S, 9_500.0, 500.0, (0,)), written((-1.0, 10_000.0))) == pytest.approx(500 / 230)
    assert LITRES_FIT < 500 / 230


@pytest.mark.parametrize(("pause_min", "drops"), [(89.0, 1), (91.0, 2), (120.0, 2)])
def test_parts_follow_within_an_hour_and_a_half(pause_min, drops):
    """With their ticket, and while none is written."""
    parts = rises(6_000.0, 4_000.0, pause_min=pause_min)
    assert len(told(parts, written((-1.0, 10_000.0)))) == drops
    assert len(told(parts, written())) == drops


@pytest.mark.parametrize(
    ("litres", "ticket_l", "expected"),
    [
        ((3_000.0, 6_000.0), 6_000.0, [(3_000.0, ()), (6_000.0, (0,))]),
        ((6_000.0, 3_000.0), 6_000.0, [(6_000.0, (0,)), (3_000.0, ())]),
        ((1_200.0, 6_000.0), 6_000.0, [(1_200.0, ()), (6_000.0, (0,))]),
    ],
)  # fmt: skip
def test_a_drop_without_ticket_is_not_swallowed_by_its_neighbour_s(litres, ticket_l, expected):
    assert told(rises(*litres), written((-1.0, ticket_l))) == expected


@pytest.mark.parametrize("alone", [0, 2])
def test_a_drop_without_ticket_leaves_the_parts_beside_it_one_drop(alone):
    """Of three rises the ticket fits two. That it would cost less to give it all three is no reason: it fits them not.

    13,000 l miss it by 3,000, 13 times what tickets miss by.
    """
    litres = [6_000.0, 4_000.0]
    litres.insert(alone, 3_000.0)
    expected = [*ONE_LOAD]
    expected.insert(1 if alone else 0, (3_000.0, ()))
    assert told(rises(*litres), written((-1.0, 10_000.0))) == expected


def test_parts_without_any_ticket_yet_are_one_drop():
    assert told(rises(6_000.0, 4_000.0), written(), LASTS_S) == [(10_000.0, ())]
    assert told(rises(2_000.0, 3_000.0, 4_000.0), written(), LASTS_S) == [(9_000.0, ())]
    assert in_parts(summed, [], written((0.0, 6_000.0)), LATER_S) == []


@pytest.mark.parametrize(("parts", "is_one"), [(3, True), (5, True), (6, False)])
def test_a_truck_has_five_compartments(parts, is_one):
    litres = [2_000.0] * parts
    drops = told(rises(*litres), written((-1.0, sum(litres))))
    assert ((sum(litres), (0,)) in drops) is is_one


def test_what_a_drop_without_ticket_costs_grows_from_its_end_to_five():
    """0.3 at once and 0.3 an hour: 0.9 after two, 5 after 15 h 40 min at the latest; a ticket that fits at its time
    costs nothing.
    """
    drop = Drop(0.0, LASTS_S, 6_000.0, 600.0)
    fits = Drop(0.0, LASTS_S, 6_000.0, 600.0, (0,))
    after = [match_cost([drop], written(), LASTS_S + HOUR_S * hours) for hours in (0.0, 2.0, 15.0, 16.0, 99.0)]
    assert after == pytest.approx([0.3, 0.9, 4.8, 5.0, 5.0])
    assert match_cost([fits, drop], written((0.0, 6_000.0)), LATER_S) == pytest.approx(5.0)


def test_what_a_ticket_misses_by():
    """200 l of 6,200: 2 % and 30 l are 154."""
    drop = Drop(0.0, LASTS_S, 6_000.0, 600.0)
    tickets = written((0.0, 4_200.0), (0.0, 2_000.0), (0.0, 900.0))
    assert misses_by(drop, tickets) == np.inf
    assert misses_by(Drop(0.0, LASTS_S, 6_000.0, 600.0, (0, 1)), tickets) == pytest.approx(200.0 / 154.0)
