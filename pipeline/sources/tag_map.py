"""The tag map of a historian, from the settings or a CSV file beside them, or by the scheme of the tags' names."""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

import polars as pl
from pydantic import ValidationError

from pipeline.errors import SourceError
from pipeline.sources.measures import UNITS, fits
from pipeline.sources.table_config import TAG_COLUMNS, Tag, TagForm

HEAD: Final = "tag,tank_id,meter_id,column,unit"


def tags_of(tags: Sequence[Tag], file: Path | None) -> list[Tag]:
    """Tags of the settings and of a CSV file with the columns tag, tank_id, meter_id, column and unit.

    Raises
    ------
    SourceError
        If the file cannot be read, or a line of it cannot be a tag.
    """
    found = [*tags, *(_from_file(file) if file is not None else [])]
    names = [tag.tag for tag in found]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise SourceError(f"tag {twice[0]} stands twice in the tag map", mend="take one of the two out")
    return found


def named(names: Iterable[str], known: Sequence[Tag], forms: Sequence[TagForm]) -> list[Tag]:
    """Tags of a tag map and, by the first form that fits, of names that are not in it."""
    listed = {tag.tag for tag in known}
    made = ((form.tag_of(name) for form in forms) for name in names if name not in listed)
    return [*known, *(tag for each in made if (tag := next(filter(None, each), None)) is not None)]


def _from_file(file: Path) -> Iterator[Tag]:
    if not file.is_file():
        raise SourceError(f"{file}: there is no such file", mend="put the tag map there, or mend tag_file")
    try:
        frame = pl.read_csv(file, infer_schema=False)
    except (pl.exceptions.PolarsError, OSError) as error:
        mend = f"write it with commas, the first line {HEAD}"
        raise SourceError(f"{file}: the tag map is not readable as CSV", mend=mend) from error
    strange = [name for name in frame.columns if name not in HEAD.split(",")]
    missing = [name for name in ("tag", "column") if name not in frame.columns]
    if strange or missing:
        said = f"has a column {strange[0]!r}" if strange else f"has no column {missing[0]!r}"
        raise SourceError(f"{file}: the tag map {said}", mend=f"its first line may be {HEAD}")
    for number, row in enumerate(frame.iter_rows(named=True), start=2):
        try:
            yield Tag(**{name: value.strip() for name, value in row.items() if value and value.strip()})
        except ValidationError as error:
            first = error.errors(include_input=False, include_url=False)[0]
            said = f"{'.'.join(map(str, first['loc']))}: {first['msg']}".removeprefix(": ")
            raise SourceError(
                f"{file}, line {number}: {said.removeprefix('Value error, ')}", mend=_mend(row)
            ) from error


def _mend(row: dict[str, str | None]) -> str:
    """How to mend a line that cannot be a tag."""
    column = (row.get("column") or "").strip()
    if column not in TAG_COLUMNS:
        return f"its column is one of {', '.join(TAG_COLUMNS)}"
    if row.get("unit"):
        units = [unit for unit in UNITS if fits(unit, column)]
        return f"a unit of {column} is one of {', '.join(units)}; it needs its tank_id, a total its meter_id"
    return "it needs its tag, and its tank_id, a total its meter_id"
