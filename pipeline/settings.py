"""Every default that a user may turn, in one place. Physical constants stand with their source instead."""

import difflib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields

from pipeline.errors import ArgumentError


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a run is told beside its lake.

    Attributes
    ----------
    detectable_limit_l_per_h : float
        A month whose data would not have shown a leak of this size is inconclusive. [l/h] 0.757 is 0.2 US gal/h, what a
        monthly test has to find under 40 CFR 280.43(a).
    fail_leak_rate_l_per_h : float
        A month whose estimated leak is above this has failed. [l/h] The usual threshold is half the rate to be found:
        common practice, no source.
    max_quarantine_pct : float
        A run that refuses more than this of any one table's rows leaves with exit code 1. [%] It decides nothing else.
    max_ahead_hours : float
        What speaks of a time later than the run's own clock by more than this is refused. [h] A day: wide enough for a
        clock in another zone, common practice, no source.
    """

    detectable_limit_l_per_h: float = field(default=0.757, metadata={"example": "0.5"})
    fail_leak_rate_l_per_h: float = field(default=0.757 / 2, metadata={"example": "0.25"})
    max_quarantine_pct: float = field(default=100.0, metadata={"example": "5.0"})
    max_ahead_hours: float = field(default=24.0, metadata={"example": "2.0"})

    @property
    def digest(self) -> str:
        """Hash of what a run's results hang on; equal settings give equal digests on any machine."""
        values = {name: value for name, value in asdict(self).items() if name != "max_quarantine_pct"}
        return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()

    def as_text(self) -> str:
        """The settings as JSON, for the store to remember."""
        return json.dumps(asdict(self), sort_keys=True)


def settings_of(remembered: Mapping[str, str]) -> Settings:
    """Settings of the run that a store remembers; the defaults where it remembers none."""
    return settings_from(json.loads(remembered.get("settings", "{}")))


def settings_from(values: Mapping[str, object]) -> Settings:
    """Settings with some values changed.

    Raises
    ------
    ArgumentError
        If there is no such setting, or a value is not of the setting's type.
    """
    known = {one.name: type(getattr(Settings(), one.name)) for one in fields(Settings)}
    changes: dict[str, object] = {}
    for name, value in values.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            raise ArgumentError(
                f"there is no setting {name!r}; "
                + (f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}")
            )
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if known[name] is float and is_number:
            changes[name] = float(value)  # type: ignore[arg-type]
        elif type(value) is known[name]:
            changes[name] = value
        else:
            raise ArgumentError(f"setting {name} is {value!r}, expected {known[name].__name__}")
    return Settings(**changes)  # type: ignore[arg-type]
