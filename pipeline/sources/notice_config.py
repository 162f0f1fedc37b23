"""Settings of notices: who is told what, and when. With no recipient, nobody is told anything."""

from typing import Annotated, Literal

from pydantic import Field

from pipeline.sources.secrets import Reference
from pipeline.sources.table_config import Section, Zone

Urgency = Literal["act_now", "today", "this_week", "watch"]
WallClock = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Recipient(Section):
    """Who is told: a role, at some sites or all."""

    role: str = Field(pattern=r"^[\w \-]+$", examples=['"operations"'])
    """What he is called here."""
    url: Reference = Field(examples=['"env:MAIL_OPERATIONS"'])
    """Where his address is, `env:NAME` or `block:NAME`; one that apprise knows: mail, chat, webhook."""
    site_ids: tuple[str, ...] = Field((), examples=['["S001", "S002"]'])
    """The sites that he is told of; left out, all of them."""
    at_once: tuple[Urgency, ...] = Field(("act_now", "today"), examples=['["act_now"]'])
    """Urgencies that he is told of at once."""
    digest: tuple[Urgency, ...] = Field(("this_week", "watch"), examples=['["today", "this_week"]'])
    """Urgencies that he is told of once a day, together."""
    quiet_from: WallClock | None = Field(None, examples=['"22:00"'])
    """From then on, by his clock, he is told of nothing that is not loud."""
    quiet_to: WallClock | None = Field(None, examples=['"06:00"'])
    """Until then."""
    loud: tuple[Urgency, ...] = Field(("act_now",), examples=["[]"])
    """Urgencies that he is told of in quiet hours, too."""
    timezone: Zone = Field("UTC", examples=['"Europe/Berlin"'])
    """Zone of his clock, an IANA name."""


class NoticeConfig(Section):
    """All about notices."""

    report_url: str | None = Field(None, examples=['"https://reports.example.org/"'])
    """Where the report is to be seen; each message ends with it."""
    to: tuple[Recipient, ...] = Field((), examples=['[{ role = "operations", url = "env:MAIL_OPERATIONS" }]'])
    """Who is told, a section each; left out, nobody."""
