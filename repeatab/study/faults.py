"""What a schema refused, as one message a lab can act on.

In: the errors pydantic found.  Out: one StudyError: file, key, what was found, what is expected.
"""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from repeatab.base.errors import RepeatabError, StudyError
from repeatab.study.values import in_words

_EXPECTED = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "bool_type": "true or false (without quotes)",
    "bool_parsing": "true or false (without quotes)",
    "tuple_type": 'a list such as ["a", "b"]',
    "list_type": 'a list such as ["a", "b"]',
    "dict_type": "a table of names and values",
    "model_type": "a table of keys and values",
    "model_attributes_type": "a table of keys and values",
    "finite_number": "a finite number",
}
_LIMITS = {
    "greater_than": ("gt", "a value above"),
    "greater_than_equal": ("ge", "a value of at least"),
    "less_than": ("lt", "a value below"),
    "less_than_equal": ("le", "a value of at most"),
}

Place = tuple[int | str, ...]


def study_error(error: ValidationError, schema: type[BaseModel], *, file: str) -> StudyError:
    """The message for the first fault; an unknown key goes first, as it often explains a missing one."""
    faults: list[Any] = error.errors(include_url=False)
    first = min(faults, key=lambda fault: _RANK.get(fault["type"], 2))
    message = _message(first, schema, file=file)
    places = {_key(fault["loc"]) for fault in faults}
    more = len(places) - 1
    return type(message)(f"{message} ({more} more to correct after this one.)") if more else message


_RANK = {"extra_forbidden": 0, "missing": 1}


def _message(fault: Any, schema: type[BaseModel], *, file: str) -> StudyError:
    place, kind, found = fault["loc"], fault["type"], fault["input"]
    key = _key(place)
    if kind == "extra_forbidden":
        return StudyError.unknown_key(file=file, key=key, known=_known_keys(schema, place[:-1]))
    if kind == "missing":
        return StudyError(f"{file}: '{key}' is missing. {_meaning(schema, place)}".rstrip())
    if kind == "value_error" and isinstance(fault["ctx"]["error"], RepeatabError):
        text = str(fault["ctx"]["error"])
        if not place:
            return StudyError(f"{file}: {text}")
        return StudyError(f"{file}: {key}: {text.removeprefix(f'{place[-1]}: ')}")
    if kind in ("enum", "literal_error"):
        allowed = re.findall(r"'([^']*)'", fault["ctx"]["expected"])
        if isinstance(found, str):
            return StudyError.unknown_choice(f"{file}: {key}", found, allowed=allowed)
    return StudyError(f"{file}: {key}: found {in_words(found)}, expected {_expected(fault)}.")


def _expected(fault: Any) -> str:
    if fault["type"] in _LIMITS:
        name, words = _LIMITS[fault["type"]]
        return f"{words} {fault['ctx'][name]:g}"
    fallback = str(fault["msg"]).removeprefix("Input should be ")
    return _EXPECTED.get(fault["type"], fallback)


def _key(place: Place) -> str:
    """The dotted key; what pydantic adds for the members of a union is left out, list places count from 1."""
    parts: list[str] = []
    for step in place:
        if isinstance(step, int):
            parts[-1:] = [f"{parts[-1]}[{step + 1}]"] if parts else [f"[{step + 1}]"]
        elif step not in ("str", "int", "float"):
            parts.append(step)
    return ".".join(parts)


def _known_keys(schema: type[BaseModel], place: Place) -> Sequence[str]:
    return list(_schema_at(schema, place).model_fields)


def _meaning(schema: type[BaseModel], place: Place) -> str:
    field = _schema_at(schema, place[:-1]).model_fields.get(str(place[-1]))
    return field.description or "" if field is not None else ""


def _schema_at(schema: type[BaseModel], place: Place) -> type[BaseModel]:
    """The schema of the table at this place."""
    hint: Any = schema
    for step in place:
        if isinstance(hint, type) and issubclass(hint, BaseModel):
            hint = _without_none(hint.model_fields[str(step)].annotation)
        else:
            # A dict of tables or a tuple of them: its members' schema is the last argument that is no "...".
            inner = [part for part in typing.get_args(hint) if part is not Ellipsis]
            hint = _without_none(inner[-1])
    assert isinstance(hint, type)
    assert issubclass(hint, BaseModel)
    return hint


def _without_none(hint: Any) -> Any:
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        return next(part for part in typing.get_args(hint) if part is not type(None))
    return hint
