"""Laws of meters, tickets, demand and tills one by one. Evidence: known truth, values worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate.laws.meters import ErrorWalk, FlowSlope, LineContent, Pours, Slippage, SteadyWarmth
from pipeline.simulate.laws.spreads import Uniform
from pipeline.simulate.laws.tickets import (
    BasisChanges,
    Batches,
    Bill,
    BlendedDepot,
    FifteenBasis,
    LeftBehind,
    Loading,
    NominalWarmth,
    Rounded,
    StaleCertificate,
    TerminalBias,
)
from pipeline.simulate.laws.trade import (
    Closures,
    HalfOpen,
    MarketDays,
    RoundLitres,
    RoundMoney,
    StampedAtPayment,
    StampedAtStart,
    Swings,
    ToppingUp,
    WholeMinutes,
)
from pipeline.simulate.seeds import named_stream

DAY_S = 86_400.0
BILL = Bill(10_012.0, 25.0, 748.0, 10_006.0, 25.0, 748.0)


def just(value):
    """A range of one value."""
    return Uniform(value, value)


def rng(number=1):
    return np.random.default_rng(number)


def pours(litres, minutes, start_s=None):
    litres, minutes = np.asarray(litres, dtype=float), np.asarray(minutes, dtype=float)
    return Pours(np.arange(litres.size) * 600.0 if start_s is None else np.array(start_s), 60.0 * minutes, litres)


def loading(at_d=3.0, terminal="Millpond", carrier="Coastal", product="gasoline_e10"):
    """A load of petrol whose expansion is 0.00125 a kelvin."""
    usual = lambda temp_c: 1.0 - 0.00125 * (temp_c - 15.0)  # noqa: E731
    return Loading(at_d * DAY_S, terminal, carrier, product, product.startswith("gasoline"), 745.0, usual)


def dice(*keys):
    return named_stream(11, "test", *keys)


def test_a_meters_error_goes_by_flow_as_it_says():
    """Worked by hand: a decade below 35 l/min −0.2 %; 0.035 l/min of slip at 35 and 7 l/min −0.1 and −0.5 %."""
    slow = pours([35.0, 35.0, 70.0], [1.0, 10.0, 2.0])
    assert FlowSlope(just(0.002))(slow, rng()) == pytest.approx([0.0, -0.002, 0.0])
    assert Slippage(just(0.035))(pours([35.0, 35.0], [1.0, 5.0]), rng()) == pytest.approx([-0.001, -0.005])


def test_an_error_that_walks_has_its_size_after_100_m3():
    """Known truth: SD 0.05 % over 400 meters after 100 m³ in sales of 50 l, half of the variance after 50 m³."""
    walks = np.array([ErrorWalk(just(0.0005))(pours(np.full(2_000, 50.0), np.ones(2_000)), rng(n)) for n in range(400)])
    assert walks[:, -1].std() == pytest.approx(0.0005, rel=0.12)
    assert walks[:, 999].std() == pytest.approx(0.0005 / np.sqrt(2.0), rel=0.12)
    assert abs(walks[:, -1].mean()) < 4.0 * 0.0005 / np.sqrt(400.0)


def test_product_takes_on_the_airs_warmth_as_it_says():
    """Worked by hand: a pipe of 6 l that stood for long fills 1/5 of 30 l and all of 4 l; right after a sale, none."""
    draws = pours([-30.0, -4.0, -30.0], [1.0, 1.0, 1.0], [1e6, 2e6, 2e6 + 60.0])
    assert (SteadyWarmth(just(0.07))(draws, rng()) == 0.07).all()
    assert LineContent(just(6.0), just(30.0))(draws, rng())[1:] == pytest.approx([1.0, 0.0], abs=1e-6)
    shuffled = Pours(*(part[[2, 0, 1]] for part in (draws.start_s, draws.lasts_s, draws.litres)))
    once = pours([-30.0, -30.0], [1.0, 1.0], [0.0, 60.0 + 30.0 * 60.0])
    assert LineContent(just(6.0), just(30.0))(once, rng())[1] == pytest.approx(0.2 * (1.0 - np.exp(-1.0)))
    assert LineContent(just(6.0), just(30.0))(shuffled, rng())[[0, 2]] == pytest.approx([0.0, 1.0], abs=1e-6)


def test_tickets_in_tens_of_litres_leave_what_was_loaded_alone():
    """Known truth: the paper is the nearest ten; a carrier that does not round is left alone."""
    bill = Rounded(1.0, 10.0)(BILL, loading(), dice)
    assert bill == replace(BILL, paper_l=10_010.0)
    assert Rounded(0.0, 10.0)(BILL, loading(), dice) == BILL


def test_litres_at_15_c_are_written_as_those_at_the_loads_temperature():
    """Worked by hand: 10,006 l at 25 °C of 0.00125/K are 9,881 l at 15 °C; what was loaded stays."""
    assert FifteenBasis(1.0)(BILL, loading(), dice) == replace(BILL, paper_l=9_881.0)
    changes = BasisChanges(1.0, just(10.0))
    assert changes(BILL, loading(9.9), dice) == BILL
    assert changes(BILL, loading(10.1), dice) == replace(BILL, paper_l=9_881.0)
    among = [FifteenBasis(0.35)(BILL, loading(terminal=f"T{n}"), dice).paper_l != BILL.paper_l for n in range(400)]
    assert np.mean(among) == pytest.approx(0.35, abs=0.1)


@pytest.mark.parametrize("law", [Batches(4.5, 2.8, 0.0, 4.0), BlendedDepot(4.5, 2.8, 4.0, 0.6)])
def test_batches_of_a_grade_differ_by_what_they_say(law):
    """Known truth: SD 4.5 and 2.8 kg/m³ over 300 batches about the product's own; what is loaded is on the paper."""
    for product, sd in (("gasoline_e10", 4.5), ("diesel_b7", 2.8)):
        bills = [law(BILL, loading(4.0 * n, product=product), dice) for n in range(300)]
        shift = np.array([bill.density_15_kg_m3 for bill in bills]) - 745.0
        # A depot's tank remembers, so that there are fewer than 300 independent ones.
        assert shift.std() == pytest.approx(sd, rel=0.2)
        assert abs(shift.mean()) < 4.0 * sd * np.sqrt(2.5 / 300.0)
        assert all(bill.paper_density_15_kg_m3 == bill.density_15_kg_m3 for bill in bills)


