"""One case made ready to be read: its words, its litres and money, where it stands."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.contract.causes import CAUSE
from pipeline.report import format as fmt
from pipeline.report import said_text, text
from pipeline.said.sayings import Standing

_UTC = ", UTC"
_GROUPED = re.compile(r"(?<=\d),(?=\d{3}(?!\d))")
URGENCIES = tuple(text.URGENCY)
# How long a case that is over is still news: claims and recordings last about as long; common practice, no source.
CURRENT_DAYS = 14


@dataclass(frozen=True)
class Case:
    """A case made ready to be shown.

    `row` is what the run left of it, `tanks` all that it touches, `pool` their being joined in words; `said` where it
    stands by what people said of it, `believed` what earlier runs made of it, the oldest first; `gone` how the run
    shows a danger to be over, None while it is not, and `news` what is new of it since the run before, nothing where
    there was none.
    """

    row: Mapping[str, Any]
    site: str
    product: str
    tanks: tuple[str, ...]
    href: str
    anchor: str
    tz: ZoneInfo
    money: float | None
    currency: str | None
    as_of: date
    pool: str = ""
    said: Standing = field(default_factory=Standing)
    believed: tuple[Mapping[str, Any], ...] = ()
    gone: str | None = None
    news: str = ""

    @property
    def closed(self) -> Mapping[str, Any] | None:
        """The closing that holds, None while it is open."""
        return self.said.closed

    @property
    def cause(self) -> str:
        """The cause's name in the contract."""
        return str(self.row["cause"])

    @property
    def label(self) -> str:
        """The cause in plain words."""
        return CAUSE[self.cause].title

    @property
    def part(self) -> str:
        """The cause in as few words as fit into a chart."""
        return CAUSE[self.cause].short

    @property
    def urgency(self) -> str:
        """One of `URGENCIES`; what is not known ranks as to be watched."""
        value = self.row["urgency"]
        return value if value in URGENCIES else "watch"

    @property
    def is_past(self) -> bool:
        """Whether it is off the list: closed, or over.

        A danger is over when the run shows it gone, anything else `CURRENT_DAYS` after it ended and came to light.
        """
        end = self.row["ts_end"]
        if self.closed is not None:
            return True
        if end is None:
            return False
        if CAUSE[self.cause].is_danger:
            return self.gone is not None
        known: date = max(end.date(), self.row["raised_on"] or end.date())
        return (self.as_of - known).days > CURRENT_DAYS

    @property
    def state(self) -> str:
        """`current`, `past` or `closed`."""
        return "closed" if self.closed is not None else "past" if self.is_past else "current"

    @property
    def is_ruled_out(self) -> bool:
        """Whether somebody found that it was not so."""
        return self.closed is not None and self.closed["verdict"] == "ruled_out"

    @property
    def state_words(self) -> str:
        """Where it stands: who closed it and how, how the danger is seen to be gone, or that it is still open."""
        if self.closed is not None:
            return closed_words(self.closed)
        if self.is_past:
            return self.gone or text.PAST
        if self.row["ts_end"] is None:
            return text.STILL_ON
        return text.NOT_CLOSED if CAUSE[self.cause].is_danger else self.lasting

    @property
    def hand_words(self) -> str:
        """In whose hands it is and by when; nothing where nobody has taken it, or it is closed."""
        if self.said.owner is None:
            return ""
        words = said_text.IN_HAND_BY if self.said.due_on else said_text.IN_HAND
        return words.format(owner=self.said.owner, day=fmt.day(self.said.due_on))

    @property
    def back_words(self) -> str:
        """Why it is on the list although it, or one like it before, was closed."""
        if self.said.again and self.said.before:
            return said_text.BACK[self.said.again].format(closed=closed_words(self.said.before))
        if self.said.earlier and self.closed is None:
            return said_text.EARLIER.format(closed=closed_words(self.said.earlier))
        return ""

    @property
    def history(self) -> list[dict[str, str]]:
        """What people said of it, the oldest first: `when` on the site's clock, `who`, `what`, `note` and `file`."""
        return [
            {
                "when": fmt.moment(row["at"], self.tz), "who": row["who"] or said_text.NOBODY,
                "what": self._said_words(row), "note": row["note"] or "", "file": row["file"] or "",
                "file_name": row["file_name"] or "",
            }
            for row in self.said.history
        ]  # fmt: skip

    def _said_words(self, row: Mapping[str, Any]) -> str:
        """What somebody said, without the note."""
        kind = "taken_by" if row["kind"] == "taken" and row["due_on"] else row["kind"]
        verdict = said_text.LABEL_VERDICTS.get(row["verdict"], "")
        words = [
            said_text.SAID[kind].format(
                owner=row["owner"], day=fmt.day(row["due_on"]), verdict=verdict, name=row["file_name"]
            )
        ]
        if row["kind"] == "closed":
            if row["cause"] != self.cause:
                words.append(said_text.WAS_CAUSE.format(cause=CAUSE[row["cause"]].title))
            if row["litres"] is not None:
                digits = 0 if float(row["litres"]).is_integer() else 1
                words.append(said_text.AGREED.format(litres=fmt.quantity(row["litres"], "l", digits, signed=True)))
            if row["recovered"] is not None:
                money = money_words(self.currency or "", row["recovered"]).strip()
                words.append(said_text.RECOVERED.format(money=money))
        return ", ".join(words)

    @property
    def is_waiting(self) -> bool:
        """Whether nothing more of a danger is seen, yet nobody has closed it."""
        return CAUSE[self.cause].is_danger and self.row["ts_end"] is not None and self.state == "current"

    @property
    def summary(self) -> str:
        """What was found, with its figures written as everywhere on the pages."""
        return _GROUPED.sub(fmt.THIN, self.row["summary"] or "")

    @property
    def product_label(self) -> str:
        """The product in plain words."""
        return text.PRODUCTS.get(self.product, self.product)

    @property
    def places(self) -> list[str]:
        """Tank, meter and delivery, as far as the case names them."""
        named = [self.row["tank_id"]] if self.row["tank_id"] else []
        if self.row["meter_id"]:
            named.append(text.WITH_METER.format(meter=self.row["meter_id"]))
        if self.row["delivery_id"]:
            named.append(text.WITH_DELIVERY.format(delivery=self.row["delivery_id"]))
        return named or [text.WHOLE_SITE]

    @property
    def is_unsure(self) -> bool:
        """Whether the interval of the litres holds a loss as well as a gain."""
        low, high = self.row["litres_low"], self.row["litres_high"]
        return low is not None and high is not None and low < 0.0 < high

    @property
    def litres_size(self) -> str:
        """How many litres, without a sign where the words beside it can say which way."""
        value, low, high = self._shown_litres()
        if value is None:
            return ""
        return f"{fmt.rounded(value, fmt.digits_for(low, high, value), signed=self.is_unsure)}{fmt.THIN}l"

    @property
    def litres_span(self) -> str:
        """The 95 % interval of `litres_size`."""
        value, low, high = self._shown_litres()
        return fmt.interval(low, high, value, signed=self.is_unsure)

    @property
    def litres_words(self) -> str:
        """Which way the litres went, or that the case has none."""
        litres = self.row["litres"]
        if litres is None:
            return text.LITRES_UNKNOWN if CAUSE[self.cause].has_litres else text.NO_LITRES
        if self.is_unsure:
            return text.UNSURE_SIGN
        return text.LITRES_WORDS.get(self.cause, text.LOST if litres < 0 else text.GAINED)

    @property
    def money_text(self) -> str:
        """Litres at the latest selling price, to the figures that a decision needs."""
        if self.money is None:
            return ""
        return money_words(str(self.currency), self.money)

    @property
    def probability_text(self) -> str:
        """The probability in per cents."""
        return fmt.probability(self.row["probability"])

    @property
    def since(self) -> str:
        """When it began, on the site's clock."""
        start = self.row["ts_start"]
        if start is None:
            return fmt.UNKNOWN
        began = start.astimezone(self.tz).date()
        return fmt.day(began, with_year=began.year != self.as_of.year)

    @property
    def since_long(self) -> str:
        """When it began, to the minute, and how long it lasted."""
        return f"{fmt.moment(self.row['ts_start'], self.tz)}; {self.lasting}"

    @property
    def lasting(self) -> str:
        """That it still goes on, or how long it took."""
        start, end = self.row["ts_start"], self.row["ts_end"]
        if start is None or end is None:
            return text.STILL_ON
        return text.LASTED.format(span=fmt.span(end - start))

    @property
    def rate_text(self) -> str:
        """The leak's rate, or nothing."""
        rate = self.row["rate_l_per_h"]
        if rate is None:
            return ""
        note = text.RATE_NOTE.get(self.cause)
        return fmt.quantity(rate, "l/h", 2) + (f" {note}" if note else "")

    @property
    def error_text(self) -> str:
        """The meter's error, or nothing."""
        error = self.row["meter_error_pct"]
        return "" if error is None else fmt.quantity(error, "%", 2, signed=True)

    @property
    def raised(self) -> str:
        """The day of data that raised it."""
        return fmt.day(self.row["raised_on"])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind before acting on it."""
        return CAUSE[self.cause].cautions

    def evidence(self, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        """Its evidence with hours of the day on the site's clock, as `clock`; None where a row has no such hour."""
        return [self._local(dict(row)) for row in rows]

    def _local(self, row: dict[str, Any]) -> dict[str, Any]:
        name, value = row["name"] or "", row["value"]
        if not name.endswith(_UTC) or value is None or self.row["ts_start"] is None:
            return row | {"clock": None}
        day = datetime.combine(self.row["ts_start"].date(), time(), UTC)
        local = (day + timedelta(hours=value)).astimezone(self.tz)
        return row | {"name": name.removesuffix(_UTC), "clock": f"{local:%H:%M}"}

    @property
    def window(self) -> dict[str, str]:
        """Its span on the site's clock as a chart takes it, a short one made wide enough to see."""
        last = datetime.combine(self.as_of, time(23, 59), UTC)
        start = self.row["ts_start"] or last
        end = max(self.row["ts_end"] or last, start + timedelta(hours=2))
        stamp = "%Y-%m-%d %H:%M"
        return {"start": start.astimezone(self.tz).strftime(stamp), "end": end.astimezone(self.tz).strftime(stamp)}

    def sized(self) -> tuple[float | None, float | None, float | None]:
        """Litres with the ends of their interval, turned so that the litres are positive."""
        value, low, high = self._litres()
        if value is None or value >= 0:
            return value, low, high
        return -value, None if high is None else -high, None if low is None else -low

    def _shown_litres(self) -> tuple[float | None, float | None, float | None]:
        return self._litres() if self.is_unsure else self.sized()

    def _litres(self) -> tuple[float | None, float | None, float | None]:
        return self.row["litres"], self.row["litres_low"], self.row["litres_high"]


def closed_words(closing: Mapping[str, Any]) -> str:
    """When a case was closed, by whom and how."""
    words = said_text.CLOSED_BY if closing["who"] else said_text.CLOSED
    verdict = said_text.LABEL_VERDICTS.get(closing["verdict"], closing["verdict"])
    return words.format(verdict=verdict, day=fmt.day(closing["learned_on"]), who=closing["who"])


def money_words(currency: str, value: float) -> str:
    """Money to three figures, whole at the finest: a price is not what the litres cost."""
    return f"{currency} {fmt.rounded(value, min(fmt.digits_for(None, None, value), 0))}"
