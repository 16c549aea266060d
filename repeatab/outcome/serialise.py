"""Outcome to JSON and back: the complete, versioned, byte-stable form that result.json holds.

In: an Outcome. Out: plain dicts, lists and scalars in the order of the fields, or the bytes of result.json.
The types of the fields direct both ways, so a field that is added to an Outcome class is written and read
without a change here; only `result_schema.json` has to say so too (a test compares them).
"""

from __future__ import annotations

import json
import math
import types
import typing
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from importlib import resources
from typing import Any, get_args, get_origin

from repeatab.base.errors import InputError
from repeatab.outcome import figures
from repeatab.outcome.outcome import SCHEMA_VERSION, Outcome

FIGURE_KINDS: dict[str, type[figures.FigureBase]] = {
    "scatter sources": figures.ScatterSources,
    "offsets by section": figures.OffsetsBySection,
    "sets across rigs": figures.SetsAcrossRigs,
    "repeatability by rig": figures.RepeatabilityByRig,
    "order of runs": figures.OrderOfRuns,
    "what more runs buy": figures.WhatMoreRunsBuy,
    "offset history": figures.OffsetHistory,
    "h and k by laboratory": figures.ConsistencyByLaboratory,
    "results by laboratory": figures.ResultsByLaboratory,
    "pairs of levels": figures.PairsOfLevels,
    "precision by level": figures.PrecisionByLevel,
    "wear of travelling sets": figures.WearOfSets,
    "reference history": figures.ReferenceHistory,
    "smoothed history": figures.SmoothedHistory,
    "joint history": figures.JointHistory,
    "state of the rigs": figures.RigStates,
    "verdict against offset": figures.VerdictAgainstOffset,
    "plans by rig hours": figures.HoursAgainstGain,
}
"""The name of each kind of figure in result.json; a kind is never renamed."""

_KIND_OF = {cls: kind for kind, cls in FIGURE_KINDS.items()}
# Pairs that a program looks up by name stand as an object; all other pairs stay pairs.
_BY_NAME = frozenset({"numbers", "versions"})


def to_jsonable(outcome: Outcome) -> dict[str, Any]:
    """The outcome as plain dicts, lists, strings, numbers, booleans and None.

    A number that is not finite becomes None where the field allows "not available".

    Raises
    ------
    ValueError
        A field that must hold a number holds NaN or an infinity, or a value of another type: a defect of the
        job that made the outcome. The message names the place.
    """
    encoded = _encode(outcome, Outcome, "outcome")
    return {"schema_version": SCHEMA_VERSION, **encoded}


def as_stored(figure: figures.Figure) -> figures.Figure:
    """The figure as the outcome holds it that is read back; errors as those of `to_jsonable`."""
    stored: figures.Figure = _decode(_encode(figure, figures.Figure, "figure"), figures.Figure, "figure")
    return stored


