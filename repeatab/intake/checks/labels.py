"""Whether the labels are what they seem: one name spelled in two ways, one pad set in two lots, lone levels.

In: usable rows.  Out: findings.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import listed
from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import WEIGHT, Lazy, names_of, rows_of
from repeatab.intake.roles import SOURCE_ROW, Role
from repeatab.outcome.outcome import DataFinding

_MANY_SETS = 10
MOST_LEVELS = 100_000
"""Levels of a factor up to which the spelling is compared; beyond it they are numbers rather than names."""

Levels = Callable[[str], dict[Any, int]]
"""The levels of a factor and how many rows have each."""

_COUNT = "rows counted"
_NOT_NAMES = frozenset(role.value for role in (Role.TIME, Role.RUN_ORDER, Role.STOP, Role.POSITION_IN_LOT))
_OFTEN_ONCE = _NOT_NAMES | {role.value for role in (Role.RUN, Role.VISIT, Role.DAY)}
_BETWEEN_DIGITS = re.compile(r"(?<=\d)[\s\-_./\\,]+(?=\d)")
_SEPARATING = re.compile(r"(?<!\d)[\s\-_./\\,]+|[\s\-_./\\,]+(?!\d)")
_LEADING_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")


def spelling_core(label: str) -> str:
    """What remains of a label without case, blanks, dashes and leading zeros: "Rig A" and "rig-a " agree.

    Separators between digits count, so 1-2 and 12 stay apart.
    """
    text = unicodedata.normalize("NFKC", label).casefold().strip()
    text = _BETWEEN_DIGITS.sub("\0", text)
    text = _LEADING_ZEROS.sub("", _SEPARATING.sub("", text))
    return text or label


def check_spelling(frame: Lazy, factors: Sequence[str], counted: Levels) -> list[DataFinding]:
    """Levels that look like one name written in several ways, at the rows of the rarer spelling."""
    findings = []
    for name in factors:
        if name in _NOT_NAMES:
            continue
        counts = counted(name)
        if len(counts) > MOST_LEVELS:
            text = f"The {name} has more than {MOST_LEVELS} levels; their spelling was not compared."
            findings.append(DataFinding(check="spelling not compared", text=text))
            continue
        groups: dict[str, list[Any]] = {}
        for level in counts:
            groups.setdefault(spelling_core(str(level)), []).append(level)
        for levels in groups.values():
            if len(levels) > 1:
                findings += _spelled_twice(frame, name, levels, counts)
    return findings


def _spelled_twice(frame: Lazy, name: str, levels: list[Any], counts: dict[Any, int]) -> list[DataFinding]:
    levels = sorted(levels, key=lambda level: (-counts[level], str(level)))
    shown = ", ".join(f"'{level}' ({counts[level]})" for level in levels)
    remedy = "under [aliases]" if name in {Role.RIG.value, Role.SECTION.value} else "in the file"
    what = (
        f"{shown} look like one {name} written in {len(levels)} ways and are taken as different. If they are "
        f"one, give the name {remedy}."
    )
    rare = frame.filter(nw.col(name).is_in(levels[1:]))
    return findings_at(rare, check="near-duplicate names", what=what)


def check_set_in_two_lots(frame: Lazy) -> list[DataFinding]:
    """A pad set that is listed under two lots."""
    pad_set, lot = Role.PAD_SET.value, Role.PAD_LOT.value
    if not {pad_set, lot} <= set(names_of(frame)):
        return []
    pairs = frame.select(pad_set, lot).unique().collect()
    lots: dict[Any, list[str]] = {}
    for one_set, one_lot in pairs.sort(pad_set, lot).rows():
        lots.setdefault(one_set, []).append(str(one_lot))
    doubled = {one_set: found for one_set, found in lots.items() if len(found) > 1}
    check = "pad set in two lots"
    if len(doubled) > _MANY_SETS:
        what = (
            f"{len(doubled)} pad sets ({listed(doubled, most=3)}) are listed under more than one lot. If the "
            "labels start again in each lot, declare pad_set as nested in pad_lot."
        )
        return findings_at(frame.filter(nw.col(pad_set).is_in(list(doubled))), check=check, what=what)
    return [
        finding
        for one_set, found in doubled.items()
        for finding in findings_at(
            frame.filter(nw.col(pad_set) == one_set),
            check=check,
            what=f"pad set '{one_set}' is listed under the lots {listed(found)}, expected one. Correct the "
            "lot, or, if the labels start again in each lot, declare pad_set as nested in pad_lot.",
        )
    ]


def check_lone_levels(frame: Lazy, factors: Sequence[str], counted: Levels) -> list[DataFinding]:
    """Levels that stand in one row only, where most levels of the factor stand in several."""
    findings = []
    for name in factors:
        if name in _OFTEN_ONCE:
            continue
        counts = counted(name)
        if len(counts) > MOST_LEVELS:
            continue
        alone = sorted((level for level, count in counts.items() if count == 1), key=str)
        if not alone or 2 * len(alone) > len(counts):
            continue
        what = f"{name} {listed(alone)} is seen in this row only; check the spelling and the completeness."
        if len(alone) > 1:
            what = (
                f"{name} {listed(alone)} are seen in one row each; check the spelling and the completeness."
            )
        findings += findings_at(frame.filter(nw.col(name).is_in(alone)), check="level seen once", what=what)
    return findings


def levels_of(frame: Lazy) -> Levels:
    """The levels of each factor, counted when they are first asked for and only once."""
    return cache(lambda name: _level_counts(frame, name))


def _level_counts(frame: Lazy, name: str) -> dict[Any, int]:
    """Of a table that an engine holds at most one level more than are compared."""
    if frame.implementation.is_pandas() and WEIGHT not in names_of(frame):
        held = frame.to_native()[name].value_counts(sort=False)
        return {level: int(count) for level, count in held.items() if count}
    grouped = frame.group_by(name).agg(rows_of(frame).alias(_COUNT))
    if SOURCE_ROW not in names_of(frame):
        grouped = grouped.head(MOST_LEVELS + 1)
    counted = grouped.collect()
    pairs = zip(counted[name].to_list(), counted[_COUNT].to_list(), strict=True)
    return {level: int(count) for level, count in pairs if level is not None and level == level}
