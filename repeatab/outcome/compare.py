"""Two outcomes held side by side, value by value: what agrees, and where they differ.

In: the outcome that is stored and the one found now.  Out: a Comparison.
Not here: how an outcome is made again (rerun.py), and what made it (versions are compared there).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.serialise import to_jsonable

TOLERANCE = 1e-9
"""Numbers agree when they differ by no more than this part of the larger one."""

Leaf = str | int | float | bool | None

_ABSENT = "(not there)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One value that is not the same: where, what is stored, what was found; `relative` for two numbers."""

    path: str
    stored: Leaf
    found: Leaf
    relative: float | None = None

    def __str__(self) -> str:
        tail = "" if self.relative is None else f" (relative difference {self.relative:.2g})"
        return f"{self.path}: stored {_shown(self.stored)}, found {_shown(self.found)}{tail}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What was compared, and what differs.

    verdicts, numbers, texts : how many of each were held side by side (a text is anything that is neither).
    largest : the largest relative difference among numbers that count as the same.
    """

    differences: tuple[Difference, ...]
    verdicts: int
    numbers: int
    texts: int
    largest: float

    @property
    def agrees(self) -> bool:
        """Whether every value is the same."""
        return not self.differences


def compare_outcomes(stored: Outcome, found: Outcome) -> Comparison:
    """Hold two outcomes side by side: verdicts, sentences, every number of every table and figure, settings, seed.

    Versions, fingerprints of inputs and the study file's name are left to the caller: they say what made the outcome,
    not what it says.
    """
    differences: list[Difference] = []
    counts = {"verdicts": 0, "numbers": 0, "texts": 0}
    largest = 0.0
    for path, one, other in _pairs(to_jsonable(_said(stored)), to_jsonable(_said(found)), ""):
        gap = _gap(one, other)
        counts["numbers" if gap is not None else "verdicts" if path.endswith("verdict") else "texts"] += 1
        if gap is None and one != other:
            differences.append(Difference(path=path, stored=one, found=other))
        elif gap is not None and gap > TOLERANCE:
            differences.append(Difference(path=path, stored=one, found=other, relative=gap))
        elif gap is not None:
            largest = max(largest, gap)
    return Comparison(differences=tuple(differences), largest=largest, **counts)


def _said(outcome: Outcome) -> Outcome:
    """The outcome without what made it."""
    made = outcome.provenance
    settings = tuple(pair for pair in made.settings if pair[0] != "study file")
    return replace(outcome, provenance=Provenance(settings=settings, seed=made.seed, as_of=made.as_of))


def _gap(one: Leaf, other: Leaf) -> float | None:
    """Relative difference of two numbers; None for anything else."""
    if isinstance(one, bool) or isinstance(other, bool):
        return None
    if not (isinstance(one, int | float) and isinstance(other, int | float)):
        return None
    if one == other:
        return 0.0
    try:
        larger, gap = float(max(abs(one), abs(other))), abs(float(one) - float(other))
    except OverflowError:  # a whole number beyond every double
        return math.inf
    return gap / larger if math.isfinite(gap) else math.inf


def _pairs(one: Any, other: Any, path: str) -> Iterator[tuple[str, Leaf, Leaf]]:
    """Every pair of values with its place; where one side has nothing, a word says so."""
    if isinstance(one, dict) and isinstance(other, dict):
        yield from _pairs_by_name(one, other, path)
    elif isinstance(one, list) and isinstance(other, list):
        first, second = _named(one), _named(other)
        if first is not None and second is not None:
            yield from _pairs_by_name(first, second, path)
        else:
            yield from _pairs_by_place(one, other, path)
    else:
        yield path, _leaf(one), _leaf(other)


def _pairs_by_name(one: dict[str, Any], other: dict[str, Any], path: str) -> Iterator[tuple[str, Leaf, Leaf]]:
    columns = _column_keys(one) if _column_keys(one) == _column_keys(other) else None
    for name in dict.fromkeys((*one, *other)):
        inside = f"{path} > {name}" if path else name
        if name not in one or name not in other:
            yield inside, _leaf(one.get(name, _ABSENT)), _leaf(other.get(name, _ABSENT))
        elif name == "rows" and columns is not None:
            yield from _pairs_of_rows(one[name], other[name], columns, inside)
        else:
            yield from _pairs(one[name], other[name], inside)


def _pairs_by_place(one: list[Any], other: list[Any], path: str) -> Iterator[tuple[str, Leaf, Leaf]]:
    if len(one) != len(other):
        yield f"{path}, how many", len(one), len(other)
    for at, (first, second) in enumerate(zip(one, other, strict=False), start=1):
        yield from _pairs(first, second, f"{path} {at}")


def _pairs_of_rows(
    one: list[Any], other: list[Any], columns: list[str], path: str
) -> Iterator[tuple[str, Leaf, Leaf]]:
    """Rows of a table, their values named by the column."""
    if len(one) != len(other):
        yield f"{path}, how many", len(one), len(other)
    for at, (first, second) in enumerate(zip(one, other, strict=False), start=1):
        for name, a, b in zip(columns, first, second, strict=True):
            yield f"{path} {at} > {name}", _leaf(a), _leaf(b)


def _named(items: list[Any]) -> dict[str, Any] | None:
    """Things that have a key each, and pairs of a name and a value, by it; None where one stands twice or has none."""
    pairs = [_name_and_value(item) for item in items]
    named = dict(pair for pair in pairs if pair is not None)
    return named if named and len(named) == len(items) else None


def _name_and_value(item: Any) -> tuple[str, Any] | None:
    if isinstance(item, dict) and isinstance(item.get("key"), str):
        return item["key"], item
    if isinstance(item, list) and len(item) == 2 and isinstance(item[0], str):
        return item[0], item[1]
    return None


def _column_keys(part: dict[str, Any]) -> list[str] | None:
    """The keys of a table's columns, where this is a table."""
    columns = part.get("columns")
    if not isinstance(columns, list) or "rows" not in part:
        return None
    return [column["key"] for column in columns]


def _leaf(value: Any) -> Leaf:
    if isinstance(value, dict | list):
        return f"{len(value)} entries"
    leaf: Leaf = value
    return leaf


def _shown(value: Leaf) -> str:
    if isinstance(value, str):
        return value if value == _ABSENT else f"'{value}'"
    return "nothing" if value is None else repr(value)
