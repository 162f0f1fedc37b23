"""A wire between a client and a server on loopback, that can be cut while the server answers."""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator


class Wire:
    """Passes bytes on, counts those that the server said, and once there are `cut_after` ends the server and itself."""

    def __init__(self, to: int) -> None:
        self.to = to
        self.said = 0
        self.cut_after: int | None = None
        self.end: Callable[[], None] = lambda: None
        self.is_cut = False
        self._lock = threading.Lock()
        self._open: list[socket.socket] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listening.accept()
            except OSError:
                return
            try:
                if self.is_cut:
                    raise ConnectionRefusedError
                server = socket.create_connection(("127.0.0.1", self.to))
            except OSError:
                client.close()
                continue
            self._open += [client, server]
            threading.Thread(target=self._pass, args=(client, server, False), daemon=True).start()
            threading.Thread(target=self._pass, args=(server, client, True), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket, is_answer: bool) -> None:
        with contextlib.suppress(OSError):
            while told := one.recv(4096):
                if is_answer and self._is_over(told):
                    left = len(told) - (self.said - (self.cut_after or 0))
                    other.sendall(told[: max(left, 0)])
                    self._cut()
                    return
                other.sendall(told)
        for each in (one, other):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def _is_over(self, told: bytes) -> bool:
        with self._lock:
            self.said += len(told)
            return self.cut_after is not None and self.said > self.cut_after and not self.is_cut

    def _cut(self) -> None:
        self.is_cut = True
        self.end()
        for each in self._open:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
        self._open.clear()

    def mend(self, to: int | None = None) -> None:
        """Pass on again, perhaps to a server in another place, and count from nought."""
        self.to = self.to if to is None else to
        self.said, self.cut_after, self.is_cut = 0, None, False

    def close(self) -> None:
        """Stop listening."""
        self._listening.close()


@contextlib.contextmanager
def wire(to: int) -> Iterator[Wire]:
    """A wire to a port."""
    found = Wire(to)
    try:
        yield found
    finally:
        found.close()
