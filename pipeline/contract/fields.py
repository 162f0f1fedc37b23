"""Every column of the contract, once: its type, its range, its words and what it means.

Where one name has a meaning of its own in a table, the table stands in front. A column's unit is its name's suffix.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, Literal

import polars as pl

from pipeline.contract import vocabulary as words

Kind = Literal["str", "f64", "i8", "i32", "i64", "bool", "date", "timestamp"]
Check = Callable[[pl.Expr], pl.Expr]

EARLIEST: Final = datetime(1990, 1, 1, tzinfo=UTC)
"""An instant before this is a clock that was never set."""
LATEST: Final = datetime(2100, 1, 1, tzinfo=UTC)
"""An instant from this on is a clock that was set wrong."""
MOST_L: Final = 1e9
"""No litres of one row are as many: the largest tanks of the trade hold a quarter of it (common practice, no source).
Below it a double still tells a ten-millionth of a litre, so that a day's parts add up."""
MOST_MM: Final = 1e6
"""No tank is a kilometre high or long."""


@dataclass(frozen=True, slots=True)
class Field:
    """What a column is, wherever it stands."""

    kind: Kind
    description: str
    words: tuple[str, ...] = ()
    checks: Mapping[str, Check] | None = None


def _in_range(expr: pl.Expr) -> pl.Expr:
    return (expr >= EARLIEST) & (expr < LATEST)


_TIME: Final[Mapping[str, Check]] = {"in_range": _in_range}
_POSITIVE: Final[Mapping[str, Check]] = {"positive": lambda expr: expr > 0}
_NOT_NEGATIVE: Final[Mapping[str, Check]] = {"not_negative": lambda expr: expr >= 0}
_LITRES: Final[Mapping[str, Check]] = {**_NOT_NEGATIVE, "plausible": lambda expr: expr < MOST_L}
_CAPACITY: Final[Mapping[str, Check]] = {**_POSITIVE, "plausible": lambda expr: expr < MOST_L}
_LENGTH: Final[Mapping[str, Check]] = {**_POSITIVE, "plausible": lambda expr: expr < MOST_MM}
_DEPTH: Final[Mapping[str, Check]] = {**_NOT_NEGATIVE, "plausible": lambda expr: expr < MOST_MM}
_SHARE: Final[Mapping[str, Check]] = {"in_0_to_1": lambda expr: (expr > 0) & (expr <= 1)}
_PROBABILITY: Final[Mapping[str, Check]] = {"in_0_to_1": lambda expr: (expr >= 0) & (expr <= 1)}
_WALL_CLOCK: Final[Mapping[str, Check]] = {
    "is_hh_mm": lambda expr: expr.str.contains(r"^([01][0-9]|2[0-3]):[0-5][0-9]$")
}
_NAMED: Final[Mapping[str, Check]] = {"not_empty": lambda expr: expr != ""}


def _key(description: str) -> Field:
    return Field("str", description, checks=_NAMED)


def _text(description: str) -> Field:
    return Field("str", description)


def _word(description: str, known: tuple[str, ...]) -> Field:
    return Field("str", description, words=known)


def _number(description: str, checks: Mapping[str, Check] | None = None) -> Field:
    return Field("f64", description, checks=checks)


def _instant(description: str) -> Field:
    return Field("timestamp", description, checks=_TIME)


