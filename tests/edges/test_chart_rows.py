"""Kind of evidence: known truth by construction. A chart's bad rows are a case that names their levels, and no more."""

from collections.abc import Callable

import polars as pl
import pytest

from pipeline.stages import outcome
from pipeline.store import open_store
from tests.support.lake_catalogue import BadLake, Tables, side_by_side
from tests.support.lake_verdicts import judged

STEP_MM, L_PER_MM = 20.0, 5.0
LEVEL, LITRES = pl.col("level_mm"), pl.col("volume_l")
GALLON_L = 3.785411784
ONE, THREE = (600.0,), (300.0, 600.0, 1_640.0)
FIFTH = (*(100.0 + 100.0 * number for number in range(19)), 1_940.0)
"""Levels of one, three and twenty of a hundred rows."""


def fine(tables: Tables) -> pl.DataFrame:
    """The chart of the spoilt tank with a row every 20 mm."""
    rows = tables["strapping"].filter(tank_id="T1")
    levels = pl.DataFrame({"level_mm": [STEP_MM * number for number in range(101)]})
    one = rows.head(1).select("tank_id", "valid_from").join(levels, how="cross")
    return one.with_columns(volume_l=L_PER_MM * LEVEL).select(rows.columns)


def with_chart(change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Tables], Tables]:
    """A lake whose tank T1 has the fine chart, changed."""

    def spoil(tables: Tables) -> Tables:
        others = tables["strapping"].filter(pl.col("tank_id") != "T1")
        return {**tables, "strapping": pl.concat([others, change(fine(tables))])}

    return spoil


def at(levels: tuple[float, ...], litres: pl.Expr) -> Callable[[Tables], Tables]:
    """Other litres in the rows at some levels."""
    here = LEVEL.is_in(list(levels))
    return with_chart(lambda chart: chart.with_columns(volume_l=pl.when(here).then(litres).otherwise(LITRES)))


def doubled(levels: tuple[float, ...]) -> Callable[[Tables], Tables]:
    """The rows at some levels twice, once with other litres."""
    again = LITRES + 400.0
    return with_chart(
        lambda chart: pl.concat([chart, chart.filter(LEVEL.is_in(list(levels))).with_columns(volume_l=again)])
    )


KINDS = {
    "1 % falling": (at(ONE, LITRES - 800.0), ONE, "fall behind"),
    "3 % falling": (at(THREE, LITRES - 800.0), THREE, "fall behind"),
    "20 % falling": (at(FIFTH, pl.lit(1.0)), FIFTH, "fall behind"),
    "3 % jumping": (at(THREE, LITRES + 90.0), THREE, "do not bear out"),
    "3 % doubled": (doubled(THREE), THREE, "come twice"),
    "1 % beyond the tank": (at((2_000.0,), pl.lit(60_000.0)), (2_000.0,), "more than the tank"),
    "3 % in gallons": (at(THREE, LITRES / GALLON_L), THREE, "fall behind"),
    "20 % in gallons": (at(FIFTH, LITRES / GALLON_L), FIFTH, "fall behind"),
    "the last fifth in gallons": (
        at(tuple(STEP_MM * number for number in range(81, 101)), LITRES / GALLON_L),
        tuple(STEP_MM * number for number in range(81, 101)),
        "fall behind",
    ),
}
"""How a chart is spoilt, at which levels, and what the case says of them."""
QUIET = {
    "another tank's": with_chart(lambda chart: chart.with_columns(volume_l=LITRES * 3.0)),
    "none": with_chart(lambda chart: chart.clear()),
    "sound": with_chart(lambda chart: chart),
}
"""Charts of which no row is refused that the rest would not bear, in three days."""
NAMES = [*KINDS, *QUIET]


@pytest.fixture(scope="module")
def together(tmp_path_factory, sound):
    """A lake with a site for each kind: what came of the run, its cases, their evidence, the tanks that it names."""
    kinds = [BadLake(name, spoil) for name, spoil in {**{k: v[0] for k, v in KINDS.items()}, **QUIET}.items()]
    folder = tmp_path_factory.mktemp("together")
    verdict = judged(side_by_side(kinds), folder, sound)
    with open_store(folder / "out", read_only=True) as store:
        return verdict, store.table("cases"), store.table("evidence"), outcome(folder / "out").charts_in_part


def cases_of(together, name):
    return together[1].filter(tank_id=f"T1@{NAMES.index(name):02}")


def test_the_run_names_the_tanks_that_go_by_the_rest_of_their_chart(together):
    assert together[3] == tuple(f"T1@{NAMES.index(name):02}" for name in KINDS)


def test_the_run_ends_and_the_other_site_is_the_same_to_the_byte(together):
    assert together[0].faults == ()


@pytest.mark.parametrize("name", KINDS)
def test_a_case_names_the_levels_of_the_rows_that_were_refused(together, name):
    _, levels, words = KINDS[name]
    (case,) = cases_of(together, name).iter_rows(named=True)
    assert case["cause"] == "chart_error"
    evidence = together[2].filter(pl.col("case_id") == case["case_id"])
    (told,) = evidence.filter(pl.col("name").str.contains(words)).iter_rows(named=True)
    assert told["value"] == len(levels)
    assert told["note"].startswith(f"at {levels[0]:,.0f}")
    assert f"{levels[-1]:,.0f} mm" in told["note"]


@pytest.mark.parametrize("name", QUIET)
def test_others_raise_no_case_by_their_rows(together, name):
    assert cases_of(together, name).is_empty()
