"""Does a meter draw on the tank that its sales are booked to? Evidence: known truth by construction."""

import numpy as np
import pytest

from pipeline.estimate.feed_changes import NOT_DRAWN_T
from pipeline.features.feeds import onset_s, other_feed, own_feeds
from pipeline.ledger.movements import cumulative_l
from pipeline.ledger.moves import moves_of
from tests.support.hand_unit import at_s, flow_of, gauge_of

MINUTES = np.arange(2.5, 24.0 * 60.0, 5.0)
HOURS = MINUTES / 60.0
SOLD = {"M1": 40.0, "M2": 25.0, "M3": 30.0}
"""Litres of each meter's sales, at minutes of its own."""


def flows(sold=SOLD):
    return [
        flow_of(*((float(hour) + 0.3 * place + 0.05, litres) for hour in range(6, 22)), meter=name)
        for place, (name, litres) in enumerate(sold.items())
    ]


def poured(flow, until_h: float = 24.0) -> np.ndarray:
    """Litres of a meter's sales of two minutes that have left by each reading, those after an hour left out."""
    into = (at_s(HOURS)[:, None] - flow.start_s) / 120.0
    return (flow.volume_l * (flow.end_s < at_s(until_h)) * np.clip(into, 0.0, 1.0)).sum(axis=1)


def moves(drawn: dict[str, float], own: dict[str, float], *, sold=SOLD):
    """A tank that loses the share `drawn` of each meter's sales, and is booked the share `own`."""
    gone = sum(drawn.get(flow.meter_id, 0.0) * poured(flow) for flow in flows(sold))
    level = 1_500.0 - gone / 5.0 + np.random.default_rng(2).normal(0.0, 0.1, len(HOURS))
    shares = [np.full(len(HOURS), own.get(name, 0.0)) for name in sold]
    return moves_of(gauge_of(HOURS, level), flows(sold), shares, [])


def told(*args, **more):
    day = float(at_s(0.0)), float(at_s(24.0))
    made = moves(*args, **more)
    own = {one.meter_id: one for one in own_feeds(made, *day)}
    others = {name: other_feed(made, name, *day) for name in made.meters if name not in own}
    return own | {name: one for name, one in others.items() if one is not None}


def test_a_tank_loses_what_its_own_meters_sell_and_nothing_of_others():
    found = told({"M1": 1.0, "M2": 1.0}, {"M1": 1.0, "M2": 1.0})
    for name, share in (("M1", 1.0), ("M2", 1.0), ("M3", 0.0)):
        assert found[name].drawn == pytest.approx(share, abs=3.0 * found[name].sd), name
        assert found[name].sd < 0.05
        assert found[name].sold_l == pytest.approx(16 * SOLD[name], rel=0.02)


def test_a_hose_on_another_tank_shows_at_both():
    """M2 is booked here and drawn elsewhere; M3 is booked elsewhere and drawn here."""
    found = told({"M1": 1.0, "M3": 1.0}, {"M1": 1.0, "M2": 1.0})
    assert found["M1"].drawn == pytest.approx(1.0, abs=0.1)
    assert found["M2"].drawn == pytest.approx(0.0, abs=0.1)
    assert found["M3"].drawn == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("litres", "is_told"), [(3.9, True), (3.6, False)])
def test_a_meter_that_sold_less_than_sixty_litres_says_nothing(litres, is_told):
    sold = SOLD | {"M2": litres}
    assert ("M2" in told({"M1": 1.0}, {"M1": 1.0}, sold=sold)) is is_told


def test_of_a_blending_hose_nothing_is_said():
    assert set(told({"M1": 1.0, "M2": 0.4}, {"M1": 1.0, "M2": 0.4})) == {"M1", "M3"}


def test_too_few_readings_say_nothing():
    made = moves({"M1": 1.0}, {"M1": 1.0})
    assert own_feeds(made, float(at_s(0.0)), float(at_s(1.0))) == []
    assert other_feed(made, "M2", float(at_s(0.0)), float(at_s(1.0))) is None


@pytest.mark.parametrize("hour", [8.5, 14.5])
def test_a_hose_stopped_drawing_here_when_its_sales_stopped_showing(hour):
    """Until then each sale lowered the level; the onset lies between the last that did and the first that did not."""
    sold = {"M1": 40.0}
    level = 1_500.0 - poured(flows(sold)[0], until_h=hour) / 5.0 + np.random.default_rng(2).normal(0.0, 0.1, len(HOURS))
    made = moves_of(gauge_of(HOURS, level), flows(sold), [np.ones(len(HOURS))], [])
    onset = onset_s(made, "M1", float(at_s(0.0)), float(at_s(24.0)))
    assert at_s(hour - 0.5) <= onset <= at_s(hour + 0.6)


def test_the_edge_of_one_sale_among_others_tells_no_feed():
    """A load of 5,000 l of M1 hides where the first 300 l of M2 came from; a day of its sales tells it."""
    first = flow_of((12.2, 5_000.0), meter="M1", minutes=12.0)
    edge = flow_of((12.2, 300.0), meter="M2", minutes=2.0)
    hours = np.arange(0.0, 24.0, 1 / 60)
    level = 1_500.0 - 1.02 * cumulative_l(first, at_s(hours)) / 5.0
    made = moves_of(gauge_of(hours, level), [first, edge], [np.ones(len(hours))] * 2, [])
    told = {one.meter_id: one for one in own_feeds(made, float(at_s(0.0)), float(at_s(24.0)))}
    assert told["M2"].drawn < 0.5
    assert (1.0 - told["M2"].drawn) < NOT_DRAWN_T * told["M2"].sd
