"""Writes docs/settings.md from the models of the settings: ``python -m pipeline.settings_reference``.

With the word ``schema`` behind it, docs/settings.schema.json.
"""

import inspect
import json
import re
import sys
import tomllib
import types
from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from pipeline.settings import Settings
from pipeline.sources.config import FilesConfig, LakeConfig, ModbusConfig, OpcuaConfig, Operations, SqlConfig
from pipeline.sources.notice_config import NoticeConfig, Recipient, WatchConfig
from pipeline.sources.table_config import Column, FileTable, Register, Signal, SqlTable, Tag, TagForm

_INTRO: Final = """\
# Settings

Every key of `tankdrift.toml`, made from the code by `make docs`. How the parts work together, with a whole example, is
in [operations.md](operations.md). A key that is not here is refused, with the nearest that is. **Bold** keys must be
given. [settings.schema.json](settings.schema.json) is the same as a JSON Schema, for editors.
"""

SECTIONS: Final[Mapping[str, type[BaseModel]]] = {
    "At the head of the file": Operations,
    '`[[sources]]` with `kind = "lake"`': LakeConfig,
    '`[[sources]]` with `kind = "files"`': FilesConfig,
    "`[sources.tables.TABLE]` of files": FileTable,
    '`[[sources]]` with `kind = "sql"`': SqlConfig,
    "`[sources.tables.TABLE]` of a database": SqlTable,
    "`[sources.tables.TABLE.columns]`, of each column": Column,
    '`[[sources]]` with `kind = "opcua"`': OpcuaConfig,
    "`[[sources.tags]]`, and a line of `tag_file`": Tag,
    "`[[sources.tag_forms]]`": TagForm,
    "`[sources.tag_forms.signals]`, of each word": Signal,
    '`[[sources]]` with `kind = "modbus"`': ModbusConfig,
    "`[[sources.registers]]`": Register,
    "`[watch]`": WatchConfig,
    "`[notices]`": NoticeConfig,
    "`[[notices.to]]`": Recipient,
}
"""Each part of the settings by its heading."""

_UNITS: Final = {"_hours": "h", "_s": "s", "_gb": "GB", "_pct": "%", "_l_per_h": "l/h"}
_WORDS: Final[Mapping[Any, str]] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    datetime: "time",
    Path: "path",
}


def unit_of(name: str) -> str:
    """Unit of a setting, by the end of its name; empty where it has none."""
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


def type_of(annotation: Any) -> str:
    """What may stand for a setting, in words."""
    if annotation in _WORDS:
        return _WORDS[annotation]
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return type_of(parts[0])
    if origin is Literal:
        return " or ".join(f"`{part}`" for part in parts)
    if origin in (Union, types.UnionType):
        found = dict.fromkeys(type_of(part) for part in parts if part is not type(None))
        return " or ".join(found)
    if origin is tuple:
        return "list of " + type_of(parts[0])
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return "table of " + type_of(parts[1])
    return "section"


def _bounds(field: FieldInfo) -> str:
    signs = {"ge": "≥", "gt": ">", "le": "≤"}
    bounds = [(sign, getattr(one, name, None)) for one in field.metadata for name, sign in signs.items()]
    found = [f"{sign} {bound:g}" for sign, bound in bounds if bound is not None]
    return ", " + ", ".join(found) if found else ""


def default_of(value: Any) -> str:
    """What stands where a setting is left out, as TOML in backticks; nothing where that is nothing."""
    if isinstance(value, BaseModel) or value in ((), {}, None):
        return ""
    if isinstance(value, bool | str | Path):
        return f"`{json.dumps(str(value) if isinstance(value, Path) else value)}`"
    return f"`{json.dumps(list(value))}`" if isinstance(value, tuple) else f"`{value:g}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _rows(model: type[BaseModel]) -> Iterator[tuple[str, ...]]:
    for name, field in model.model_fields.items():
        # A field's own constraints stand apart from its annotation.
        kind = type_of(field.annotation) + _bounds(field)
        default = "" if field.is_required() else default_of(field.get_default())
        (example,) = field.examples or ("",)
        shown = f"**{name}**" if field.is_required() else name
        yield shown, kind, unit_of(name), default, f"`{example}`", " ".join((field.description or "").split())


def run_words() -> dict[str, str]:
    """What each setting of `[run]` is, from the docstring of `Settings`."""
    told = re.split(r"^(\w+) : \w+$", inspect.cleandoc(Settings.__doc__ or ""), flags=re.MULTILINE)
    meaning = dict(zip(told[1::2], told[2::2], strict=True))
    return {name: " ".join(re.sub(r"\[\S+\] ?", "", words).split()) for name, words in meaning.items()}


def _run_rows() -> Iterator[tuple[str, ...]]:
    meaning = run_words()
    for one in fields(Settings):
        row = (one.name, "number", unit_of(one.name), f"`{one.default:g}`", f"`{one.metadata['example']}`")
        yield *row, meaning[one.name]


def _table(rows: Iterator[tuple[str, ...]]) -> Iterator[str]:
    yield "| key | type | unit | default | example | what it is |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for row in rows:
        yield f"| {' | '.join(_cell(cell) for cell in row)} |"
    yield ""


def markdown() -> str:
    """Return the settings' reference, as Markdown."""
    lines = [_INTRO]
    for heading, model in SECTIONS.items():
        lines += [f"## {heading}", "", " ".join((model.__doc__ or "").split()), "", *_table(_rows(model))]
        if model is Operations:
            lines += ["## `[run]`", "", "What a run is told, by whatever way a night begins.", "", *_table(_run_rows())]
    return "\n".join(lines).rstrip() + "\n"


def json_schema() -> str:
    """Return the settings' JSON Schema, for editors; its examples are values, not TOML."""
    schema = Operations.model_json_schema()
    for part in [schema, *schema["$defs"].values()]:
        for inner in [part, *part.get("anyOf", ())]:
            for field in inner.get("properties", {}).values():
                if "examples" in field:
                    field["examples"] = [tomllib.loads(f"key = {one}")["key"] for one in field["examples"]]
    return json.dumps(schema, indent=1, ensure_ascii=False, default=str) + "\n"


if __name__ == "__main__":
    sys.stdout.write(json_schema() if sys.argv[1:] == ["schema"] else markdown())
