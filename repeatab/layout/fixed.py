"""Fixed columns: the intercept and one indicator per level after the first, in sort order.

In: a Block and the fixed terms.  Out: the (cells, columns) matrix and what each column stands for.
Covariates are not here: they differ from group to group and within cells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.base.errors import NotSeparableError
from repeatab.cells import FloatArray, IntArray
from repeatab.layout.blocks import Block
from repeatab.layout.terms import INTERCEPT, Term


@dataclass(frozen=True, slots=True)
class FixedColumn:
    """What a column stands for: the level (or combination of levels) of a term, or the intercept."""

    factors: tuple[str, ...]
    level: tuple[object, ...]

    @property
    def name(self) -> str:
        if not self.factors:
            return INTERCEPT
        return " × ".join(f"{f} {level}" for f, level in zip(self.factors, self.level, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedDesign:
    """The fixed part of a layout.

    columns : what each column of `matrix` stands for.
    matrix : (cells, columns) of zeros and ones.
    references : per fixed factor, the level that the others are set against.
    missing : combinations of an interaction that would have a column, had they any results.
    """

    columns: tuple[FixedColumn, ...]
    matrix: FloatArray
    references: tuple[tuple[str, object], ...]
    missing: tuple[FixedColumn, ...] = ()


def fixed_design(block: Block, fixed: Sequence[Term], *, where: str = "") -> FixedDesign:
    """Build the fixed columns; `where` is put before a message.

    Raises
    ------
    NotSeparableError
        A fixed term adds nothing that the terms before it do not already hold (one of its levels goes with
        another effect throughout).
    """
    columns = [FixedColumn((), ())]
    matrix = [np.ones(len(block.count))]
    references: dict[str, object] = {}
    missing = []
    for term in fixed:
        present = [np.unique(block.code_of(factor)) for factor in term.factors]
        for factor, codes in zip(term.factors, present, strict=True):
            references.setdefault(factor, block.levels_of(factor)[codes[0]])
        for combination in product(*(codes[1:] for codes in present)):
            indicator = np.ones(len(block.count))
            for factor, code in zip(term.factors, combination, strict=True):
                indicator *= block.code_of(factor) == code
            level = tuple(block.levels_of(f)[c] for f, c in zip(term.factors, combination, strict=True))
            if not indicator.any():
                missing.append(FixedColumn(term.factors, level))
                continue
            columns.append(FixedColumn(term.factors, level))
            matrix.append(indicator)
    design = np.stack(matrix, axis=1)
    if fixed:
        _refuse_dependent(design, block.count, columns, where)
    return FixedDesign(
        columns=tuple(columns), matrix=design, references=tuple(references.items()), missing=tuple(missing)
    )


def _refuse_dependent(
    design: FloatArray, count: IntArray, columns: Sequence[FixedColumn], where: str
) -> None:
    weighted = design * np.sqrt(count)[:, None]
    kept = np.zeros((len(design), 0))
    for index, column in enumerate(columns):
        target = weighted[:, index]
        if kept.shape[1]:
            target = target - kept @ (kept.T @ target)
            target = target - kept @ (kept.T @ target)
        norm = np.linalg.norm(target)
        if norm < 1e-9 * np.linalg.norm(weighted[:, index]):
            before = ", ".join(c.name for c in columns[1:index]) or "the overall mean"
            raise NotSeparableError(
                f"{where}the fixed effect '{column.name}' cannot be told from {before}: wherever it acts, "
                "that acts too. Run combinations that separate them, or leave one of them out."
            )
        kept = np.concatenate([kept, (target / norm)[:, None]], axis=1)