FIELDS: Final[Mapping[str, Field]] = {
    # Keys
    "site_id": _key("The site."),
    "tank_id": _key("The tank; unique in the fleet."),
    "meter_id": _key("The meter; unique in the fleet."),
    "sale_id": _key("The sale."),
    "delivery_id": _key("The delivery."),
    "event_id": _key("The entry in the site's log."),
    "label_id": _key("What was found out."),
    "case_id": _key("The case; the same from run to run."),
    "drop_id": _key("The drop: product seen arriving in the tank."),
    "manifold_id": _text("Tanks that a siphon joins share one."),
    # Sites
    "sites.name": _text("What people call the site."),
    "timezone": _text("The site's time zone, by its IANA name."),
    "trading_day_start": Field(
        "str",
        "Local wall-clock time, HH:MM, at which a trading day opens; it lasts 23 or 25 hours where clocks change.",
        checks=_WALL_CLOCK,
    ),
    "currency": _text("Currency of the prices, ISO 4217."),
    "latitude": _number("Degrees north."),
    "longitude": _number("Degrees east."),
    # Tanks
    "product": _word("What the tank holds.", words.PRODUCTS),
    "capacity_l": _number("Volume of the whole tank.", _CAPACITY),
    "safe_fill_l": _number("Volume that it may be filled to.", _CAPACITY),
    "shape": _word("How the shell stands.", words.SHAPES),
    "end_shape": _word(
        "Shape of both ends. A torispherical end has a crown radius of one diameter and a knuckle radius of a tenth.",
        words.END_SHAPES,
    ),
    "end_depth_mm": _number("Depth of each end, for `spherical_cap`.", _DEPTH),
    "diameter_mm": _number("Inner diameter of the shell.", _LENGTH),
    "length_mm": _number("Length, or height, of the shell without its ends.", _LENGTH),
    "tilt_mm_per_m": _number("Fall of the axis toward +x; x runs along the axis from mid-length."),
    "probe_position_mm": _number("The probe's x; the depth at x is level + tilt·(x − probe_position)."),
    "buried": Field("bool", "Whether the tank lies in the ground."),
    "wall_count": Field("i8", "Walls of the tank.", checks=_POSITIVE),
    "commissioned_on": Field("date", "When the tank was put into service."),
    # Charts and feeds
    # No range: far years are how some systems write 'since ever' and 'for ever'.
    "valid_from": Field("timestamp", "From when on it holds."),
    "valid_to": Field("timestamp", "Until when it holds; null while it does."),
    "strapping.level_mm": _number("Level of the product's surface above the tank's bottom at the probe.", _DEPTH),
    "strapping.volume_l": _number("Volume below the level, as the site's chart has it.", _LITRES),
    "dispenser": _text("The dispenser that the meter is in."),
    "hose": _text("The hose that the meter serves."),
    "share": _number("Share of what the meter gives that the tank supplies.", _SHARE),
    # What is measured
    "ts": _instant("The instant, in UTC."),
    "level_mm": _number("The product's surface above the tank's bottom at the probe, water included."),
    "water_mm": _number("The water's surface above the tank's bottom at the probe."),
    "temp_c": _number("Temperature of the product."),
    "density_kg_m3": _number("Density of the product, observed at `temp_c`."),
    "quality": _word("What the gauge says of its own reading.", words.QUALITIES),
    "ts_start": _instant("When it began, in UTC."),
    "ts_end": _instant("When it ended, in UTC."),
    "volume_l": _number("Litres that the meter recorded, at ambient temperature.", _LITRES),
    "unit_price": _number("Price of a litre in the site's currency."),
    "sales.kind": _word("`test_return` was drawn for a meter test and poured back.", words.SALE_KINDS),
    "total_l": _number("The running totaliser; it rolls over and is reset now and then.", _NOT_NEGATIVE),
    "ts_ticket": _instant("The ticket's time in UTC; it may be hours from the drop."),
    "ticket_volume_l": _number("Litres on the ticket, observed at `ticket_temp_c`.", _LITRES),
    "ticket_temp_c": _number("Temperature on the ticket."),
    "ticket_density_15_kg_m3": _number("Density on the ticket, at 15 °C."),
    "carrier": _text("Who brought it."),
    "vehicle": _text("The vehicle that brought it."),
    "terminal": _text("Where it was loaded."),
    "events.kind": _word("What happened.", words.EVENT_KINDS),
    "note": _text("What somebody wrote beside it."),
    "events.note": _text(
        "What somebody wrote beside it. Of `stock_measured` and `drop_metered` it tells the litres (`962.9 l`), of "
        "`meter_proved` what the meter showed and what the can held (`20.00 l shown, 19.97 l in the can`)."
    ),
    # What was found out
    "cause": _word("Why litres went missing or came from nowhere.", words.CAUSES),
    "labels.verdict": _word("Whether it was so.", words.LABEL_VERDICTS),
    "learned_on": Field("date", "When it was found out."),
    "who": _text("Who said so."),
    "at": _instant("When it was said."),
    "sayings.kind": _word("What was said.", words.SAYING_KINDS),
    "owner": _text("In whose hands the case is."),
    "due_on": Field("date", "By when it is to be done."),
    "file": _text("A picture or paper, as it is called in `said/files`: SHA-256 of its bytes, and its type."),
    "file_name": _text("What the file was called where it came from."),
    "recovered": _number("Money that came back, in the site's currency.", _NOT_NEGATIVE),
    "seen_litres_low": _number("The case's `litres_low` when it was closed."),
    "seen_litres_high": _number("The case's `litres_high` when it was closed."),
    "seen_urgency": _word("The case's `urgency` when it was closed.", words.URGENCIES),
    "litres": _number("Effect on variance from `ts_start` to `ts_end` or the last data; a loss is negative."),
    # Cases
    "raised_on": Field("date", "Last UTC day of data that it took to raise the case."),
    "litres_low": _number("Lower bound of the 95 % interval of `litres`."),
    "litres_high": _number("Upper bound of the 95 % interval of `litres`."),
    "rate_l_per_h": _number("Rate of a leak; positive when product leaves. A line's is per hour with a hose open."),
    "meter_error_pct": _number("Recorded ÷ true − 1; a ramp's at the window's end."),
    "probability": _number("Probability that the case is real and of that cause.", _PROBABILITY),
    "urgency": _word("How soon somebody must act.", words.URGENCIES),
    "action": _text("What to do."),
    "summary": _text("What was found, in words."),
    # Days
    "trading_day": Field("date", "The trading day, by the local date on which it opens."),
    "opening_stock_l": _number("Gauge stock at the day's opening."),
    "deliveries_l": _number("Ticketed litres on the day of the drop, or of the ticket where no drop is found."),
    "sales_l": _number("Litres sold; a test return is not."),
    "book_stock_l": _number("Opening stock + deliveries − sales."),
    "closing_stock_l": _number("Gauge stock at the day's close."),
    "variance_l": _number("Gauge stock − book stock; a loss is negative."),
    "physics_score": _number("How odd the day is to the balance; high is odd."),
    "forest_score": _number("How odd the day is to the isolation forest; high is odd."),
    "is_anomalous": Field("bool", "Whether either score is beyond its threshold."),
    "part": _word("What a share of the day's variance is put down to.", words.PARTS),
    # Statements
    "month": Field("date", "First day of the calendar month of trading days."),
    "throughput_l": _number("Litres sold in the month."),
    "allowance_l": _number("Variance that the month's throughput allows."),
    "leak_rate_l_per_h": _number("Estimate of the leak; positive when product leaves."),
    "leak_rate_low": _number("Lower bound of its 95 % interval."),
    "leak_rate_high": _number("Upper bound of its 95 % interval."),
    "detectable_l_per_h": _number("Leak that this month's data would have shown at Pd 95 %, Pfa 5 %."),
    "statements.verdict": _word("What the month says of the tank's tightness.", words.VERDICTS),
    "statements.reason": _text("Why it is inconclusive."),
    # What was refused
    "table": _text("Table of the lake that the row came from."),
    "row": _text("The row, as JSON."),
    "reason": _text("Names of the rules that the row breaks."),
    # The ledger
    "day": Field("date", "UTC day of `ts_end`."),
    "level_start_mm": _number("Settled level at the interval's start."),
    "level_end_mm": _number("Settled level at the interval's end."),
    "water_end_mm": _number("Settled water level at the interval's end."),
    "temp_end_c": _number("Temperature at the interval's end."),
    "gauge_start_l": _number("Gauge stock at the interval's start."),
    "gauge_end_l": _number("Gauge stock at the interval's end."),
    "delivered_l": _number("Litres delivered in the interval."),
    "sold_l": _number("Litres sold."),
    "pump_hours": _number("Hours with a hose of the tank open."),
    "residual_l": _number("Gauge change − deliveries + sales."),
    "noise_sd_l": _number("Standard deviation of the measurement error in `residual_l`."),
    "is_quiet": Field("bool", "Whether nothing was sold or delivered in the interval."),
    # What the analysis keeps for the report
    "gain_l": _number("Rise of the gauge stock over the drop, what was sold during it included."),
    "sold_during_l": _number("Litres sold during the drop."),
    "mismatch_l": _number("Gain − ticket."),
    "mismatch_sd_l": _number("Standard deviation of `mismatch_l`."),
    "left_l": _number("What is left of gain − ticket by the balance, the tank's own chart and meters taken out."),
    "left_sd_l": _number("Standard deviation of `left_l` from drop to drop: ticket, hoses, waves."),
    "chart_sd_l": _number("Standard deviation of `left_l` that the tank's drops share: its chart's and meters'."),
    "temperature_l": _number("Of gain − ticket, what temperatures make: ticket, stock before the drop, thermometer."),
    "chart_l": _number("Of gain − ticket, what the tank's chart makes, by what the run believes of it."),
    "meters_l": _number("Of gain − ticket, what the tank's meters make of the sales around the drop."),
    "draws.litres": _number("Unmetered litres that left; negative."),
    "sd_l": _number("Standard deviation of the litres."),
    "draws.kind": _text("What sort of draw it looks like."),
    "seq": Field("i32", "Order, within the case where there is one."),
    "evidence.kind": _text("What sort of evidence it is."),
    "evidence.name": _text("What is shown."),
    "value": _number("Its value."),
    "unit": _text("Unit of the value."),
    "error_pct": _number("Estimate of the meter's error: recorded ÷ true − 1."),
    "error_low_pct": _number("Lower bound of its 95 % interval."),
    "error_high_pct": _number("Upper bound of its 95 % interval."),
    "features.name": _text("The feature."),
    "z": _number("The value, standardised on the tank's own past."),
    "readings": Field("i64", "Readings on the day."),
    "bad_share": _number("Share of them that is of bad quality.", _PROBABILITY),
    "gap_hours": _number("Longest time without a reading."),
    "deadband_mm": _number("Change that the reporting hides."),
    "is_stuck": Field("bool", "Whether the gauge stood still while product moved."),
    "clock_skew_s": _number("Gauge's clock − till's clock."),
    # What ails the data
    "data_health.kind": _word("What the trouble is.", words.DATA_TROUBLES),
    "data_health.value": _number("How much of it: what `note` says."),
    "since": Field("timestamp", "Since when it shows; null where that is not known."),
    # What the fleet's decoys say of its cases
    "expected_false.cases": Field("i64", "Cases of the cause."),
    "expected_false": _number("How many of them are expected to be false: what their probabilities leave."),
    "decoys": Field("i64", "Decoys of the cause as strong as the weakest of them; null where it has no decoys."),
    "stage": _text("Stage of the run."),
    "rows": Field("i64", "Rows."),
    "seconds": _number("How long it took."),
    # What the store remembers
    "_part": Field("date", "UTC day of the folder it was read from; null outside such a folder."),
    "digest": _text("Hash of the part's files: their names, sizes and times of change."),
    "read": Field("i64", "Rows read."),
    "doubles": Field("i64", "Rows that were exact doubles of others."),
    "state.name": _text("What is remembered."),
    "state.value": _text("What it was."),
    "run_log.day": Field("date", "Day of data that the stage was about."),
    # Views
    "site": _text("What people call the site."),
    "data_to": Field("date", "Last UTC day of the run's data."),
    "last_reading_ts": _instant("The last reading that is not bad and lies within the tank."),
    "last_reading_on": Field("date", "UTC day of that reading."),
    "tanks": Field("i64", "Tanks of the site."),
    "silent_tanks": Field("i64", "Those of them without such a reading on `data_to`."),
    "month_sales_l": _number("Litres sold in `month`, so far."),
    "month_variance_l": _number("Variance in `month`, so far; a loss is negative."),
    "open_cases": Field("i64", "Cases on the worklist."),
    "urgent_cases": Field("i64", "Those of them to be acted on now or today."),
    "stock_on": Field("date", "The last trading day of which the closing stock is known."),
    "stock_l": _number("Gauge stock at the close of `stock_on`."),
    "ullage_l": _number("Safe fill − stock: what may still be filled in."),
    "price": _number("Price of a litre at the tank's latest sale, in the site's currency."),
    "troubles": _text("What ails the tank's data: words of `data_health.kind`, comma between."),
    "age_days": Field("i64", "Days from `raised_on` to `data_to`."),
    "stake": _number("What the litres are worth at the latest selling price; null where not known, or none at stake."),
    "state": _word("Where it stands: on the worklist, over, or closed by somebody.", words.STATES),
    "is_back": Field("bool", "Whether it was closed, and is open again because more has happened."),
    "closed_at": _instant("When it was closed."),
    "closed_by": _text("Who closed it."),
    "closed_cause": _word("What it was, by who closed it.", words.CAUSES),
    "agreed_l": _number("Its effect on variance, by who closed it; a loss is negative."),
    "notes": Field("i64", "Notes that people wrote on it."),
    "last_note": _text("The last of them."),
    "last_said_at": _instant("When anything was last said of it."),
    "is_named": Field("bool", "Whether the part is a cause by name: no noise, tolerance, temperature or rest."),
    "lost_l": _number("Sum of the days on which the part took litres; negative."),
    "gained_l": _number("Sum of the days on which the part brought litres."),
    "days": Field("i64", "Trading days of which the variance is known."),
    "is_feeding": Field("bool", "Whether the tank feeds the meter at the end of `data_to`."),
    "estimated_on": Field("date", "UTC day up to which the estimate goes."),
    "tickets": Field("i64", "Tickets of the drop."),
    "dropped_on": Field("date", "Local date of the drop, or of the ticket where no drop is found."),
    "variance_pct": _number("Variance ÷ throughput."),
    "variance_worth": _number("Variance at the tank's latest selling price, in the site's currency."),
    "is_beyond_allowance": Field("bool", "Whether the variance, either way, is more than the allowance."),
    **{f"parts.{part}_l": _number(f"Of the day's variance, what is put down to `{part}`.") for part in words.PARTS},
}
