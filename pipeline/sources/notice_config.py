"""Settings of notices: who is told what, and when. With no recipient, nobody is told anything."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from pipeline.sources.secrets import Reference
from pipeline.sources.table_config import Section, Zone

Urgency = Literal["act_now", "today", "this_week", "watch"]
NightWord = Literal["started", "finished", "failed", "odd", "stale", "late"]
WallClock = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Recipient(Section):
    """Who is told: a role, at some sites or all."""

    role: str = Field(pattern=r"^[\w \-]+$", examples=['"operations"'])
    """What he is called here."""
    url: Reference = Field(examples=['"env:MAIL_OPERATIONS"'])
    """Where his address is, `env:NAME` or `block:NAME`; one that apprise knows: mail, chat, webhook."""
    site_ids: tuple[str, ...] = Field(default=(), examples=['["S001", "S002"]'])
    """The sites that he is told of; left out, all of them."""
    at_once: tuple[Urgency, ...] = Field(default=("act_now", "today"), examples=['["act_now"]'])
    """Urgencies that he is told of at once."""
    digest: tuple[Urgency, ...] = Field(default=("this_week", "watch"), examples=['["today", "this_week"]'])
    """Urgencies that he is told of once a day, together."""
    night: tuple[NightWord, ...] = Field(default=(), examples=['["failed", "late", "stale"]'])
    """What he is told of the night itself: that it has `started`, is `finished`, `failed` in a part, finds other odd
    things (`odd`) or other silent tanks or tills (`stale`) than before, or did not come (`late`)."""
    quiet_from: WallClock | None = Field(default=None, examples=['"22:00"'])
    """From then on, by his clock, he is told of nothing that is not loud."""
    quiet_to: WallClock | None = Field(default=None, examples=['"06:00"'])
    """Until then."""
    loud: tuple[Urgency, ...] = Field(default=("act_now",), examples=["[]"])
    """Urgencies that he is told of in quiet hours, too."""
    timezone: Zone = Field(default="UTC", examples=['"Europe/Berlin"'])
    """Zone of his clock, an IANA name."""
    words: Path | None = Field(default=None, examples=['"notices.de.toml"'])
    """A file with the words of his notices in another language; left out, English."""


class WatchConfig(Section):
    """How the night itself is watched."""

    late_after_hours: float = Field(default=26.0, gt=0, examples=["25"])
    """When the last night is longer ago, the next one is late: `tankdrift watch` and `tankdrift notify` say so."""
    metrics_file: Path | None = Field(default=None, examples=['"/var/lib/node_exporter/tankdrift.prom"'])
    """A file in the text form that Prometheus reads, written after each night; left out, none."""
    heartbeat_url: Reference | None = Field(default=None, examples=['"env:HEARTBEAT"'])
    """Where an address is, `env:NAME` or `block:NAME`, that is asked for after a night in which nothing failed."""
    heartbeat_fail_url: Reference | None = Field(default=None, examples=['"env:HEARTBEAT_FAIL"'])
    """The same after a night in which something failed; left out, that of `heartbeat_url` with `/fail` behind it."""
    log: Literal["text", "json"] = Field(default="text", examples=['"json"'])
    """How commands write what they are doing to standard error: lines for people, or an object of JSON a line;
    `--log` goes before it."""
    spans: bool = Field(default=False, examples=["true"])
    """Whether a night is told to OpenTelemetry: a span a night, and one for each source and stage."""


class NoticeConfig(Section):
    """All about notices."""

    report_url: str | None = Field(default=None, examples=['"https://reports.example.org/"'])
    """Where the report is to be seen; each message of cases ends with it, and each case has a link into it."""
    desk_url: str | None = Field(default=None, pattern="^https?://", examples=['"https://desk.example.org/"'])
    """Where the desk is; each case then has a link to its place there, and not in the report."""
    severities: dict[Urgency, str] = Field(default={}, examples=['{ act_now = "P1", today = "P2" }'])
    """What a webhook is told an urgency is; left out, `critical`, `error`, `warning`, `info`, the most urgent first."""
    to: tuple[Recipient, ...] = Field(default=(), examples=['[{ role = "operations", url = "env:MAIL_OPERATIONS" }]'])
    """Who is told, a section each; left out, nobody."""
