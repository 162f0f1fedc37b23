"""How often somebody may ask: so much at once, and after that as fast as it comes back. No I/O, no clock."""

from dataclasses import dataclass, field
from typing import Final

MOST_KEYS: Final = 10_000
"""So many who ask are kept in mind; whoever has not asked for a while is forgotten first."""


@dataclass(slots=True)
class _Left:
    """What somebody may still ask, as of an instant, and whether he was told that it is too often."""

    count: float
    at_s: float
    is_told: bool = False


@dataclass(slots=True)
class Rate:
    """So many requests in so long, counted apart for each key. [s]"""

    most: int
    within_s: float
    _left: dict[str, _Left] = field(default_factory=dict)

    def wait_s(self, key: str, now_s: float) -> float:
        """How long to wait before asking again; 0 where it may be asked now, which then is counted. [s]"""
        left = self._left.pop(key, None) or _Left(self.most, now_s)
        # A clock that goes back gives nothing, and takes nothing.
        left.count = min(left.count + max(now_s - left.at_s, 0.0) * self.most / self.within_s, float(self.most))
        left.at_s = now_s
        while len(self._left) >= MOST_KEYS:
            del self._left[next(iter(self._left))]
        self._left[key] = left
        if left.count < 1.0:
            return (1.0 - left.count) * self.within_s / self.most
        left.count -= 1.0
        left.is_told = False
        return 0.0

    def is_first(self, key: str) -> bool:
        """Whether a key that has to wait had not been told so before."""
        is_first = not self._left[key].is_told
        self._left[key].is_told = True
        return is_first


@dataclass(slots=True)
class Rates:
    """How often may be said something, by a person and from an address, and how often read, from an address.

    No source: beyond what a hand at a browser does, and below what two cores make of it.
    """

    said: Rate = field(default_factory=lambda: Rate(120, 60.0))
    said_from: Rate = field(default_factory=lambda: Rate(600, 60.0))
    read_from: Rate = field(default_factory=lambda: Rate(3_000, 60.0))

    def asked(self, *, is_said: bool, who: str | None, address: str | None, now_s: float) -> tuple[float, bool]:
        """How long to wait, 0 where it may be asked now, and whether that is to be written down. [s]

        Parameters
        ----------
        is_said : bool
            Whether something is said, or only read.
        who, address : str, optional
            Who asks and where from; None where that is not known, or is a proxy that asks for everybody.
        now_s : float
        """
        keys = [(self.said, f"name {who}")] if is_said and who is not None else []
        place = f"name {who}" if address is None else f"from {address}"
        keys.append((self.said_from if is_said else self.read_from, place))
        for rate, key in keys:
            wait_s = rate.wait_s(key, now_s)
            if wait_s:
                return wait_s, rate.is_first(key)
        return 0.0, False
