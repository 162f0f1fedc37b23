"""Settings of notices: who is told what, and when. With no recipient, nobody is told anything."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from pipeline.sources.secrets import Reference

Urgency = Literal["act_now", "today", "this_week", "watch"]
WallClock = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise ValueError(f"there is no time zone {name!r}") from error
    return name


class Recipient(BaseModel):
    """Who is told: a role, at some sites or all, through an address that apprise knows, by reference."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    role: str = Field(pattern=r"^[\w \-]+$")
    url: Reference
    site_ids: tuple[str, ...] = ()
    at_once: tuple[Urgency, ...] = ("act_now", "today")
    digest: tuple[Urgency, ...] = ("this_week", "watch")
    quiet_from: WallClock | None = None
    quiet_to: WallClock | None = None
    loud: tuple[Urgency, ...] = ("act_now",)
    timezone: Annotated[str, AfterValidator(_zone)] = "UTC"


class NoticeConfig(BaseModel):
    """All about notices."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    report_url: str | None = None
    to: tuple[Recipient, ...] = ()
