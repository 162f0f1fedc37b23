"""What is kept of a site whose analysis broke, for who mends it: its rows under other names, in one file.

A ZIP archive with a lake of that site alone, which breaks a run as the site did, and `about.json`. Every text that is
not of the contract's own words is hashed with a salt that is thrown away: who has the file knows litres, levels and
times, and not whose they are. It lies in the run's folder and goes nowhere by itself.
"""

import hashlib
import json
import secrets
import shutil
import tempfile
import zipfile
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.lake import LAKE_TABLES
from pipeline.lake_write import write_lake

FOLDER: Final = "broken"
ABOUT: Final = "about.json"
_PLAIN: Final = ("kind", "quality", "shape", "end_shape", "product", "timezone", "trading_day_start", "currency")
"""Columns of text whose words are the contract's, or needed for a site's days; they say nobody's name."""
_PLACES: Final = ("latitude", "longitude")
_VERSIONS: Final = ("tankdrift", "polars", "duckdb", "numpy", "scipy", "scikit-learn")
_DIGEST_BYTES: Final = 6


def keep_broken(tables: Mapping[str, pl.DataFrame], error: str, out: Path, *, settings: str) -> Path:
    """Write the archive of one site and return its path.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        That site's rows of the lake's tables.
    error : str
        What broke, and where in the code, as the run says it: ``ValueError: ... (lines.py, line 7)``.
    out : Path
        The run's folder.
    settings : str
        What was set, as text; there are no secrets in it.
    """
    salt = secrets.token_bytes(16)
    # The file's own name and what the error quotes would say whose the rows are.
    path = out / FOLDER / f"site-{_other(str(tables['sites']['site_id'][0]), salt)}.zip"
    path.parent.mkdir(exist_ok=True)
    kind, place_in_code = error.partition(":")[0], error.rpartition("(")[2].rstrip(")")
    about = {
        "error": kind,
        "at": place_in_code,
        "settings": settings,
        "versions": {name: version(name) for name in _VERSIONS},
    }
    with tempfile.TemporaryDirectory() as place:
        lake = Path(place) / "lake"
        write_lake({name: _renamed(tables[name], salt) for name in LAKE_TABLES if name in tables}, lake)
        with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr(ABOUT, json.dumps(about, indent=1) + "\n")
            for file in sorted(lake.rglob("*.parquet")):
                archive.write(file, str(Path("lake") / file.relative_to(lake)))
    return path


def forget_broken(out: Path) -> None:
    """Take away what was kept of sites that broke before."""
    shutil.rmtree(out / FOLDER, ignore_errors=True)


def _renamed(frame: pl.DataFrame, salt: bytes) -> pl.DataFrame:
    """The rows with each text of the user's replaced, the same by the same everywhere, and without places on a map."""
    names = [name for name, dtype in frame.schema.items() if dtype == pl.String and name not in _PLAIN]
    texts = {text for name in names for text in frame[name].drop_nulls().unique().to_list()}
    other = {text: _other(text, salt) for text in texts}
    places = [pl.lit(None, pl.Float64).alias(name) for name in _PLACES if name in frame.columns]
    renamed = [pl.col(name).replace_strict(other, default=None, return_dtype=pl.String) for name in names]
    return frame.with_columns(*renamed, *places)


def _other(text: str, salt: bytes) -> str:
    return hashlib.blake2b(text.encode(), key=salt, digest_size=_DIGEST_BYTES).hexdigest()
