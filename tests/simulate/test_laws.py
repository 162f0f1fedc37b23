"""Laws of gauges, thermometers and walls one by one. Evidence: known truth by construction, values worked by hand."""

import numpy as np
import pytest

from pipeline.simulate.laws.climate import ByVapourPressure, MorningBreathing
from pipeline.simulate.laws.level import (
    Around,
    Bursts,
    Draught,
    Flicker,
    Foam,
    HeadWarmth,
    OrnsteinUhlenbeck,
    Play,
    Sinking,
    Spikes,
    StickSlip,
    Telegraph,
)
from pipeline.simulate.laws.shells import Dent, Ribs, Waves
from pipeline.simulate.laws.spreads import LogUniform, Normal, OneOf, Uniform
from pipeline.simulate.laws.thermometer import Drift, Lag, Layers, LowElement, Shaft

MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0


def just(value):
    """A range of one value."""
    return Uniform(value, value)


def rng(number=1):
    return np.random.default_rng(number)


def around(count, step_s=MINUTE_S, *, air_c=None, temp_c=None, density=None, level_mm=None, drops=()):
    """What is around a gauge of whose surroundings only some matter."""
    plain = np.zeros(count)
    given = [plain if values is None else values for values in (air_c, temp_c, density, level_mm)]
    return Around(np.arange(count) * step_s, *given, np.array(drops, dtype=float))


def alike(noise, rows):
    """Correlation of a series with itself so many rows later."""
    return float(np.mean(noise[:-rows] * noise[rows:]) / np.mean(noise**2))


@pytest.mark.parametrize("tau_h", [0.5, 6.0])
def test_a_wander_has_the_size_and_the_time_it_says(tau_h):
    """Known truth: SD 0.2 mm, correlation 1/e after tau and 1/e² after twice that; 4,000 times tau of data."""
    tau_rows = 30
    count = 4_000 * tau_rows
    law = OrnsteinUhlenbeck(just(0.2), just(tau_h))
    noise = law(np.full(count, 900.0), around(count, tau_h * HOUR_S / tau_rows), rng()) - 900.0
    # Some 2,000 independent stretches: SD of the SD 1.6 %, of a correlation 0.02.
    assert noise.std() == pytest.approx(0.2, rel=0.06)
    assert alike(noise, tau_rows) == pytest.approx(np.exp(-1.0), abs=0.08)
    assert alike(noise, 2 * tau_rows) == pytest.approx(np.exp(-2.0), abs=0.08)


@pytest.mark.parametrize("slope", [0.8, 1.3])
def test_flicker_falls_with_frequency_as_it_says(slope):
    """Known truth: periodograms of 60 series averaged in octaves; SD of all 0.3 mm."""
    count, law = 16_384, Flicker(just(0.3), just(slope), 0.1, 160.0)
    per_h = np.fft.rfftfreq(count, 1.0 / 60.0)
    runs = [law(np.zeros(count), around(count), rng(number)) for number in range(60)]
    power = np.mean([np.abs(np.fft.rfft(run * np.hanning(count))) ** 2 for run in runs], axis=0)
    octaves = [(low, 2.0 * low) for low in 0.03 * 2.0 ** np.arange(7)]
    means = [power[(per_h >= low) & (per_h < high)].mean() for low, high in octaves]
    centres = [np.log(low) for low, _ in octaves]
    assert np.polyfit(centres, np.log(means), 1)[0] == pytest.approx(-slope, abs=0.12)
    assert np.sqrt(np.mean(np.square(runs))) == pytest.approx(0.3, rel=0.1)
    assert power[(per_h > 11.0)].mean() < 1e-3 * means[0]


def test_a_float_that_hangs_has_two_heights_and_the_dwell_that_it_says():
    """Known truth: half a step up or down; mean dwell 3 h over 40,000 h."""
    count = 40_000 * 12
    shown = Telegraph(just(0.4), just(3.0))(np.full(count, 700.0), around(count, 300.0), rng()) - 700.0
    assert np.allclose(np.unique(shown), [-0.2, 0.2])
    assert count * 300.0 / HOUR_S / np.count_nonzero(np.diff(shown)) == pytest.approx(3.0, rel=0.05)


