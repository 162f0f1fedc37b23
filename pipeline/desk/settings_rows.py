"""The settings in force as rows of a page: value, default, what it is, where it came from. No I/O."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from pipeline.desk.settings_file import is_changeable
from pipeline.desk.veil import veiled
from pipeline.plain_text import in_a_line
from pipeline.settings import Settings, settings_from
from pipeline.settings_reference import default_of, run_words, unit_of
from pipeline.sources.config import Operations

MOST_SHOWN: Final = 300
"""Characters of a value on the page."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A key with its value and default as TOML, its words, and where the value came from.

    `origin` is one of `file`, `environment` and `default`; `may_change` whether a browser may change it.
    """

    key: str
    value: str
    default: str
    unit: str
    words: str
    origin: str
    may_change: bool


def settings_in_force(
    operations: Operations, given: Mapping[str, Any], environment: Sequence[str]
) -> list[tuple[str, list[Setting]]]:
    """Every setting, in sections with their names.

    Parameters
    ----------
    operations : Operations
    given : mapping
        What the file says.
    environment : sequence of str
        Names of the variables of the environment that stand for a setting at the head of the file.
    """
    sections: dict[str, list[Setting]] = {"": [], "run": list(_run_rows(operations, given, environment))}
    for steps, name, field, value, here in _walk(operations, given, ()):
        origin = "environment" if not steps and name in environment else "file" if name in here else "default"
        default = default_of(field.get_default()) if not field.is_required() else ""
        words = " ".join((field.description or "").split())
        row = _row((*steps, name), value, default.strip("`"), words, origin)
        sections.setdefault(".".join(steps), []).append(row)
    return list(sections.items())


def _run_rows(operations: Operations, given: Mapping[str, Any], environment: Sequence[str]) -> Iterator[Setting]:
    words, in_file = run_words(), _section(given, "run")
    for key, value in asdict(settings_from(operations.run)).items():
        origin = "environment" if "run" in environment else "file" if key in in_file else "default"
        yield _row(("run", key), value, _toml(getattr(Settings(), key)), words[key], origin)


def _row(steps: tuple[str, ...], value: Any, default: str, words: str, origin: str) -> Setting:
    # A key's name says whether its value is a secret.
    shown = veiled(f"{steps[-1]} = {_toml(value)}")[0].removeprefix(f"{steps[-1]} = ")
    return Setting(
        key=steps[-1], value="" if value is None else in_a_line(shown, MOST_SHOWN), default=default,
        unit=unit_of(steps[-1]), words=words, origin=origin, may_change=is_changeable(steps),
    )  # fmt: skip


def _walk(
    model: BaseModel, here: Mapping[str, Any], steps: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], str, Any, Any, Any]]:
    """Each key of a section and of those below it: steps, name, field, value, and what the file says in its section."""
    below: list[tuple[BaseModel, Mapping[str, Any], tuple[str, ...]]] = []
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            below.append((value, _section(here, name), (*steps, name)))
        elif name in ("sources", "to"):
            told = dict(enumerate(here.get(name, ())))
            below += [(one, _section(told, n), (*steps, name, _name(one))) for n, one in enumerate(value)]
        elif name == "tables" and isinstance(value, dict):
            below += [
                (one, _section(_section(here, name), table), (*steps, name, table)) for table, one in value.items()
            ]
        elif not (name == "run" and not steps):
            yield steps, name, field, value, here
    for section in below:
        yield from _walk(*section)


def _section(here: Mapping[Any, Any], key: Any) -> Mapping[str, Any]:
    found = here.get(key, {})
    return found if isinstance(found, Mapping) else {}


def _name(section: BaseModel) -> str:
    return str(getattr(section, "name", None) or getattr(section, "role", ""))


def _toml(value: Any) -> str:
    """A value as it would stand in the file; of a section what is not as it would be anyway."""
    if isinstance(value, BaseModel):
        return _toml({name: one for name, one in value if name in value.model_fields_set})
    if isinstance(value, Mapping):
        inner = ", ".join(
            f"{key if str(key).isidentifier() else json.dumps(str(key))} = {_toml(one)}" for key, one in value.items()
        )
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(str(value) if isinstance(value, Path) else value, ensure_ascii=False)
