"""From pages to files: a new folder is filled, then takes the place of the old one."""

import base64
import hashlib
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from importlib import resources
from pathlib import Path

import polars as pl

from pipeline.errors import ArgumentError
from pipeline.report.pages import FOLDERS, render_all
from pipeline.report.tables import Tables
from pipeline.rights import make_beside

_OWN_ASSETS = ("report.css", "report.js", "charts.js", "readings.js", "find.js", "days.js")
# A report from disk has nobody to ask.
_AT_A_DESK = frozenset({"readings.js"})
PLOTLY = "plotly.min.js"
_NEW = ".report-"
# plotly.js puts style elements into the page: an empty one that it fills by rules, and those of its map library.
_STYLE_IN_PLOTLY = re.compile(r"\.textContent='((?:[^'\\]|\\.)*)',document\.head\.appendChild")


def write_report(frames: Mapping[str, pl.DataFrame], out: Path, *, as_of: date) -> Path:
    """Path of the report's first page, OUT/report/index.html, after writing it and all that it links to.

    The pages open from disk with no network. The same frames and day give the same bytes. A report that was there
    before stays whole until the new one is complete.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Tables of the lake, of the run and of the store by name; any may be missing or empty.
    out : Path
        The run's folder.
    as_of : date
        The last UTC day of data.

    Raises
    ------
    ArgumentError
        If `out` cannot be written to.
    """
    with new_folder(out, "report") as folder:
        for name in FOLDERS:
            (folder / name).mkdir()
        put_pages(folder, render_all(Tables.of(frames), as_of, put_assets(folder)))
    return out / "report" / "index.html"


@contextmanager
def new_folder(out: Path, name: str) -> Iterator[Path]:
    """A folder to be filled, which at the end takes the place of `name` in a run's folder; not where it broke.

    Raises
    ------
    ArgumentError
        If `out` cannot be written to.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        for broken_off in out.glob(f"{_NEW}*"):
            shutil.rmtree(broken_off)
        new = make_beside(out, _NEW)
    except OSError as error:
        raise ArgumentError(f"the report cannot be written to {out}: {error.strerror}") from error
    try:
        yield new
        _swap(new, out / name)
    finally:
        shutil.rmtree(new, ignore_errors=True)


def put_assets(folder: Path) -> list[str]:
    """Put what pages lean on into `assets` below their folder; what a content policy calls their styles comes back."""
    place = folder / "assets"
    place.mkdir()
    found = read_assets()
    for name, content in found.items():
        if name not in _AT_A_DESK:
            (place / name).write_bytes(content)
    return style_hashes(found[PLOTLY].decode())


def read_assets() -> dict[str, bytes]:
    """What pages lean on, by name."""
    own = resources.files("pipeline.report") / "assets"
    plotly_js = resources.files("plotly") / "package_data" / PLOTLY
    return {name: (own / name).read_bytes() for name in _OWN_ASSETS} | {PLOTLY: plotly_js.read_bytes()}


def put_pages(folder: Path, pages: Iterable[tuple[str, str]]) -> None:
    """Write pages, each its path below the folder and its HTML."""
    for path, html in pages:
        (folder / path).write_text(html, encoding="utf-8", newline="", errors="replace")


def style_hashes(plotly_js: str) -> list[str]:
    """What a content policy calls the style elements that plotly.js makes, so that no others need be let in."""
    found = ["", *(m[1] for m in _STYLE_IN_PLOTLY.finditer(plotly_js))]
    return ["sha256-" + base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in found]


def _swap(new: Path, place: Path) -> None:
    """Puts `new` at `place`; what was there goes only once it is out of the way."""
    old = new.with_name(new.name + "-old")
    if place.exists():
        place.rename(old)
    try:
        new.rename(place)
    except OSError:
        if old.exists():
            old.rename(place)
        raise
    shutil.rmtree(old, ignore_errors=True)
