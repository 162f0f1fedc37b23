"""Put on the path of a process, this writes down every address that it, and any Python it starts, turns to.

Python imports a module of this name before anything else. What leaves the machine is refused, too.
"""

import os
import sys

LOCAL = {"127.0.0.1", "::1", "localhost", "0.0.0.0", "::", None, "", b"127.0.0.1", b"localhost"}


def _watch(event: str, arguments: tuple) -> None:
    if event == "socket.connect":
        address = arguments[1]
        host = address[0] if isinstance(address, tuple) else None
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.sendto"):
        host = arguments[0] if event != "socket.sendto" else arguments[1]
        host = host[0] if isinstance(host, tuple) else host
    else:
        return
    here = "here" if host in LOCAL else "away"
    with open(os.environ["WATCHED"], "a", encoding="utf-8") as log:  # noqa: PTH123
        log.write(f"{here} {event} {host!r}\n")
    if here == "away":
        raise OSError(f"{event} to {host!r} is refused")


if "WATCHED" in os.environ:
    sys.addaudithook(_watch)
