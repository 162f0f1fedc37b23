"""What Prefect is told before it is imported: a server of its own for the run, no word to the outside, no chatter."""

import os
from collections.abc import Mapping
from pathlib import Path

_ALWAYS = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}

_FOR_SCHEDULES = (
    "SCHEDULER", "LATE_RUNS", "CANCELLATION_CLEANUP", "PAUSE_EXPIRATIONS", "FOREMAN", "TRIGGERS",
)  # fmt: skip
"""What a server does for schedules and automations: one that lives for a single run has none, and starts sooner."""

_BY_DEFAULT = {
    "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "true",
    # The server of its own comes up in seconds; on a laden machine it has been seen to need more than its default 20.
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "180",
    "PREFECT_CLI_PROMPT": "false",
    **{f"PREFECT_SERVER_SERVICES_{name}_ENABLED": "false" for name in _FOR_SCHEDULES},
}

_QUIET = {
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_ROOT_LEVEL": "CRITICAL",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
}


def prefect_env(environ: Mapping[str, str], out: Path, *, verbose: bool) -> dict[str, str]:
    """Return what to add to the environment; what the user has set of it stands, but for what talks to the outside.

    Prefect's own files go to ``.prefect`` in the folder of the run, unless the user has a place for them.
    """
    wanted = {**_BY_DEFAULT, "PREFECT_HOME": str((out / ".prefect").resolve())}
    if not verbose:
        wanted |= _QUIET
    return {name: value for name, value in wanted.items() if name not in environ} | _ALWAYS


def prepare(out: Path, *, verbose: bool) -> None:
    """Set the environment of this process for a Prefect that is yet to be imported, and make what it stands on."""
    out.mkdir(parents=True, exist_ok=True)
    os.environ.update(prefect_env(os.environ, out, verbose=verbose))
