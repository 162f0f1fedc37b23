"""Kind of evidence: contract. What is made from the schemas is current, and covers what the contract names."""

import duckdb
import polars as pl
import pytest

from pipeline.contract import vocabulary
from pipeline.contract.columns import unit
from pipeline.contract.dictionary import ALL_TABLES, duckdb_columns, markdown, polars_schema
from pipeline.contract.fields import FIELDS
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.run import RUN_TABLES
from pipeline.contract.store import INTERNAL_TABLES
from pipeline.contract.views import VIEWS
from pipeline.resources import shared_dir


def test_data_dictionary_is_current():
    written = (shared_dir() / "data_dictionary.md").read_text(encoding="utf-8")
    assert written == markdown(), "stale: run `make docs`"


def test_lake_and_run_hold_the_tables_of_the_contract():
    assert list(LAKE_TABLES) == [
        "sites", "tanks", "strapping", "meters", "meter_feeds", "readings", "sales", "meter_totals", "deliveries",
        "events", "labels",
    ]  # fmt: skip
    assert list(RUN_TABLES) == ["cases", "tank_days", "variance_parts", "statements", "quarantine"]


# Written off the lake contract by hand, so that a slip in the schemas shows.
CONTRACT_COLUMNS = {
    "sites": "site_id name timezone trading_day_start currency? latitude? longitude?",
    "tanks": "tank_id site_id product capacity_l safe_fill_l shape end_shape end_depth_mm? diameter_mm length_mm "
    "tilt_mm_per_m? probe_position_mm? buried wall_count manifold_id? commissioned_on?",
    "strapping": "tank_id valid_from level_mm volume_l",
    "meters": "meter_id site_id dispenser hose",
    "meter_feeds": "meter_id tank_id share valid_from valid_to?",
    "readings": "tank_id ts level_mm? water_mm? temp_c? density_kg_m3? quality",
    "sales": "sale_id meter_id ts_start ts_end volume_l unit_price? kind",
    "meter_totals": "meter_id ts total_l",
    "deliveries": "delivery_id tank_id ts_ticket ticket_volume_l ticket_temp_c? ticket_density_15_kg_m3? carrier? "
    "vehicle? terminal?",
    "events": "event_id ts site_id tank_id? meter_id? kind note?",
    "labels": "label_id cause verdict site_id tank_id? meter_id? delivery_id? ts_start ts_end? litres? learned_on?",
    "cases": "case_id cause site_id tank_id? meter_id? delivery_id? raised_on ts_start ts_end? litres? litres_low? "
    "litres_high? rate_l_per_h? meter_error_pct? probability urgency action summary",
    "tank_days": "tank_id trading_day opening_stock_l? deliveries_l? sales_l? book_stock_l? closing_stock_l? "
    "variance_l? water_mm? temp_c? physics_score? forest_score? is_anomalous",
    "variance_parts": "tank_id trading_day part litres",
    "statements": "tank_id month throughput_l? variance_l? allowance_l? leak_rate_l_per_h? leak_rate_low? "
    "leak_rate_high? detectable_l_per_h? verdict reason?",
    "quarantine": "table row reason",
}


@pytest.mark.parametrize("table", CONTRACT_COLUMNS)
def test_columns_and_nulls_are_those_of_the_contract(table):
    columns = ALL_TABLES[table].columns()
    assert " ".join(name + "?" * col.nullable for name, col in columns.items()) == CONTRACT_COLUMNS[table]