def test_a_float_with_play_is_half_of_it_behind_either_way():
    """Known truth: up and down again, the two ways are apart by the play; at the turn it stands still for a play."""
    up = np.linspace(500.0, 520.0, 2_001)
    level = np.concatenate([up, up[::-1]])
    shown = Play(just(0.6))(level, around(level.size), rng())
    middle = 1_000
    assert shown[middle] == pytest.approx(up[middle] - 0.3)
    assert shown[-1 - middle] == pytest.approx(up[middle] + 0.3)
    assert np.count_nonzero(shown == shown[2_000]) == pytest.approx(60, abs=2)
    assert np.abs(shown - level).max() <= 0.3 + 1e-9


def test_a_float_that_sticks_slips_to_the_surface():
    """Known truth: never off by more than its grip, still or right; from 500 mm on it slips at each 0.5 mm."""
    level = 500.0 - np.arange(1_000) * 0.01
    shown = StickSlip(just(0.5))(level, around(level.size), rng())
    assert np.abs(shown - level).max() <= 0.5 + 1e-9
    slips = np.flatnonzero(np.diff(shown)) + 1
    assert np.allclose(shown[slips], level[slips])
    assert set(np.diff(slips)) <= {50, 51}


def test_spikes_are_single_of_either_sign_and_as_many_as_said():
    """Known truth: 4 a day over 500 days, mean size 2 mm."""
    count = 500 * 1_440
    off = Spikes(just(4.0), just(2.0))(np.zeros(count), around(count), rng())
    struck = off[off != 0.0]
    assert struck.size == pytest.approx(2_000, abs=4 * 45)
    assert np.abs(struck).mean() == pytest.approx(2.0, rel=0.1)
    assert 0.45 < (struck > 0.0).mean() < 0.55


def test_bursts_last_as_long_as_said_and_leave_the_rest_alone():
    """Known truth: 2 a week of 30 minutes over 700 days, so 0.6 % of all minutes; 1.5 mm in them."""
    count = 700 * 1_440
    off = Bursts(just(2.0), just(30.0), just(1.5))(np.zeros(count), around(count), rng())
    assert np.count_nonzero(off) / count == pytest.approx(60.0 / (7 * 1_440), rel=0.25)
    assert off[off != 0.0].std() == pytest.approx(1.5, rel=0.1)


def test_foam_lifts_after_a_drop_and_settles():
    """Known truth: 2 mm at the drop's end, 2/e after 20 minutes, nothing before."""
    off = Foam(just(2.0), just(20.0))(np.zeros(300), around(300, drops=[100 * MINUTE_S]), rng())
    assert (off[:100] == 0.0).all()
    assert off[100] == pytest.approx(2.0)
    assert off[120] == pytest.approx(2.0 * np.exp(-1.0))


def test_a_head_follows_the_air():
    """Known truth: 0.03 mm/K, between 10 and 20 °C: 0.15 mm either way."""
    air_c = 15.0 + 5.0 * np.sin(np.linspace(0.0, 2.0 * np.pi, 1_440, endpoint=False))
    off = HeadWarmth(just(0.03))(np.zeros(1_440), around(1_440, air_c=air_c), rng())
    assert off.max() == pytest.approx(0.15)
    assert off.min() == pytest.approx(-0.15)


def test_a_float_sinks_deeper_into_lighter_product():
    """Worked by hand: 50 mm of draught at 750 kg/m³ are 50 × 750 / 740 = 50.676 mm at 740."""
    density = np.array([750.0, 750.0, 740.0])
    off = Draught(just(50.0))(np.full(3, 900.0), around(3, density=density), rng()) - 900.0
    assert off == pytest.approx([0.0, 0.0, -0.676], abs=0.001)


def test_a_tank_sinks_ever_slower():
    """Known truth: 1 mm in all, 1 − 1/e of it after 30 days."""
    off = Sinking(just(1.0), just(30.0))(np.zeros(61), around(61, DAY_S), rng())
    assert off[0] == 0.0
    assert off[30] == pytest.approx(1.0 - np.exp(-1.0))
    assert (np.diff(off) > 0.0).all()


def test_a_thermometer_in_a_well_is_late():
    """Known truth: 1 − 1/e of a step of 10 K after 40 minutes."""
    temp_c = np.where(np.arange(400) < 100, 10.0, 20.0)
    shown = Lag(just(40.0))(temp_c, around(400), rng())
    assert shown[99] == pytest.approx(10.0)
    assert shown[139] == pytest.approx(20.0 - 10.0 * np.exp(-1.0), abs=0.1)


def test_a_thermometer_that_ages_drifts_by_what_it_says():
    """Known truth: 0.3 K a month of 30 days."""
    shown = Drift(just(0.3))(np.full(61, 12.0), around(61, DAY_S), rng())
    assert shown[30] - 12.0 == pytest.approx(0.3)
    assert shown[60] - 12.0 == pytest.approx(0.6)


