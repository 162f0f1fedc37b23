"""Sales that nobody booked. Evidence: worked by hand, both sides of each edge."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.decoys import book_decoys
from pipeline.cases.finding import Finding
from pipeline.cases.missing_sales import unbooked_findings
from pipeline.features.totals import Unbooked
from pipeline.ledger.clocks import SILENT
from tests.support.hand_site import at
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of, seen_of, site_of, unit_of
from tests.support.lakes import rows

DAYS = 30
GAUGE = gauge_of(np.arange(0.0, 24.0 * DAYS, 1.0), 1_000.0)
FED = rows("meter_feeds", {"meter_id": "M1", "tank_id": "T1", "share": 1.0, "valid_from": at(-1_000.0)})
TABLES = {"meter_feeds": FED, "meter_totals": rows("meter_totals")}


def span(start_h: float, litres: float, *, hours: float = 2.0, meter: str = "M1") -> Unbooked:
    return Unbooked(meter, float(at_s(start_h)), float(at_s(start_h + hours)), litres)


def lost(*spans: Unbooked, tables=TABLES, lags=None) -> list[Finding]:
    last = {"ts": at(24.0 * DAYS - 0.01), "total_l": 9.0}
    read = rows("meter_totals", *({"meter_id": name} | last for name in sorted({one.meter_id for one in spans})))
    seen = seen_of(unit_of(GAUGE), unbooked=spans, lags=lags or {})
    return unbooked_findings(site_of(seen, days=DAYS), tables | {"meter_totals": read})


def test_what_the_totaliser_outran_the_sales_by_is_lost():
    """300 and 450 l on two days of the first week: 750 l, raised with the first."""
    (found,) = lost(span(10.0, 300.0), span(100.0, 450.0))
    assert (found.cause, found.meter_id, found.tank_id, found.day) == ("missing_sales", "M1", "T1", FIRST_DAY)
    assert found.litres == pytest.approx(-750.0)
    assert (found.start_s, found.end_s) == (at_s(10.0), at_s(102.0))
    assert found.course.until(at_s([10.0, 12.0, 57.0, 102.0])) == pytest.approx([0.0, -300.0, -525.0, -750.0])


def test_a_few_litres_at_a_time_are_a_case_when_they_are_enough():
    """60 l in a span: e^(−60/30) of late sales, 0.05 ÷ 30, against one order of magnitude, 1 ÷ (60 ln 1500).

    2.31 each in logarithms, and −6 before any: with the fourth they are beyond 2.
    """
    (found,) = lost(*(span(24.0 * day, 60.0) for day in range(6)))
    assert found.day == FIRST_DAY + 3
    each = -np.log(60.0 * np.log(1_500.0)) - np.log(0.05 / 30.0) + 2.0
    assert found.log_odds == pytest.approx(-6.0 + 4.0 * each)
    assert found.litres == pytest.approx(-360.0)
    assert lost(*(span(24.0 * day, 60.0) for day in range(3))) == []


def test_litres_of_the_last_weeks_may_go_on():
    assert lost(span(24.0 * (DAYS - 20), 300.0))[0].end_s is None
    assert lost(span(24.0 * (DAYS - 22), 300.0))[0].end_s is not None


@pytest.mark.parametrize(("apart_days", "count"), [(20.9, 1), (21.2, 2)])
def test_litres_within_three_weeks_are_one_matter(apart_days, count):
    assert len(lost(span(0.0, 300.0), span(2.0 + 24.0 * apart_days, 300.0))) == count


@pytest.mark.parametrize(("litres", "count"), [(270.0, 0), (285.0, 1)])
def test_one_span_needs_many_litres(litres, count):
    assert len(lost(span(10.0, litres))) == count


@pytest.mark.parametrize(("meters", "count"), [(3, 3), (4, 0)])
def test_what_four_meters_lose_at_once_is_the_till_s_doing(meters, count):
    assert len(lost(*(span(10.0, 300.0, meter=f"M{number}") for number in range(1, meters + 1)))) == count


@pytest.mark.parametrize(("hour", "count"), [(47.0, 1), (60.0, 0), (80.0, 0), (100.0, 1)])
def test_what_no_sale_of_the_whole_site_is_there_for_is_the_till_s_doing(hour, count):
    """Nothing of the third day arrived; the totaliser may be read on the fourth."""
    assert len(lost(span(hour - 2.0, 300.0), lags={FIRST_DAY + 2: SILENT})) == count


def given_back(start_h: float, litres: float, **more) -> Unbooked:
    return replace(span(start_h, litres, **more), litres=-litres)


def test_what_is_booked_after_all_is_no_loss():
    """60 of 360 l came back; and 60 l a day for six days, each of which came back before there were enough."""
    (found,) = lost(span(10.0, 300.0), span(40.0, 60.0), given_back(60.0, 60.0))
    assert found.litres == pytest.approx(-300.0)
    assert found.course.until(at_s([12.0, 42.0, 62.0])) == pytest.approx([-300.0, -360.0, -300.0])
    days = [one for day in range(6) for one in (span(24.0 * day, 60.0), given_back(24.0 * day + 4.0, 60.0))]
    assert lost(*days) == []


def test_litres_that_wait_for_further_readings_are_known_with_them():
    """Seen in the tenth hour, borne out on the next day."""
    (found,) = lost(replace(span(10.0, 300.0), waited_s=14.0 * 3_600.0))
    assert found.day == FIRST_DAY + 1
    assert (found.start_s, found.end_s) == (at_s(10.0), at_s(12.0))


def test_what_is_given_back_of_the_till_s_doing_takes_nothing_from_a_meter():
    """Four meters are ahead by 300 l at once and level again; the first of them lost 400 l beside that."""
    general = [span(10.0, 300.0, meter=f"M{number}") for number in range(1, 5)]
    level = [given_back(20.0, 300.0, meter=f"M{number}") for number in range(1, 5)]
    (found,) = lost(*general, span(15.0, 400.0), *level)
    assert (found.meter_id, found.litres) == ("M1", pytest.approx(-400.0))


def test_books_that_outran_a_totaliser_are_decoys_of_missing_sales():
    """The same 300 l the other way round: as sure, at the same meter, and no case."""
    seen = seen_of(unit_of(GAUGE))
    site = replace(site_of(seen, days=DAYS), overbooked=[span(10.0, 300.0)])
    (decoy,) = book_decoys(site)
    assert (decoy.cause, decoy.unit_id, decoy.day, decoy.of_balance) == ("missing_sales", "M1", FIRST_DAY, False)
    assert decoy.log_odds == pytest.approx(lost(span(10.0, 300.0))[0].log_odds)
    assert book_decoys(replace(site, overbooked=[span(10.0, 270.0)])) == []
    assert unbooked_findings(site, TABLES) == []
