"""Where the files that come with the code are: beside the package in a checkout, inside it in a wheel.

The one place that asks where the code lies.
"""

import hashlib
from functools import cache
from pathlib import Path

from pipeline.errors import ArgumentError

_PACKAGE = Path(__file__).resolve().parent


@cache
def _root() -> Path:
    bundled = _PACKAGE / "_bundled"
    return bundled if bundled.is_dir() else _PACKAGE.parent


def queries_dir() -> Path:
    """Folder of the SQL files; a query's path below it is its name."""
    return _root() / "queries"


def shared_dir() -> Path:
    """Folder of the data dictionary and the reference tables."""
    return _root() / "shared"


@cache
def query_text(name: str) -> str:
    """SQL text of the query `name`, such as ``checks/parts_add_up``.

    Raises
    ------
    ArgumentError
        If there is no such query.
    """
    path = queries_dir() / f"{name}.sql"
    if not path.is_file():
        raise ArgumentError(f"there is no query {name!r}")
    return path.read_text(encoding="utf-8")


def query_names(folder: str) -> list[str]:
    """Names of the queries in `folder`, sorted, each with its folder in front."""
    return sorted(f"{folder}/{path.stem}" for path in (queries_dir() / folder).glob("*.sql"))


@cache
def code_digest() -> str:
    """Hash of the code and the queries: results made by other code are not this code's."""
    digest = hashlib.sha256()
    for path in sorted([*_PACKAGE.rglob("*.py"), *queries_dir().rglob("*.sql")]):
        digest.update(f"\n{path.name}\n".encode() + path.read_bytes())
    return digest.hexdigest()
