"""What a fleet tells its tanks. Evidence: known truth by construction, rows made of known biases; and properties."""

from dataclasses import replace

import numpy as np

from pipeline.estimate.chart_belief import Seen, before_of
from pipeline.estimate.chart_data import CARRIER_SD, METER_SD, METERS, METERS_SD
from pipeline.estimate.chart_fit import CHART, WRONG_SD
from pipeline.estimate.chart_fleet import Heard, told_by_fleet
from pipeline.estimate.regression import Prior

METER_COUNT = 6
KEYS = ("sound", *(f"{way}:{size:g}" for way, sizes in WRONG_SD.items() for size in sizes))
BIASES = {"carrier:north": -0.0012, "carrier:south": 0.0008}


def sds_of(key: str) -> np.ndarray:
    """Usual SDs of the chart's coefficients under one way; what each is does not matter here."""
    way, _, size = key.partition(":")
    kinds = [name.split(":")[0] for name in CHART]
    return np.array([np.hypot(1e-3, float(size)) if kind == way else 1e-3 for kind in kinds])


def tank(
    rng: np.random.Generator, carrier: str, *, offset: float = 0.0, meter_sd: float = METER_SD, said: float = 1.0
) -> Heard:
    """A tank that measures its offset to `said`, each meter's error to 0.05 % and its carrier's bias to 0.08 %."""
    names = (*(f"meter:{number}" for number in range(METER_COUNT)), METERS, carrier)
    errors = rng.normal(0.0, meter_sd, METER_COUNT)
    count = len(CHART) + len(names)
    gram, score = np.zeros((count, count)), np.zeros(count)

    def measure(row: np.ndarray, true: float, sd: float) -> float:
        value = true + rng.normal(0.0, sd)
        gram[:, :] += np.outer(row, row) / sd**2
        score[:] += row * value / sd**2
        return float(value / sd) ** 2

    def unit(*places: int) -> np.ndarray:
        row = np.zeros(count)
        row[list(places)] = 1.0
        return row

    offset_at, first = CHART.index("offset"), len(CHART)
    square = measure(unit(offset_at), offset, said)
    for number in range(METER_COUNT):
        square += measure(unit(first + number, first + METER_COUNT), errors[number], 0.0005)
    square += measure(unit(first + METER_COUNT + 1), BIASES[carrier], 0.0008)
    rows = Seen(gram, score, np.asarray(square))
    inner = slice(0, len(CHART))
    others = [METER_SD] * METER_COUNT + [METERS_SD, CARRIER_SD]
    return Heard(
        keys=KEYS,
        ways=Seen(
            np.array([gram[inner, inner]] * len(KEYS)), np.array([score[inner]] * len(KEYS)), np.zeros(len(KEYS))
        ),
        odds=np.array([1.0, *[0.05] * (len(KEYS) - 1)]),
        means=np.zeros((len(KEYS), len(CHART))),
        sds=np.array([sds_of(key) for key in KEYS]),
        names=names,
        rows=rows,
        before=before_of(Prior(np.zeros(count), np.concatenate([sds_of("sound"), others]))),
    )


def fleet(count: int, seed: int, **how: float) -> dict[str, Heard]:
    rng = np.random.default_rng(seed)
    carriers = list(BIASES)
    return {f"T{number}": tank(rng, carriers[number % 2], **how) for number in range(count)}


def test_a_tank_is_told_its_carriers_bias_by_the_others():
    told = told_by_fleet(fleet(40, 1))
    for number in range(4):
        one = told[f"T{number}"]
        carrier = list(BIASES)[number % 2]
        place = one.names.index(carrier)
        sd = float(np.sqrt(one.cov[place, place]))
        assert abs(one.mean[place] - BIASES[carrier]) < 3.0 * sd
        # Nineteen others measured it to 0.08 % each.
        assert sd < 1.5 * 0.0008 / np.sqrt(19.0)


def test_a_tanks_own_word_on_what_is_shared_is_not_repeated_to_it():
    """Property: what a tank says of its carrier changes what the others are told of it, and not what it is told."""
    tanks = fleet(10, 2)
    own = tanks["T0"]
    at = len(CHART) + own.names.index("carrier:north")
    score = own.rows.score.copy()
    score[at] += 0.01 / 0.0008**2
    louder = {**tanks, "T0": replace(own, rows=replace(own.rows, score=score))}
    before, after = told_by_fleet(tanks), told_by_fleet(louder)
    place = before["T0"].names.index("carrier:north")
    assert np.isclose(before["T0"].mean[place], after["T0"].mean[place], atol=1e-9)
    assert after["T2"].mean[before["T2"].names.index("carrier:north")] > before["T2"].mean[place] + 1e-4


def test_the_fleets_meters_tell_how_far_a_meter_strays():
    for true_sd in (0.001, 0.003):
        told = told_by_fleet(fleet(40, 3, meter_sd=true_sd))
        assert abs(told["T0"].meter_sd / true_sd - 1.0) < 0.15


def test_where_probes_are_often_off_the_odds_of_it_rise_and_where_none_is_they_fall():
    assert told_by_fleet(fleet(30, 4, offset=15.0))["T0"].odds["pose"] > 5.0
    assert told_by_fleet(fleet(30, 4, offset=0.0, said=0.1))["T0"].odds["pose"] < 0.5


def test_one_tank_alone_is_told_common_practice_of_what_is_shared():
    told = told_by_fleet(fleet(1, 5))["T0"]
    assert np.allclose(told.mean, [0.0, -0.0005])
    assert np.allclose(np.sqrt(np.diag(told.cov)), [METERS_SD, np.hypot(CARRIER_SD, 0.0003)])
