"""Which of two tickets is the odd one. Truth by construction; the grade's range is EN 590's with room (batches.py)."""

import polars as pl
import pytest

from pipeline.cases.wrong_product import density_findings
from pipeline.estimate.observe import observe_site
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

HOURS = (30.0, 54.0, 78.0, 102.0)
TANK = HandTank(sales=steady_sales(5, litres=15.0), drops=[Poured(hour, 1_500.0, 5.0) for hour in HOURS])


def odd_tickets(*densities: float | None) -> list[str]:
    """The deliveries that are called another product, where the tickets say so and no gauge measures density."""
    tickets = [(f"D{number}", "T1", hour + 0.5, 1_500.0) for number, hour in enumerate(HOURS[: len(densities)])]
    drops = TANK.drops[: len(densities)]
    tables = HandSite([HandTank(sales=TANK.sales, drops=drops)], tickets=tickets).tables()
    given = pl.Series("ticket_density_15_kg_m3", densities, dtype=pl.Float64)
    tables["deliveries"] = tables["deliveries"].sort("delivery_id").with_columns(given)
    tables["readings"] = tables["readings"].with_columns(density_kg_m3=pl.lit(None, pl.Float64))
    return [str(one.delivery_id) for one in density_findings(observe_site(tables))]


@pytest.mark.parametrize(
    ("densities", "odd"),
    [
        ((833.0, 834.0, 745.0), ["D2"]),
        # Refineries make diesel of 806 (arctic) and of 832: two tickets do not tell what a site's terminal has.
        ((833.0, 834.0, 820.0), []),
        ((832.0, 806.0), []),
        ((806.0, 832.0), []),
        # Petrol's density is none that diesel has, and says nothing of what diesel should have.
        ((797.0, 834.0, 836.0), []),
        ((745.0, 834.0, 836.0), ["D0"]),
    ],
)
def test_the_odd_ticket_is_named_and_not_the_right_one_after_it(densities, odd):
    assert odd_tickets(*densities) == odd