def test_a_batch_is_the_same_for_every_site_and_lasts_as_long_as_it_says():
    """Known truth: by the hour over 40 days, a new density each fourth day; a blended depot creeps by its share."""
    hours = np.arange(0.0, 40.0, 1.0 / 24.0)
    batches = np.array([Batches(4.5, 2.8, 1.0, 4.0)(BILL, loading(d), dice).density_15_kg_m3 for d in hours])
    assert np.count_nonzero(np.diff(batches)) in (9, 10)
    depot = BlendedDepot(4.5, 2.8, 4.0, 0.5)
    blends = np.array([depot(BILL, loading(4.0 * n), dice).density_15_kg_m3 - 745.0 for n in range(400)])
    assert np.mean(blends[1:] * blends[:-1]) / np.mean(blends**2) == pytest.approx(0.5, abs=0.15)


def test_terminals_and_carriers_give_more_or_less_than_their_tickets():
    """Known truth: a terminal's bias is its own for ever; what stays in a hose is as often more as less."""
    law = TerminalBias(Uniform(-0.002, 0.002))
    shares = [law(BILL, loading(float(n), f"T{n % 50}"), dice).litres / BILL.litres - 1.0 for n in range(100)]
    assert shares[:50] == pytest.approx(shares[50:])
    assert np.std(shares) == pytest.approx(0.004 / np.sqrt(12.0), rel=0.25)
    off = [LeftBehind(just(8.0))(BILL, loading(n / 10.0), dice).litres - BILL.litres for n in range(600)]
    assert np.abs(off).mean() == pytest.approx(8.0, rel=0.15)
    assert abs(np.mean(off)) < 4.0 * 8.0 * np.sqrt(2.0 / 600.0)


