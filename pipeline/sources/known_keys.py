"""Which settings there are at a place, and which of them is nearest to one that there is not."""

import difflib
import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel


def nearest(model: type[BaseModel], path: Sequence[int | str]) -> str:
    """`; did you mean …` for the last step of a path, and all that is known there where nothing is near."""
    known = sorted(_keys(model, path[:-1]))
    return near(str(path[-1]), known) or (f"; there are {', '.join(known)}" if known else "")


def near(key: str, known: Iterable[str]) -> str:
    """`; did you mean …` for a key; nothing where none that is known is like it."""
    found = difflib.get_close_matches(key, list(known), n=1)
    return f"; did you mean {found[0]}?" if found else ""


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Every model that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in models_in(part)]


def _keys(model: type[BaseModel], path: Sequence[int | str]) -> set[str]:
    """Keys of what a path leads to, from a model on."""
    here: list[Any] = [model]
    for step in path:
        here = [found for one in here for found in _step(one, step)]
    return {name for one in here for inner in models_in(one) for name in inner.model_fields}


def _step(annotation: Any, step: int | str) -> list[Any]:
    """What a step leads to: a field, an element of a list, a value of a table, or, by its kind, one of several."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _step(get_args(annotation)[0], step)
    if origin in (Union, types.UnionType):
        kinds = [part for part in get_args(annotation) if _is_of_kind(part, step)]
        return kinds or [found for part in get_args(annotation) for found in _step(part, step)]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        field = annotation.model_fields.get(str(step))
        return [field.annotation] if field is not None else []
    if origin in (tuple, list):
        return [get_args(annotation)[0]]
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return [get_args(annotation)[1]]
    return []


def _is_of_kind(part: Any, step: int | str) -> bool:
    kind = getattr(part, "model_fields", {}).get("kind")
    return kind is not None and get_args(kind.annotation) == (step,)
