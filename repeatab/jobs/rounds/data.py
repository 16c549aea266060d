"""What a round robin works on: parts with the same labels, each a table of cells and, where the results themselves are
known, the rows behind it.

In: nothing; `gathering` brings the parts together.  Out: Part and RoundData, with cells and results by laboratory and
level.
Not here: the drift of travelling sets (sets), the analysis (analysis).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.cells import Cells
from repeatab.interlab.level import LevelCells
from repeatab.outcome.outcome import DataFinding

if TYPE_CHECKING:
    import pandas as pd


LABORATORY, LEVEL, SECTION, PAD_SET, VISIT = "laboratory", "level", "section", "pad_set", "visit"
RESULT, ORDER, STATED = "result", "run_order", "stated_uncertainty"
WITHIN = ("rig", "operator", "day")
"""Factors within a laboratory whose scatter is intermediate precision, from the outer to the inner."""

Label = Hashable


@dataclass(frozen=True, kw_only=True)
class Part:
    """Cells of one origin by laboratory, level and what else is known.

    rows : the results behind the cells; None where the laboratory gave cells only.
    """

    name: str
    cells: Cells
    rows: pd.DataFrame | None = None
    rounded: bool = False

    @property
    def pairs(self) -> set[tuple[Label, Label]]:
        """The (laboratory, level) that have results here."""
        pooled = self.cells.over([LABORATORY, LEVEL])
        return {(pooled.levels[0][a], pooled.levels[1][b]) for a, b in pooled.codes}

    def has(self, *names: str) -> bool:
        """Whether the cells know all of these factors and values."""
        return set(names) <= {*self.cells.factors, *self.cells.variables}


@dataclass(frozen=True, kw_only=True)
class RoundData:
    """All results that take part, in parts with one kind of label; `findings` are about the parts together."""

    parts: tuple[Part, ...]
    levels: tuple[Label, ...]
    stated: Mapping[tuple[Label, Label], float]
    findings: tuple[DataFinding, ...] = ()

    @property
    def laboratories(self) -> tuple[Label, ...]:
        """Every laboratory, in sort order."""
        return tuple(self.cells_over([LABORATORY]).levels[0])

    @property
    def without_rows(self) -> tuple[Label, ...]:
        """The laboratories of which some results are known as cells only."""
        known = {lab for part in self.parts if part.rows is None for lab, _ in part.pairs}
        return tuple(lab for lab in self.laboratories if lab in known)

    @property
    def rounded(self) -> tuple[Label, ...]:
        """The laboratories with results from a table of rounded numbers."""
        known = {lab for part in self.parts if part.rounded for lab, _ in part.pairs}
        return tuple(lab for lab in self.laboratories if lab in known)

    def parts_with(self, *names: str) -> tuple[Part, ...]:
        """The parts whose cells know all of these factors."""
        return tuple(part for part in self.parts if part.has(*names))

    def cells_over(self, factors: Sequence[str]) -> Cells:
        """The cells of the results by these factors, of every part that knows them."""
        found = [part.cells.of_values([RESULT]).over(factors) for part in self.parts_with(*factors)]
        merged = found[0]
        for other in found[1:]:
            merged = merged.merge(other)
        return merged

    def level_cells(self, level: Label) -> LevelCells:
        """One level's cells in the sense of ISO 5725."""
        cells = self._by_laboratory
        at = np.flatnonzero(cells.levels[1][cells.codes[:, 1]] == level)
        return LevelCells(
            level=level,
            laboratories=tuple(cells.levels[0][cells.codes[at, 0]]),
            count=cells.count[at],
            mean=cells.mean[at, 0] + cells.shift[0],
            centred_ss=cells.cross[at, 0, 0],
        )

    @property
    def _by_laboratory(self) -> Cells:
        return self.cells_over([LABORATORY, LEVEL])

    def results(self, level: Label) -> dict[Label, list[float]] | None:
        """The results of each laboratory at one level; None where one of them is known as cells only."""
        found: dict[Label, list[float]] = {}
        for part in self.parts:
            if part.rows is None:
                if any(at == level for _, at in part.pairs):
                    return None
                continue
            rows = part.rows[part.rows[LEVEL] == level]
            for laboratory, values in rows.groupby(LABORATORY, sort=False)[RESULT]:
                found[laboratory] = [float(value) for value in values]
        return {laboratory: found[laboratory] for laboratory in self.laboratories if laboratory in found}

    def position(self, laboratory: Label, level: Label) -> float | None:
        """Mean place of a laboratory's runs among the runs of the set."""
        for part in self.parts_with(ORDER):
            if (laboratory, level) in part.pairs:
                own = kept(part.cells, {LABORATORY: laboratory, LEVEL: level}).of_values([ORDER]).over([])
                return float(own.mean[0, 0] + own.shift[0])
        return None


def kept(cells: Cells, wanted: Mapping[str, Label]) -> Cells:
    """The cells with these labels."""
    mask = np.ones(len(cells), dtype=bool)
    for factor, label in wanted.items():
        labels = cells.levels_of(factor)[cells.code_of(factor)]
        mask &= np.array([found == label for found in labels], dtype=bool)
    return masked(cells, mask)


def masked(cells: Cells, mask: Any) -> Cells:
    """The cells where the mask is true, without levels that no cell has any more."""
    levels, codes = [], []
    for column, labels in enumerate(cells.levels):
        used, code = np.unique(cells.codes[mask, column], return_inverse=True)
        levels.append(labels[used])
        codes.append(code.reshape(-1))
    return replace(
        cells,
        levels=tuple(levels),
        codes=np.stack(codes, axis=1) if codes else cells.codes[mask],
        count=cells.count[mask],
        mean=cells.mean[mask],
        cross=cells.cross[mask],
    )
