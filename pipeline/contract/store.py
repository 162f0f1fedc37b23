"""What the store keeps between the lake and the run's tables, for the report and for whoever asks why.

These tables are the project's own: they may change from version to version.
"""

from collections.abc import Mapping
from typing import Final

import dataframely as dy
import polars as pl

from pipeline.contract import rules
from pipeline.contract.columns import column


class Ledger(dy.Schema):
    """One row is the interval between two settled readings of a tank, and the balance over it."""

    tank_id = column("tank_id", key=True)
    ts_start = column("ts_start", key=True)
    ts_end = column("ts_end")
    day = column("day")
    level_start_mm = column("level_start_mm", nullable=True)
    level_end_mm = column("level_end_mm", nullable=True)
    water_end_mm = column("water_end_mm", nullable=True)
    temp_end_c = column("temp_end_c", nullable=True)
    gauge_start_l = column("gauge_start_l", nullable=True)
    gauge_end_l = column("gauge_end_l", nullable=True)
    delivered_l = column("delivered_l", nullable=True)
    sold_l = column("sold_l", nullable=True)
    pump_hours = column("pump_hours", nullable=True)
    residual_l = column("residual_l", nullable=True)
    noise_sd_l = column("noise_sd_l", nullable=True)
    is_quiet = column("is_quiet")

    @dy.rule()
    def ends_after_start(cls) -> pl.Expr:
        """See `rules.ends_after_start`."""
        return rules.ends_after_start()


class Drops(dy.Schema):
    """One row is product seen arriving in a tank, with the ticket that it fits, if any."""

    tank_id = column("tank_id")
    drop_id = column("drop_id", key=True)
    ts_start = column("ts_start")
    ts_end = column("ts_end")
    gain_l = column("gain_l")
    sold_during_l = column("sold_during_l")
    delivery_id = column("delivery_id", nullable=True)
    ticket_volume_l = column("ticket_volume_l", nullable=True)
    mismatch_l = column("mismatch_l", nullable=True)
    mismatch_sd_l = column("mismatch_sd_l", nullable=True)


class DropLeft(dy.Schema):
    """One row is a ticketed drop as the last run has it: what is left of it once its tank's own errors are out."""

    tank_id = column("tank_id")
    drop_id = column("drop_id", key=True)
    delivery_id = column("delivery_id")
    ticket_volume_l = column("ticket_volume_l")
    left_l = column("left_l")
    left_sd_l = column("left_sd_l")
    chart_sd_l = column("chart_sd_l")
    temperature_l = column("temperature_l")
    chart_l = column("chart_l")
    meters_l = column("meters_l")


class DropTickets(dy.Schema):
    """One row is a ticket of a drop."""

    tank_id = column("tank_id")
    drop_id = column("drop_id", key=True)
    delivery_id = column("delivery_id", key=True)


class Draws(dy.Schema):
    """One row is a sudden unmetered draw."""

    tank_id = column("tank_id", key=True)
    ts_start = column("ts_start", key=True)
    ts_end = column("ts_end")
    litres = column("draws.litres")
    sd_l = column("sd_l")
    kind = column("draws.kind")


class Features(dy.Schema):
    """One row is a feature of a tank's trading day."""

    tank_id = column("tank_id", key=True)
    trading_day = column("trading_day", key=True)
    name = column("features.name", key=True)
    value = column("value", nullable=True)
    z = column("z", nullable=True)


class MeterEstimates(dy.Schema):
    """One row is what a tank's balance says of a meter up to a day."""

    tank_id = column("tank_id", key=True)
    meter_id = column("meter_id", key=True)
    day = column("day", key=True)
    sold_l = column("sold_l", nullable=True)
    error_pct = column("error_pct", nullable=True)
    error_low_pct = column("error_low_pct", nullable=True)
    error_high_pct = column("error_high_pct", nullable=True)


class Evidence(dy.Schema):
    """One row is a piece of what speaks for a case, in the order in which to show it."""

    case_id = column("case_id", key=True)
    seq = column("seq", key=True)
    kind = column("evidence.kind")
    ts_start = column("ts_start", nullable=True)
    ts_end = column("ts_end", nullable=True)
    name = column("evidence.name")
    value = column("value", nullable=True)
    unit = column("unit", nullable=True)
    note = column("note", nullable=True)