def test_what_a_ticket_says_of_warmth_and_density_may_be_another_loads():
    """Known truth: whole degrees off by what is said, the same for a week; a share of the certificates is old."""
    bill = NominalWarmth(1.0, just(2.0), 7.0)(replace(BILL, temp_c=24.4), loading(), dice)
    assert (bill.paper_temp_c, bill.temp_c) == (26.0, 24.4)
    old = [StaleCertificate(0.15, 5.0)(BILL, loading(n / 7.0), dice) for n in range(600)]
    shifts = np.array([bill.paper_density_15_kg_m3 - bill.density_15_kg_m3 for bill in old])
    assert (shifts != 0.0).mean() == pytest.approx(0.15, abs=0.05)
    assert shifts[shifts != 0.0].std() == pytest.approx(5.0, rel=0.25)


def test_demand_swings_stops_and_has_its_market_day():
    """Known truth: SD of the logarithm 0.3; whole days shut; one day in seven above, the week's mean kept."""
    swings = np.log(Swings(just(0.3), just(4.0))(20_000, rng()))
    assert swings.std() == pytest.approx(0.3, rel=0.08)
    assert np.mean(swings[4:] * swings[:-4]) / 0.09 == pytest.approx(np.exp(-1.0), abs=0.08)
    shut = Closures(just(0.5), just(2.0))(30_000, rng())
    assert set(np.unique(shut)) == {0.0, 1.0}
    assert (shut == 0.0).mean() == pytest.approx(0.5 * 2.0 / 30.0, rel=0.2)
    market = MarketDays(just(2.2))(70, rng())
    assert np.count_nonzero(market == 2.2) == 10
    assert market.mean() == pytest.approx(1.0)


def test_sales_are_set_beforehand_to_round_figures():
    """Known truth: 70 % of sales for whole notes at least, 40 % in whole tens of litres."""
    litres, price = rng(3).uniform(8.0, 60.0, 5_000), np.full(5_000, 1.739)
    sums = RoundMoney(0.7, (1.0, 2.0))(litres, price, 10.0, rng()) * 1.739 / 10.0
    assert np.isclose(sums, np.round(sums)).mean() == pytest.approx(0.7, abs=0.03)
    tens = RoundLitres(0.4, 10.0)(litres, price, 10.0, rng())
    assert np.isclose(tens % 10.0, 0.0).mean() == pytest.approx(0.4, abs=0.03)
    assert (tens > 0.0).all()


def test_flows_are_slow_where_a_nozzle_is_not_open():
    """Worked by hand: 40 l at 40 l/min, the last 4 at 8, take 0.9 + 0.5 min: 28.57 l/min; a fifth are half open."""
    assert ToppingUp(just(4.0), just(8.0))(np.array([40.0]), np.array([40.0]), rng()) == pytest.approx(
        [28.571], abs=1e-3
    )
    slow = HalfOpen(0.2, just(0.5))(np.full(5_000, 40.0), np.full(5_000, 30.0), rng())
    assert (slow == 20.0).mean() == pytest.approx(0.2, abs=0.03)
    assert set(np.unique(slow)) == {20.0, 40.0}


def test_tills_stamp_at_payment_at_start_or_by_the_minute():
    """Known truth: a median of 45 s late, the start kept; 1 s after it; cut off to the minute, a minute at least."""
    start_s = np.arange(2_000) * 300.0 + 7.0
    end_s = start_s + 65.0
    paid_start, paid_end = StampedAtPayment(just(45.0), 0.5)(start_s, end_s, rng())
    assert np.array_equal(paid_start, start_s)
    assert np.median(paid_end - end_s) == pytest.approx(45.0, rel=0.06)
    assert (paid_end > end_s).all()
    assert np.array_equal(StampedAtStart(1.0)(start_s, end_s, rng())[1], start_s + 1.0)
    minute_start, minute_end = WholeMinutes()(np.array([119.0, 61.0]), np.array([185.0, 70.0]), rng())
    assert minute_start.tolist() == [60.0, 60.0]
    assert minute_end.tolist() == [180.0, 120.0]
