"""How a message goes out: by apprise, as text and HTML in one mail, with its fields to a webhook, else as text."""

import logging
import re
from dataclasses import dataclass
from typing import Final

from pipeline.messages.message import Message
from pipeline.sources.notice_config import Recipient
from pipeline.sources.secrets import hidden, looked_up

_LOG = logging.getLogger("tankdrift.notices")

_KINDS: Final = {"act_now": "failure", "today": "warning", "this_week": "info", "watch": "info"}
"""Apprise's word for how bad a message is, which chats show by a colour."""


@dataclass(frozen=True, slots=True)
class Notice:
    """A message that went out, or `error`, a line about why it did not."""

    role: str
    title: str
    cases: int
    error: str | None = None


def send(recipient: Recipient, message: Message) -> Notice:
    """Send a message to somebody; what went wrong is in what comes back."""
    import apprise
    from apprise.plugins.custom_json import NotifyJSON
    from apprise.plugins.email.base import NotifyEmail

    def failed(why: str) -> Notice:
        return Notice(recipient.role, message.title, message.cases, f"notice to {recipient.role}: {why}")

    try:
        url = looked_up(recipient.url)
    except Exception as error:  # a missing secret stops this message alone
        return failed(hidden(str(error)))
    sender = apprise.Apprise()
    # Apprise logs addresses; they hold secrets.
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    if not sender.add(url):
        return failed(f"{recipient.url} is no such address")
    for hook in (way for way in sender if isinstance(way, NotifyJSON)):
        hook.payload_extras.update(message.fields)
    body, form = message.text, apprise.NotifyFormat.TEXT
    if all(isinstance(way, NotifyEmail) for way in sender):  # a mail has the text beside the HTML
        body, form = message.html, apprise.NotifyFormat.HTML
    kind = apprise.NotifyType(_KINDS[message.urgency])
    with apprise.LogCapture(level=logging.DEBUG) as log:  # type: ignore[no-untyped-call]
        is_sent = sender.notify(title=message.title, body=body, body_format=form, notify_type=kind)
        why = "" if is_sent else _why(url, log.getvalue())
    if not is_sent:
        return failed(f"it could not be delivered{why}")
    _LOG.info("told %s: %s", recipient.role, message.title, extra={"stage": "notify"})
    return Notice(recipient.role, message.title, message.cases)


def _why(url: str, log: str) -> str:
    """What a mail server had against a message; of others nothing, for what is said of them may have tokens in it."""
    told = re.search(r"Exception: (.+)", log)
    return f" ({hidden(told[1])[:200]})" if told and url.startswith("mailto") else ""


def is_address(recipient: Recipient) -> bool:
    """Whether a recipient's address is of a kind that messages can be sent to; if they arrive, only sending tells."""
    import apprise

    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    return bool(apprise.Apprise().add(looked_up(recipient.url)))