def test_layers_come_with_a_drop_and_mix():
    """Known truth: 0.5 K at the end of the drop, 0.5/e after 4 h, nothing before; two drops add up."""
    shown = Layers(just(0.5), just(4.0))(np.zeros(20), around(20, HOUR_S, drops=[3 * HOUR_S, 7 * HOUR_S]), rng())
    assert (shown[:3] == 0.0).all()
    assert shown[3] == pytest.approx(0.5)
    assert shown[7] == pytest.approx(0.5 + 0.5 * np.exp(-1.0))


def test_a_stem_and_a_low_element_are_off_as_they_say():
    """Worked by hand: 2 % of 10 K to the air is 0.2 K; half of 1 m at 0.3 K/m is 0.15 K."""
    seen = around(2, air_c=np.full(2, 25.0), level_mm=np.full(2, 1_000.0))
    assert Shaft(just(0.02))(np.full(2, 15.0), seen, rng()) == pytest.approx(15.2)
    assert LowElement(just(0.3))(np.full(2, 15.0), seen, rng()) == pytest.approx(14.85)


def test_walls_are_as_uneven_as_they_say():
    """Known truth: SD of smooth waves over many tanks; a ring's wave repeats; a dent takes litres away around it."""
    level = np.arange(0.0, 2_500.0)
    many = [Waves(just(0.003), just(100.0))(level, 2_500.0, rng(number)) for number in range(40)]
    assert np.std(many) == pytest.approx(0.003, rel=0.1)
    close, far = (np.mean([alike(one, rows) for one in many]) for rows in (100, 400))
    # A Gaussian spectrum of SD 1/length has the correlation exp(−(distance / length)² / 2).
    assert close == pytest.approx(np.exp(-0.5), abs=0.1)
    assert far == pytest.approx(0.0, abs=0.1)
    rib = Ribs(just(0.002), just(250.0))(level, 2_500.0, rng())
    assert rib[:2_250] == pytest.approx(rib[250:])
    assert rib.max() == pytest.approx(0.002, rel=0.01)
    dent = Dent(1.0, just(0.006), just(80.0))(level, 2_500.0, rng())
    assert dent.min() == pytest.approx(-0.006, rel=0.01)
    assert -dent.sum() == pytest.approx(0.006 * 80.0 * np.sqrt(2.0 * np.pi), rel=0.01)
    assert (Dent(0.0, just(0.006), just(80.0))(level, 2_500.0, rng()) == 0.0).all()


def test_vapour_goes_by_warmth_or_by_how_fast_the_air_warms():
    """Worked by hand: exp(0.035 × 20) = 2.014 at 35 °C; breathing of the mean that is said, none while it cools."""
    hours = np.arange(24.0 * 5)
    air_c = 20.0 + 6.0 * np.sin(2.0 * np.pi * hours / 24.0)
    sales, breathing = ByVapourPressure(0.035)(np.array([15.0, 35.0]), np.zeros(2))
    assert sales == pytest.approx([1.0, 2.014], abs=0.001)
    assert breathing == pytest.approx(sales)
    sales, breathing = MorningBreathing(1.3)(np.zeros(hours.size), air_c)
    assert (sales == 1.0).all()
    assert breathing.mean() == pytest.approx(1.3)
    assert (breathing[np.gradient(air_c) < 0.0] == 0.0).all()


def test_ranges_give_what_they_say():
    """Property: within their ends, and the mean of each law over 4,000 draws."""
    draw = rng()
    even = [Uniform(2.0, 4.0).draw(draw) for _ in range(4_000)]
    log = [LogUniform(0.1, 10.0).draw(draw) for _ in range(4_000)]
    normal = [Normal(5.0, 0.5).draw(draw) for _ in range(4_000)]
    some = [OneOf((0.1, 0.5)).draw(draw) for _ in range(4_000)]
    assert 2.0 <= min(even) <= max(even) <= 4.0
    assert np.mean(even) == pytest.approx(3.0, abs=0.05)
    assert 0.1 <= min(log) <= max(log) <= 10.0
    assert np.median(log) == pytest.approx(1.0, abs=0.15)
    assert np.std(normal) == pytest.approx(0.5, rel=0.05)
    assert max(np.abs(np.array(normal) - 5.0)) <= 1.5
    assert np.mean(np.array(some) == 0.5) == pytest.approx(0.5, abs=0.04)
