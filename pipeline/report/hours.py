"""A site's trading days and shifts as instants: when its clock shows what."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any, Final

from pipeline.features.trading_days import opening_s
from pipeline.report import format as fmt

Row = dict[str, Any]
_DAY: Final = timedelta(days=1)
_SHIFT: Final = timedelta(hours=8)


def opens_at(site: Row) -> time:
    """The wall-clock time at which the site's trading day opens; midnight where it names none."""
    try:
        return time.fromisoformat(site["trading_day_start"] or "00:00")
    except ValueError:
        return time()


def usual_hours(site: Row) -> list[time]:
    """Three shifts of eight hours from where the trading day opens: nobody has said others."""
    first = datetime.combine(date.min, opens_at(site))
    return [(first + number * _SHIFT).time() for number in range(3)]


def opening(site: Row, day: date) -> datetime:
    """The instant in UTC at which a trading day of the site opens."""
    return _instant(site, day, opens_at(site))


def _instant(site: Row, day: date, at: time) -> datetime:
    return datetime.fromtimestamp(opening_s(day, fmt.zone(site["timezone"]), at), UTC)


def day_at(site: Row, at: datetime) -> date:
    """The trading day that an instant falls on."""
    day = at.astimezone(fmt.zone(site["timezone"])).date()
    return day if opening(site, day) <= at else day - _DAY


def shifts_of(site: Row, day: date, hours: Sequence[time]) -> list[tuple[datetime, datetime]]:
    """Start and end of each shift that begins on a trading day; one ends where the next begins, also over midnight."""
    opens = opens_at(site)
    days = [day + k * _DAY for k in (0, 1)]
    starts = [_instant(site, d if at >= opens else d + _DAY, at) for d in days for at in hours]
    return list(pairwise(sorted(starts)[: len(hours) + 1]))
