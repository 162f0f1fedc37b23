"""What is kept of a mistake of tankdrift's own for who mends it: by what and where it was made, none of the data."""

import json
import platform
import tempfile
import traceback
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

_SHOWN = ("tankdrift", "polars", "duckdb", "numpy", "scipy", "scikit-learn", "prefect", "plotly")


def keep(error: Exception, options: Mapping[str, object]) -> Path | None:
    """Write what is known of an error into the folder of results, or the machine's own for passing files.

    Versions, the command's figures and switches, and the functions and lines that it went through; no name, path, text
    or row of the user's, and not what the error says, which may quote them.

    Parameters
    ----------
    error : Exception
    options : mapping of str to object
        What the command line was read as, with the folder of results as `out` where there is one.

    Returns
    -------
    Path or None
        The file; None where none can be written.
    """
    out = options.get("out")
    folder = out if isinstance(out, Path) and out.is_dir() else Path(tempfile.gettempdir())
    at = datetime.now(UTC)
    command = getattr(options.get("command"), "__name__", "").strip("_")
    known = {
        "at": at.isoformat(timespec="seconds"),
        "command": command,
        "settings": {name: value for name, value in options.items() if isinstance(value, bool | int | float)},
        "python": platform.python_version(),
        "machine": f"{platform.system()} {platform.machine()}",
        "versions": {name: version(name) for name in _SHOWN},
        "error": type(error).__name__,
        "went_through": [
            f"{Path(step.filename).name}:{step.lineno} {step.name}"
            for step in traceback.extract_tb(error.__traceback__)
        ],
    }
    path = folder / f"tankdrift-mistake-{at:%Y%m%dT%H%M%S%f}.json"
    try:
        path.write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")
    except OSError:
        return None
    return path
