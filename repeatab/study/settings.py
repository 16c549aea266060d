"""The settings of a study as the report lists them: every key, its value, and whether it was stated.

In: a validated study file.  Out: pairs of dotted key and text, in the order of the schema.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from enum import Enum
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from repeatab.base.quantity import Quantity

Settings = tuple[tuple[str, str], ...]


def settings_of(study: BaseModel, *, folder: Path) -> Settings:
    """Every setting that was stated, and every default that has a value.

    folder : of the study file; an absolute path to a result file is shown relative to it, so that a report
        holds no machine's folders.
    """
    return tuple(_settings(study, "", stated=True, folder=folder))


def _settings(part: BaseModel, prefix: str, *, stated: bool, folder: Path) -> Iterator[tuple[str, str]]:
    for name in type(part).model_fields:
        if name == "engine":
            continue  # where the work was done changes no number
        value = getattr(part, name)
        if name == "files":
            value = [_relative(path, folder) for path in value]
        if name == "ledger" and value is not None:
            value = _relative(value, folder)
        given = stated and name in part.model_fields_set
        yield from _lines(f"{prefix}{name}", value, stated=given, folder=folder)


def _lines(key: str, value: Any, *, stated: bool, folder: Path) -> Iterator[tuple[str, str]]:
    if isinstance(value, BaseModel):
        yield from _settings(value, f"{key}.", stated=stated, folder=folder)
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _lines(f"{key}.{name}", inner, stated=stated, folder=folder)
    elif isinstance(value, tuple | list) and any(isinstance(inner, BaseModel) for inner in value):
        for number, inner in enumerate(value, start=1):
            yield from _lines(f"{key}[{number}]", inner, stated=stated, folder=folder)
    elif stated or value not in (None, (), ""):
        yield key, _text(value) + ("" if stated else " (not stated: default)")


def _text(value: Any) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:g}" if float(f"{value:g}") == value else repr(value)
        case Enum():
            return str(value.value)
        case Quantity():
            return value.key
        case tuple() | list():
            return ", ".join(_text(inner) for inner in value) or "none"
        case _:
            return str(value)


def _relative(path: str, folder: Path) -> str:
    return Path(os.path.relpath(path, folder)).as_posix() if os.path.isabs(path) else path
