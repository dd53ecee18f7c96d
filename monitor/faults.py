"""Says in plain words what pydantic found wrong with a file: every fault at once, each with its place."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from monitor.errors import Fault


def faults_of(error: ValidationError, model: type[BaseModel], place: str = "") -> list[Fault]:
    """The faults of one file, in the order of the file's own form.

    A field's `description` says what is expected there ("a number of amperes above 0"); pydantic's own words, made for
    programmers, are used only where a field has none.

    Parameters
    ----------
    error : what `model.model_validate` raised
    model : the model of the whole file
    place : put before each dotted path, e.g. the name of the file
    """
    return [_fault(details, model, place) for details in error.errors(include_url=False)]


def _fault(details: Any, model: type[BaseModel], place: str) -> Fault:
    path: Sequence[int | str] = details["loc"]
    dotted = ".".join(str(part) for part in path if not (isinstance(part, str) and "[" in part))
    where = ".".join(part for part in (place, dotted) if part)
    kind = details["type"]
    if kind == "extra_forbidden":
        return Fault(where, _known_keys(model, path), f'"{path[-1]}"')
    expected = _description(model, path) or details["msg"]
    if kind == "value_error":  # our own words from a validator
        expected = details["msg"].removeprefix("Value error, ")
    return Fault(where or "the file", expected, "nothing" if kind == "missing" else _shown(details["input"]))


def _shown(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _walk(model: type[BaseModel], path: Sequence[int | str]) -> tuple[type[BaseModel] | None, str | None]:
    """The model that holds the last part of the path, and that field's description."""
    here: type[BaseModel] | None = model
    description = None
    for number, part in enumerate(path):
        if here is None or isinstance(part, int):
            continue
        fields = {field.alias or name: field for name, field in here.model_fields.items()}
        if part not in fields:
            continue
        description = fields[part].description
        inner = _model_in(fields[part].annotation)
        if inner is None or number == len(path) - 1:
            return here, description
        here = inner
    return here, description


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in get_args(annotation):
        found = _model_in(part)
        if found is not None:
            return found
    return None


def _description(model: type[BaseModel], path: Sequence[int | str]) -> str | None:
    return _walk(model, path)[1]


def _known_keys(model: type[BaseModel], path: Sequence[int | str]) -> str:
    holder = _walk(model, path)[0]
    known = [] if holder is None else [field.alias or name for name, field in holder.model_fields.items()]
    near = get_close_matches(str(path[-1]), known, n=1)
    return f"a known key (did you mean {near[0]}?)" if near else "a known key: " + ", ".join(known)