class Health(dy.Schema):
    """One row is how well a tank's gauge reported on a UTC day."""

    tank_id = column("tank_id", key=True)
    day = column("day", key=True)
    readings = column("readings")
    bad_share = column("bad_share", nullable=True)
    gap_hours = column("gap_hours", nullable=True)
    deadband_mm = column("deadband_mm", nullable=True)
    is_stuck = column("is_stuck")
    clock_skew_s = column("clock_skew_s", nullable=True)


class RunLog(dy.Schema):
    """One row is a step of the run that made this store."""

    stage = column("stage")
    day = column("run_log.day", nullable=True)
    rows = column("rows")
    seconds = column("seconds")
    note = column("note", nullable=True)


STORE_TABLES: Final[Mapping[str, type[dy.Schema]]] = {
    "ledger": Ledger,
    "drops": Drops,
    "drop_left": DropLeft,
    "drop_tickets": DropTickets,
    "draws": Draws,
    "features": Features,
    "meter_estimates": MeterEstimates,
    "evidence": Evidence,
    "health": Health,
    "run_log": RunLog,
}
"""Every table that only the store has."""


class DataHealth(dy.Schema):
    """One row is what ails the data of a tank, or of the fleet where it names none; it is no loss and no gain."""

    site_id = column("site_id", nullable=True)
    tank_id = column("tank_id", nullable=True)
    kind = column("data_health.kind")
    since = column("since", nullable=True)
    value = column("data_health.value", nullable=True)
    note = column("note", nullable=True)


class ExpectedFalse(dy.Schema):
    """One row is a cause that has cases: how many of them may be false, by decoys, which nothing can cause."""

    cause = column("cause", key=True)
    cases = column("expected_false.cases")
    expected_false = column("expected_false")
    decoys = column("decoys", nullable=True)


DATA_TABLES: Final[Mapping[str, type[dy.Schema]]] = {"data_health": DataHealth, "expected_false": ExpectedFalse}
"""What a run says of the data itself, and of how far its cases may be trusted."""


class Sayings(dy.Schema):
    """One row is what somebody said of a case, or of a time of a tank, in the order in which it was said.

    Columns from `verdict` on are those of a closing. The folder `said` beside the store is where it is kept, a file a
    row, and the store's table is what a run found there when it was published.
    """

    seq = column("seq", key=True)
    at = column("at")
    who = column("who", nullable=True)
    case_id = column("case_id", nullable=True)
    kind = column("sayings.kind")
    owner = column("owner", nullable=True)
    due_on = column("due_on", nullable=True)
    note = column("note", nullable=True)
    file = column("file", nullable=True)
    file_name = column("file_name", nullable=True)
    verdict = column("labels.verdict", nullable=True)
    cause = column("cause", nullable=True)
    site_id = column("site_id", nullable=True)
    tank_id = column("tank_id", nullable=True)
    meter_id = column("meter_id", nullable=True)
    delivery_id = column("delivery_id", nullable=True)
    ts_start = column("ts_start", nullable=True)
    ts_end = column("ts_end", nullable=True)
    litres = column("litres", nullable=True)
    recovered = column("recovered", nullable=True)
    learned_on = column("learned_on", nullable=True)
    seen_litres_low = column("seen_litres_low", nullable=True)
    seen_litres_high = column("seen_litres_high", nullable=True)
    seen_urgency = column("seen_urgency", nullable=True)


KEPT_TABLES: Final[Mapping[str, type[dy.Schema]]] = {"sayings": Sayings}
"""Tables that people add to and no run changes."""


class Parts(dy.Schema):
    """One row is a part of the lake that the store has taken in: the files of one table in one folder."""

    table = column("table")
    _part = column("_part", nullable=True)
    digest = column("digest")
    read = column("read")
    doubles = column("doubles")


class Refused(dy.Schema):
    """One row is a row of the lake that was refused, with the part that it stood in."""

    table = column("table")
    row = column("row")
    reason = column("reason")
    _part = column("_part", nullable=True)


class State(dy.Schema):
    """One row is something that the store remembers of its last run."""

    name = column("state.name", key=True)
    value = column("state.value")


INTERNAL_TABLES: Final[Mapping[str, type[dy.Schema]]] = {"_parts": Parts, "_refused": Refused, "_state": State}
"""Tables by which the store knows what is new; nobody else reads them."""
