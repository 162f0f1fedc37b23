"""Put on the path of a process, this writes down what it, and any Python that it starts, reaches for.

Python imports a module of this name before anything else. In the file that WATCHED names stands every address; what
leaves the machine is refused, too. In the file that WRITTEN names stands every place that is written to.
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


_CHANGES = ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.truncate", "os.link", "os.symlink", "os.chmod")


def _keep(event: str, arguments: tuple) -> None:
    place = arguments[0] if arguments else None
    if event == "open":
        flags = arguments[2]
        is_write = isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
    else:
        is_write = event in _CHANGES
    if is_write and isinstance(place, str | bytes | os.PathLike):
        line = os.path.realpath(os.fsdecode(place)) + "\n"
        # Not by `open`, of which this would hear again.
        os.write(_WRITTEN, line.encode(errors="replace"))


if "WRITTEN" in os.environ:
    _WRITTEN = os.open(os.environ["WRITTEN"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    sys.addaudithook(_keep)
if "WATCHED" in os.environ:
    sys.addaudithook(_watch)
