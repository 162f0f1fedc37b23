"""Kind of evidence: published values, and contract. A source's cells become the contract's, or the row is refused."""

from datetime import UTC, date, datetime
from math import exp

import polars as pl
import pytest

from pipeline.errors import SourceError
from pipeline.sources.mapping import to_contract
from pipeline.sources.table_config import Mapped


def _told(table, rows, **mapped):
    return to_contract(table, pl.DataFrame(rows), Mapped(**mapped), where="here")


def _reading(**changes):
    return {"Site": " 7", "Tank": "1 ", "ts": "2026-03-01 06:00", "level_mm": "900", "quality": "good", **changes}


KEY = {"tank_id": ["Site", "Tank"]}


def test_several_columns_are_one_key():
    assert _told("readings", [_reading()], columns=KEY).rows["tank_id"].to_list() == ["7-1"]


def test_half_a_key_is_none():
    rows = [_reading(Site=None), _reading(Site=" "), _reading(Tank="")]
    assert _told("readings", rows, columns=KEY).rows["tank_id"].to_list() == [None] * 3


def test_whichever_of_them_is_missing_is_named():
    with pytest.raises(SourceError, match=r"there is no column 'Tank No' for readings.tank_id \(there are: Site, Tank"):
        _told("readings", [_reading()], columns={"tank_id": ["Site", "Tank No"]})


def test_a_date_and_a_time_of_day_are_one_instant():
    columns = {**KEY, "ts": ["Date", "Time"]}
    row = _reading(Date="03/28/2026", Time="11:55:10 PM")
    told = _told("readings", [row], columns=columns, time_format="%m/%d/%Y %I:%M:%S %p", timezone="America/Chicago")
    assert told.rows["ts"].to_list() == [datetime(2026, 3, 29, 4, 55, 10, tzinfo=UTC)]


def _tank(**changes):
    return {
        "tank_id": "T1", "site_id": "S1", "product": "diesel_b7", "capacity_l": 1.0, "safe_fill_l": 1.0,
        "shape": "vertical_cylinder", "end_shape": "flat", "diameter_mm": 1.0, "length_mm": 1.0, "buried": True,
        "wall_count": 1, **changes,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "form", "found"),
    [
        ("03/04/2026", "%m/%d/%Y", date(2026, 3, 4)), ("03/04/2026", "%d/%m/%Y %H:%M:%S", date(2026, 4, 3)),
        ("16.09.2005", "%d.%m.%Y", date(2005, 9, 16)), ("2026-03-04", "%m/%d/%Y", date(2026, 3, 4)),
        ("2026-03-04", None, date(2026, 3, 4)), ("03/04/2026", None, None), ("03/04/2026", "epoch_s", None),
    ],
)  # fmt: skip
def test_dates_are_written_as_times_are_and_none_is_guessed(text, form, found):
    told = _told("tanks", [_tank(commissioned_on=text)], time_format=form)
    assert told.rows["commissioned_on"].to_list() == ([found] if found else [])
    assert told.refused["reason"].to_list() == ([] if found else ["commissioned_on_unreadable"])


def test_prices_a_gallon():
    """3.785411784 l are a gallon (NIST SP 811)."""
    row = {"sale_id": "1", "meter_id": "M", "ts_start": "2026-03-01 06:00", "ts_end": "2026-03-01 06:01",
           "volume_l": 1.0, "kind": "sale", "PPG": "3.785411784"}  # fmt: skip
    told = _told("sales", [row], columns={"unit_price": {"column": "PPG", "unit": "per_gal_us"}})
    assert told.rows["unit_price"].to_list() == [1.0]


def _api(relative_density):
    return 141.5 / relative_density - 131.5


def test_a_reading_s_api_gravity_is_brought_to_its_temperature():
    """API MPMS 11.1-2004, examples 4 and 6, whose liquids are told by their density: CTL as printed there."""
    columns = {**KEY, "density_kg_m3": {"column": "API", "unit": "api"}, "temp_c": {"column": "F", "unit": "degF"}}
    rows = [
        _reading(API=_api(0.7943), F=85.0), _reading(API=_api(657.3 / 999.016), F=27.3), _reading(API=36.0, F=None),
        _reading(API=None, F=60.0), _reading(API=740.0, F=60.0),
    ]  # fmt: skip
    told = _told("readings", rows, columns=columns)
    assert told.rows["density_kg_m3"].to_list() == [
        pytest.approx(0.7943 * 999.016 * 0.986832406683, abs=2e-6),
        pytest.approx(657.3 * 1.026475833518, abs=2e-6),
        None,
        None,
    ]
    assert told.refused["reason"].to_list() == ["density_kg_m3_unreadable"]


def test_a_ticket_s_api_gravity_is_brought_to_15_c():
    """A °F below 60 °F: by the expansion at 60 °F that the standard prints for example 4, 0.000524557068 a °F."""
    row = {"delivery_id": "D", "tank_id": "T", "ts_ticket": "2026-03-01 06:00", "ticket_volume_l": 1.0}
    columns = {"ticket_density_15_kg_m3": {"column": "API", "unit": "api"}}
    told = _told("deliveries", [{**row, "API": str(_api(0.7943))}], columns=columns)
    assert told.rows["ticket_density_15_kg_m3"].to_list() == [
        pytest.approx(0.7943 * 999.016 * exp(0.000524557068), rel=1e-6)
    ]
    none = _told("deliveries", [{**row, "API": None}], columns=columns)
    assert none.rows["ticket_density_15_kg_m3"].to_list() == [None]