def to_json_bytes(outcome: Outcome) -> bytes:
    """The bytes of result.json: UTF-8, indented, floats as their shortest exact decimal form."""
    text = json.dumps(to_jsonable(outcome), ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode("utf-8")


def from_jsonable(data: Any) -> Outcome:
    """The outcome that `to_jsonable` wrote.

    Raises
    ------
    InputError
        Not a result of ours, written under another schema version, or a field is missing, unknown or of the
        wrong type. The message names the place.
    """
    if not isinstance(data, dict) or "schema_version" not in data:
        raise InputError("result file: found no 'schema_version', expected a result.json of repeatab.")
    version = data["schema_version"]
    if version != SCHEMA_VERSION:
        raise InputError(
            f"result file: found schema version {version!r}, this program reads version {SCHEMA_VERSION}. "
            "Read it with the program version that wrote it (listed under provenance, versions)."
        )
    body = {key: value for key, value in data.items() if key != "schema_version"}
    outcome = _decode(body, Outcome, "outcome")
    assert isinstance(outcome, Outcome)
    return outcome


def from_json_bytes(content: bytes, *, name: str = "result file") -> Outcome:
    """The outcome held by the bytes of a result.json; `name` is what a message calls the file."""
    try:
        data = json.loads(content.decode("utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(
            f"{name}: is not readable as JSON ({error}). Expected a result.json of repeatab."
        ) from None
    try:
        return from_jsonable(data)
    except InputError as error:
        raise InputError(str(error).replace("result file", name, 1)) from None


def result_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every result.json satisfies."""
    text = resources.files("repeatab.outcome").joinpath("result_schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def well_formed(text: str) -> str:
    """`text` with lone surrogates (from undecodable file names) replaced, so that UTF-8 can hold it."""
    return "".join("\ufffd" if 0xD800 <= ord(letter) <= 0xDFFF else letter for letter in text)


@cache
def _hints(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def _alternatives(hint: Any) -> tuple[Any, ...]:
    """The members of a union, or the hint alone."""
    if get_origin(hint) in (typing.Union, types.UnionType):
        return get_args(hint)
    return (hint,)


def _encode(value: Any, hint: Any, place: str) -> Any:
    options = _alternatives(hint)
    if type(value) in _KIND_OF and len(options) > 1:
        return {"kind": _KIND_OF[type(value)], **_encode_fields(value, place)}
    for option in options:
        if is_dataclass(option) and type(value) is option:
            return _encode_fields(value, place)
        if isinstance(option, type) and issubclass(option, Enum) and isinstance(value, option):
            return value.value
        if get_origin(option) is tuple and isinstance(value, tuple | list):
            return _encode_tuple(tuple(value), get_args(option), place)
    return _encode_scalar(value, options, place)


def _encode_fields(value: Any, place: str) -> dict[str, Any]:
    hints = _hints(value.__class__)
    encoded = {}
    for item in fields(value):
        inside = f"{place}.{item.name}"
        content = _encode(getattr(value, item.name), hints[item.name], inside)
        encoded[item.name] = _as_object(content, inside) if item.name in _BY_NAME else content
    return encoded


def _encode_tuple(value: tuple[Any, ...], inner: tuple[Any, ...], place: str) -> list[Any]:
    if len(inner) == 2 and inner[1] is Ellipsis:
        return [_encode(item, inner[0], f"{place}[{i}]") for i, item in enumerate(value)]
    if len(inner) != len(value):
        raise ValueError(f"{place}: {len(value)} values, expected {len(inner)}")
    return [
        _encode(item, hint, f"{place}[{i}]") for i, (item, hint) in enumerate(zip(value, inner, strict=True))
    ]


def _encode_scalar(value: Any, options: tuple[Any, ...], place: str) -> Any:
    if hasattr(value, "item"):
        value = value.item()  # a scalar of an array library: its plain Python value
    if value is None and type(None) in options:
        return None
    if isinstance(value, bool) and bool in options:
        return value
    if isinstance(value, int) and not isinstance(value, bool) and int in options:
        return int(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and float in options:
        if math.isfinite(value):
            return float(value)
        if type(None) in options:
            return None
        raise ValueError(f"{place}: the number is {value}, and this field has no 'not available'")
    if isinstance(value, str) and str in options:
        return well_formed(value)
    raise ValueError(
        f"{place}: found {value!r} of type {type(value).__name__}, which the field does not allow"
    )


def _as_object(pairs: list[Any], place: str) -> dict[str, Any]:
    named = dict(pairs)
    if len(named) != len(pairs):
        raise ValueError(f"{place}: a name stands twice among {[name for name, _ in pairs]}")
    return named


def _decode(value: Any, hint: Any, place: str) -> Any:
    options = _alternatives(hint)
    if any(option in _KIND_OF for option in options) and len(options) > 1:
        return _decode_figure(value, place)
    for option in options:
        if is_dataclass(option) and isinstance(value, dict):
            return _decode_fields(value, typing.cast(type, option), place)
        if isinstance(option, type) and issubclass(option, Enum):
            return _decode_choice(value, option, place)
        if get_origin(option) is tuple and isinstance(value, list):
            return _decode_tuple(value, get_args(option), place)
    return _decode_scalar(value, options, place)


def _decode_figure(value: Any, place: str) -> Any:
    kind = value.get("kind") if isinstance(value, dict) else None
    if not isinstance(kind, str) or kind not in FIGURE_KINDS:
        raise InputError(
            f"result file: {place}: found the figure kind {kind!r}, expected one of {list(FIGURE_KINDS)}."
        )
    return _decode_fields({k: v for k, v in value.items() if k != "kind"}, FIGURE_KINDS[kind], place)


def _decode_fields(value: dict[str, Any], cls: type, place: str) -> Any:
    hints = _hints(cls)
    names = [item.name for item in fields(cls)]
    for name in value:
        if name not in names:
            raise InputError(f"result file: {place}: unknown field '{name}'; known are {', '.join(names)}.")
    content = {}
    for name in names:
        if name not in value:
            raise InputError(f"result file: {place}: the field '{name}' is missing.")
        raw = value[name]
        if name in _BY_NAME and isinstance(raw, dict):
            raw = [[key, item] for key, item in raw.items()]
        content[name] = _decode(raw, hints[name], f"{place}.{name}")
    try:
        return cls(**content)
    except AssertionError as error:  # a table whose rows do not fit its columns
        raise InputError(f"result file: {place}: {error}.") from None


def _decode_choice(value: Any, option: type[Enum], place: str) -> Enum:
    try:
        return option(value)
    except ValueError:
        allowed = [member.value for member in option]
        raise InputError(f"result file: {place}: found {value!r}, expected one of {allowed}.") from None


def _decode_tuple(value: list[Any], inner: tuple[Any, ...], place: str) -> tuple[Any, ...]:
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_decode(item, inner[0], f"{place}[{i}]") for i, item in enumerate(value))
    if len(inner) != len(value):
        raise InputError(f"result file: {place}: found {len(value)} values, expected {len(inner)}.")
    pairs = zip(value, inner, strict=True)
    return tuple(_decode(item, hint, f"{place}[{i}]") for i, (item, hint) in enumerate(pairs))


def _decode_scalar(value: Any, options: tuple[Any, ...], place: str) -> Any:
    try:
        return _encode_scalar(value, options, place)
    except ValueError as error:
        raise InputError(f"result file: {error}.") from None
    except OverflowError:
        raise InputError(f"result file: {place}: the number is too large.") from None
