"""How the report writes a figure: grouped digits, a unit, an interval, a day, a span of time.

Groups of three are parted, and a unit is joined to its number, by a narrow space that does not break (U+202F), as the
SI brochure (9th edition, 5.4.3 and 5.4.4) asks; a negative figure has the minus sign (U+2212).
"""

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.units import digits_for as digits_for

THIN = "\u202f"
MINUS = "\u2212"
UNKNOWN = "\u2013"
# Named here: strftime's names follow the machine's locale, and the same frames must give the same bytes.
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def number(value: float | None, digits: int = 0, *, signed: bool = False) -> str:
    """`value` with `digits` decimals and grouped thousands; a dash where it is unknown.

    >>> number(-12345.6).replace(THIN, "_").replace(MINUS, "-")
    '-12_346'
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{abs(value):,.{max(digits, 0)}f}".replace(",", THIN)
    is_zero = not any(c in "123456789" for c in text)
    if is_zero:
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def quantity(value: float | None, unit: str, digits: int = 0, *, signed: bool = False) -> str:
    """`value` with its unit, or a lone dash where it is unknown."""
    text = number(value, digits, signed=signed)
    return text if text == UNKNOWN else f"{text}{THIN}{unit}"


def rounded(value: float | None, digits: int, *, signed: bool = False) -> str:
    """`value` rounded to `digits` decimals, which may be negative."""
    return UNKNOWN if value is None else number(round(value, digits), digits, signed=signed)


def figures(value: float | None) -> str:
    """`value` to three figures, without zeros that say nothing.

    >>> figures(0.4), figures(12.34), figures(1500.0).replace(THIN, "_")
    ('0.4', '12.3', '1_500')
    """
    digits = digits_for(None, None, value)
    text = rounded(value, digits)
    return text.rstrip("0").rstrip(".") if digits > 0 else text


def interval(low: float | None, high: float | None, value: float | None, *, signed: bool = False) -> str:
    """The words 'low to high' at the resolution that the interval's width earns; empty where there is none."""
    if not (_known(low) and _known(high)):
        return ""
    digits = digits_for(low, high, value)
    return f"{rounded(low, digits, signed=signed)} to {rounded(high, digits, signed=signed)}"


def estimate(value: float | None, low: float | None, high: float | None, unit: str, *, signed: bool = False) -> str:
    """An estimate with its unit and interval: '2 310 l (1 900 to 2 700)'."""
    text = rounded(value, digits_for(low, high, value), signed=signed)
    if text == UNKNOWN:
        return text
    span = interval(low, high, value, signed=signed)
    return f"{text}{THIN}{unit}" + (f" ({span})" if span else "")


def probability(value: float | None) -> str:
    """A share as whole per cents, never written as certain."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value > 0.99:
        return f">{THIN}99{THIN}%"
    return f"<{THIN}1{THIN}%" if value < 0.01 else f"{value * 100:.0f}{THIN}%"


def day(value: date | None, *, with_year: bool = True) -> str:
    """A day as '3 Mar 2026'."""
    if value is None:
        return UNKNOWN
    return f"{value.day} {MONTHS[value.month - 1][:3]}" + (f" {value.year}" if with_year else "")


def month(value: date | None) -> str:
    """A month as 'March 2026'."""
    return UNKNOWN if value is None else f"{MONTHS[value.month - 1]} {value.year}"


def zone(name: str | None) -> ZoneInfo:
    """The site's time zone, UTC where it names none that is known."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")


def moment(value: datetime | None, tz: ZoneInfo) -> str:
    """An instant on the site's wall clock, to the minute."""
    if value is None:
        return UNKNOWN
    local = value.astimezone(tz)
    return f"{day(local.date())}, {local:%H:%M}"


def window(start: datetime, end: datetime | None, tz: ZoneInfo) -> str:
    """A stretch of time on the site's wall clock; the day is said once where it is the same."""
    if end is None:
        return moment(start, tz)
    same = start.astimezone(tz).date() == end.astimezone(tz).date()
    return f"{moment(start, tz)} to {end.astimezone(tz):%H:%M}" if same else f"{moment(start, tz)} to {moment(end, tz)}"


def span(length: timedelta) -> str:
    """A length of time in the unit that a person would use."""
    minutes = length.total_seconds() / 60
    if minutes < 100:
        return f"{max(minutes, 1):.0f}{THIN}min"
    if minutes < 48 * 60:
        return f"{minutes / 60:.0f}{THIN}h"
    return f"{minutes / 1440:.0f} days"


def count(n: int, one: str, many: str) -> str:
    """'1 site', '3 sites'."""
    return f"{number(n)} {one if n == 1 else many}"


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)
