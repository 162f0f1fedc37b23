"""The tag map of a historian, from the settings or from a CSV file beside them."""

from collections.abc import Sequence
from pathlib import Path

import polars as pl
from pydantic import ValidationError

from pipeline.errors import SourceError
from pipeline.sources.config import Tag


def tags_of(tags: Sequence[Tag], file: Path | None) -> list[Tag]:
    """Tags of the settings and of a CSV file with the columns tag, tank_id, meter_id, column and unit.

    Raises
    ------
    SourceError
        If the file cannot be read, or a line of it cannot be a tag.
    """
    found = list(tags)
    if file is not None:
        try:
            frame = pl.read_csv(file, infer_schema=False)
        except (pl.exceptions.PolarsError, OSError) as error:
            raise SourceError(f"{file}: the tag map is not readable as CSV") from error
        for number, row in enumerate(frame.iter_rows(named=True), start=2):
            try:
                found.append(Tag(**{name: value for name, value in row.items() if value}))
            except ValidationError as error:
                first = error.errors(include_input=False, include_url=False)[0]
                raise SourceError(f"{file}, line {number}: {first['msg']}") from error
    names = [tag.tag for tag in found]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise SourceError(f"tag {twice[0]} stands twice in the tag map")
    return found
