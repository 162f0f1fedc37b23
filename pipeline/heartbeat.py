"""The sign that a night gives of itself to whoever watches from elsewhere: when none comes, nothing ran."""

from http.client import HTTPException
from typing import Final
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from pipeline.errors import TankdriftError
from pipeline.sources.notice_config import WatchConfig
from pipeline.sources.secrets import hidden, looked_up

WAIT_S: Final = 10.0
"""So long an answer may take; the night is done by then. No source. [s]"""


def beat(config: WatchConfig, *, is_good: bool) -> str | None:
    """Ask for the address of a good night or of a bad one; a line where that failed, which fails nothing else.

    The address is as good as a password: whoever has it can say that nights are well. No line repeats any of it.
    """
    reference = config.heartbeat_url if is_good else config.heartbeat_fail_url or config.heartbeat_url
    if reference is None:
        return None
    try:
        url = looked_up(reference)
    except TankdriftError as error:
        return f"heartbeat: {hidden(str(error))}"
    if urlsplit(url).scheme not in ("http", "https"):
        return f"heartbeat: {reference} is no address that begins with http:// or https://"
    if not is_good and config.heartbeat_fail_url is None:
        head, mark, query = url.partition("?")
        url = f"{head.rstrip('/')}/fail{mark}{query}"
    try:
        with urlopen(Request(url, headers={"User-Agent": "tankdrift"}), timeout=WAIT_S):
            return None
    except HTTPError as error:
        said = f"it was answered with {error.code}"
        error.close()
    except URLError as error:
        said = getattr(error.reason, "strerror", None) or type(error.reason).__name__
    except (OSError, HTTPException, ValueError) as error:
        said = type(error).__name__
    return f"heartbeat: {reference}: {said}"
