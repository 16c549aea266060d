"""Labels of laboratories and levels: the level of each row or cell, one kind of label in all parts, levels in order.

In: rows, cells, parts.  Out: the same with labels that fit together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.cells import Cells, IntArray, LabelArray, sort_and_code
from repeatab.jobs.rounds.data import LABORATORY, LEVEL, SECTION, Label, Part
from repeatab.jobs.rounds.question import RoundRobin

if TYPE_CHECKING:
    import pandas as pd


def with_level(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with their level: the level's column, the section, both together, or one for all."""
    present = [name for name in (LEVEL, SECTION) if name in rows.columns]
    varied = [name for name in present if rows[name].nunique() > 1] or present[:1]
    if len(varied) == 2:
        return rows.assign(level=rows[LEVEL].astype(str) + ", " + rows[SECTION].astype(str))
    return rows.assign(level=rows[varied[0]] if varied else "all results")


def cells_with_level(cells: Cells) -> Cells:
    """The cells with their level, formed as for rows."""
    present = [name for name in (LEVEL, SECTION) if name in cells.factors]
    varied = [name for name in present if len(cells.levels_of(name)) > 1] or present[:1]
    if len(varied) == 2:
        pairs = zip(*(cells.levels_of(name)[cells.code_of(name)] for name in (LEVEL, SECTION)), strict=True)
        labels = [f"{level}, {section}" for level, section in pairs]
    elif varied:
        labels = list(cells.levels_of(varied[0])[cells.code_of(varied[0])])
    else:
        labels = ["all results"] * len(cells)
    levels, codes = sort_and_code(np.asarray(labels, dtype=object))
    others = [i for i, name in enumerate(cells.factors) if name not in (LEVEL, SECTION)]
    return replace(
        cells,
        factors=(*(cells.factors[i] for i in others), LEVEL),
        levels=(*(cells.levels[i] for i in others), levels),
        codes=np.column_stack([cells.codes[:, others], codes]),
    )


def with_one_kind_of_label(parts: list[Part]) -> list[Part]:
    """Where one part has whole numbers as labels and another the same as text, the first part's kind counts."""
    for factor in (LABORATORY, LEVEL):
        kinds = [_kind(part.cells.levels_of(factor)) for part in parts]
        if len(set(kinds)) > 1:
            whole = kinds[0] is int and all(
                str(label).strip().isdecimal() for part in parts for label in part.cells.levels_of(factor)
            )
            parts = [_relabelled(part, factor, int if whole else str) for part in parts]
    return parts


def _kind(labels: LabelArray) -> type:
    if all(isinstance(label, int | np.integer) for label in labels):
        return int
    return str if all(isinstance(label, str) for label in labels) else object


def _relabelled(part: Part, factor: str, kind: type) -> Part:
    column = part.cells.factors.index(factor)
    labels, order = sort_and_code(
        np.array([kind(label) for label in part.cells.levels[column]], dtype=object)
    )
    levels = list(part.cells.levels)
    levels[column] = labels
    codes: IntArray = part.cells.codes.copy()
    codes[:, column] = order[codes[:, column]]
    rows = part.rows
    if rows is not None:
        rows = rows.assign(**{factor: [kind(label) for label in rows[factor]]})
    return replace(part, cells=replace(part.cells, levels=tuple(levels), codes=codes), rows=rows)


def levels_of(question: RoundRobin, parts: Sequence[Part]) -> tuple[Label, ...]:
    """All levels, those of the question first.

    Raises
    ------
    StudyError
        A level of the question is not in the results.
    """
    every = np.concatenate([part.cells.levels_of(LEVEL) for part in parts])
    present = list(sort_and_code(every)[0])
    by_text = {str(label): label for label in present}
    for level in question.levels:
        if str(level) not in by_text:
            raise StudyError(
                f"levels: '{level}' is not in the results; there are {listed(present)}."
                f"{nearest(str(level), by_text)} Correct the name of the level."
            )
    named = [by_text[str(level)] for level in question.levels]
    return tuple(dict.fromkeys([*named, *present]))
