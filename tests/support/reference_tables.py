"""Rows of the tables in shared/reference_tables, numbers as floats."""

import csv

from pipeline.resources import shared_dir


def rows(name: str) -> list[dict[str, float | str | None]]:
    """Rows of the table `name`; an empty field is None."""
    with (shared_dir() / "reference_tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [{key: _value(text) for key, text in row.items()} for row in csv.DictReader(file)]


def _value(text: str) -> float | str | None:
    if text == "":
        return None
    try:
        return float(text)
    except ValueError:
        return text
