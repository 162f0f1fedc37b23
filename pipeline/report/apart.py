"""A report that one site's rows break is made of the others."""

import logging
import tempfile
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.errors import TankdriftError
from pipeline.report.site import write_report

_LOG = logging.getLogger("tankdrift.report")


def write_apart(frames: Mapping[str, pl.DataFrame], out: Path, *, as_of: date) -> list[str]:
    """Write the report, and return the sites that are left out of it because it broke over them.

    Raises
    ------
    ArgumentError
        If `out` cannot be written to.
    Exception
        Whatever broke, where no site, or every one, breaks the report alone.
    """
    try:
        write_report(frames, out, as_of=as_of)
    except (TankdriftError, OSError):
        raise
    except Exception:  # whatever broke: it is raised again unless some sites alone are to blame
        _LOG.info("the report broke; looking for the site that breaks it", extra={"stage": "publish"})
        left_out = _breaking(frames, as_of)
        if len(left_out) in (0, frames["sites"].height):
            raise
        write_report(without(frames, left_out), out, as_of=as_of)
        return left_out
    return []


def _breaking(frames: Mapping[str, pl.DataFrame], as_of: date) -> list[str]:
    """Sites of which no report can be made, each tried alone."""
    every = frames["sites"]["site_id"].to_list()
    found = []
    for site_id in every:
        with tempfile.TemporaryDirectory() as folder:
            try:
                others = [other for other in every if other != site_id]
                write_report(without(frames, others), Path(folder), as_of=as_of)
            except Exception as error:  # whatever broke, it is of this site alone
                of = {"stage": "publish", "site": site_id}
                _LOG.info("site %s breaks the report: %s", site_id, type(error).__name__, extra=of)
                found.append(site_id)
    return found


def without(frames: Mapping[str, pl.DataFrame], sites: Sequence[str]) -> dict[str, pl.DataFrame]:
    """The tables without some sites, their tanks and their meters."""
    out = pl.col("site_id").is_in(sites)
    gone = {"site_id": list(sites)} | {
        key: frames[name].filter(out)[key].to_list() for name, key in (("tanks", "tank_id"), ("meters", "meter_id"))
    }
    left = dict(frames)
    for key, ids in gone.items():
        left = {
            name: frame.filter(~pl.col(key).is_in(ids).fill_null(value=False)) if key in frame.columns else frame
            for name, frame in left.items()
        }
    return left