PROMISED = {
    "sites": "site_id site timezone currency latitude longitude data_to tanks silent_tanks last_reading_ts month "
    "month_sales_l month_variance_l open_cases urgent_cases",
    "tanks": "tank_id site_id site product manifold_id capacity_l safe_fill_l data_to last_reading_ts last_reading_on "
    "level_mm water_mm temp_c stock_on stock_l ullage_l price currency month month_sales_l month_variance_l "
    "troubles open_cases",
    "days": "tank_id trading_day site_id site product month opening_stock_l deliveries_l sales_l book_stock_l "
    "closing_stock_l variance_l is_anomalous tank_leak_l line_leak_l bulk_theft_l slow_theft_l meter_drift_l "
    "missing_sales_l chart_error_l wrong_feed_l short_delivery_l over_delivery_l missing_ticket_l "
    "wrong_product_l water_ingress_l phase_separation_l probe_fault_l clock_skew_l unexplained_l thermal_l "
    "vapour_l meter_tolerance_l chart_tolerance_l ticket_tolerance_l residual_l",
    "cases": "case_id site_id site tank_id product meter_id delivery_id cause urgency probability state raised_on "
    "age_days ts_start ts_end litres litres_low litres_high rate_l_per_h meter_error_pct stake currency owner "
    "due_on is_back verdict closed_cause closed_by closed_at agreed_l recovered notes last_note last_said_at "
    "summary action",
    "litres_by_cause": "tank_id month part is_named site_id site product lost_l gained_l",
    "meters": "meter_id tank_id site_id site product dispenser hose is_feeding estimated_on sold_l error_pct "
    "error_low_pct error_high_pct open_cases",
    "deliveries": "drop_id delivery_id site_id site tank_id product dropped_on ts_start ts_end tickets carrier vehicle "
    "terminal ticket_volume_l gain_l sold_during_l mismatch_l mismatch_sd_l temperature_l chart_l meters_l "
    "left_l left_sd_l chart_sd_l",
    "statements": "tank_id month site_id site product days throughput_l variance_l variance_pct variance_worth "
    "currency allowance_l is_beyond_allowance leak_rate_l_per_h leak_rate_low leak_rate_high detectable_l_per_h "
    "verdict reason",
}  # fmt: skip
"""The columns that each view had when it was first published; people's pages hang on them."""


@pytest.mark.parametrize("view", PROMISED)
def test_a_views_columns_stay_and_new_ones_come_after_them(view):
    promised = PROMISED[view].split()
    assert list(VIEWS[view].columns())[: len(promised)] == promised


def test_every_timestamp_is_utc_microseconds():
    for schema in ALL_TABLES.values():
        for name, dtype in polars_schema(schema).items():
            if isinstance(dtype, pl.Datetime) or name.startswith("ts"):
                assert dtype == pl.Datetime("us", "UTC"), name


@pytest.mark.parametrize("table", ALL_TABLES)
def test_ddl_makes_a_table_that_takes_the_polars_frame(table):
    schema = ALL_TABLES[table]
    with duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        con.execute(f'create table "{table}" ({duckdb_columns(schema)})')
        frame = schema.create_empty()
        con.register("frame", frame)
        con.execute(f'insert into "{table}" select * from frame')
        back = con.sql(f'from "{table}"').pl()
    assert back.columns == frame.columns
    assert back.dtypes == frame.dtypes


def test_every_field_is_used_and_its_words_fit_its_unit():
    schemas = [*ALL_TABLES.values(), *INTERNAL_TABLES.values(), *VIEWS.values()]
    used = {name for schema in schemas for name in schema.columns()}
    assert {field.rpartition(".")[2] for field in FIELDS} == used
    assert unit("tilt_mm_per_m") == "mm/m"
    assert unit("leak_rate_l_per_h") == "l/h"
    assert unit("ticket_density_15_kg_m3") == "kg/m³"
    assert unit("quality") is None


def test_lists_of_words_hold_what_the_contract_lists():
    assert len(vocabulary.CAUSES) == 17
    assert set(vocabulary.CAUSES_WITHOUT_LITRES) < set(vocabulary.CAUSES)
    assert len(vocabulary.PRODUCTS) == 9
    assert len(vocabulary.PARTS) == 17 + 6
    assert vocabulary.URGENCIES == ("act_now", "today", "this_week", "watch")
    assert vocabulary.VERDICTS == ("pass", "inconclusive", "fail")
    assert vocabulary.QUALITIES == ("good", "uncertain", "bad")
