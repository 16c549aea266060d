"""Reference results that are reduced by visit already, as a ledger keeps them.

In: parallel columns, one entry per rig, section, visit and reference lot (several where they came in parts).
Out: PastVisits; cells with the first day of each, like those of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import InputError
from repeatab.base.quantity import Quantity
from repeatab.cells import Cells, LabelArray
from repeatab.cells.table import cell_index, sorted_levels
from repeatab.control.arrays import BoolArray, IntArray
from repeatab.outcome.outcome import DataFinding, InputFile

UNNAMED = "the reference"
"""Stands for a reference lot of which nothing is recorded."""
Days = NDArray[np.datetime64]
_FACTORS = ("rig", "section", "visit", "source")


@dataclass(frozen=True, slots=True, kw_only=True)
class PastVisits:
    """Fresh sets of the reference lot by visit: (entries,) columns.

    rig, section, visit, reference: labels; None or "" for a lot that is not recorded.  day: ISO date of the visit, ""
    where none is.  count, mean, centred_ss: sets, their mean and their sum of squares about it, in the unit of
    `quantity` (squared).  sets_return: whether a set ran at more than one visit.  inputs: what they rest on.
    """

    quantity: Quantity
    rig: Sequence[str]
    section: Sequence[str]
    visit: Sequence[str]
    reference: Sequence[str | None]
    day: Sequence[str]
    count: Sequence[int]
    mean: Sequence[float]
    centred_ss: Sequence[float]
    sets_return: bool = False
    inputs: tuple[InputFile, ...] = ()
    findings: tuple[DataFinding, ...] = ()

    @property
    def lots_told(self) -> bool:
        """Whether the reference lot is recorded anywhere."""
        return any(self.reference)


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedCells:
    """Cells by rig, section, visit and source, and the first day of each (not-a-time where none is recorded)."""

    cells: Cells
    days: Days


def cells_by_visit(past: PastVisits, *, rigs: tuple[str, ...], sections: tuple[str, ...]) -> DatedCells:
    """Cells of the visits of these rigs (all if none is named) and sections; parts of one visit are merged.

    Raises
    ------
    InputError
        Nothing is left.
    """
    coded = [
        _coded(past.rig), _coded(past.section), _numbered(*_coded(past.visit)),
        _coded([lot or UNNAMED for lot in past.reference]),
    ]  # fmt: skip
    kept = np.ones(len(past.rig), dtype=np.bool_)
    for (levels, codes), chosen in zip(coded, (rigs, sections), strict=False):
        if chosen:
            kept &= np.isin(levels, chosen)[codes]
    if not kept.any():
        raise InputError("no result is left for the rigs and sections of the study.")
    columns = [_present(levels, codes[kept]) for levels, codes in coded]
    mean = np.array(past.mean, dtype=np.float64)[kept]
    cells = Cells(
        factors=_FACTORS,
        levels=tuple(levels for levels, _ in columns),
        codes=np.stack([codes for _, codes in columns], axis=1),
        variables=("result",),
        shift=mean[:1].copy(),
        count=np.array(past.count, dtype=np.int64)[kept],
        mean=(mean - mean[0])[:, None],
        cross=np.array(past.centred_ss, dtype=np.float64)[kept][:, None, None],
    )
    return _merged(cells, _days(past.day, kept))


def _coded(labels: Sequence[Any]) -> tuple[LabelArray, IntArray]:
    import pandas as pd

    codes, uniques = pd.factorize(np.array(labels, dtype=object))
    return sorted_levels(list(uniques), codes.astype(np.int64, copy=False))


def _numbered(levels: LabelArray, codes: IntArray) -> tuple[LabelArray, IntArray]:
    """Visits that are numbers throughout follow each other as numbers do: 2 before 10."""
    if not all(label.isascii() and label.isdigit() and str(int(label)) == label for label in levels):
        return levels, codes
    values = np.array([int(label) for label in levels], dtype=np.int64)
    order = np.argsort(values, kind="stable")
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    return levels[order], rank[codes]


def _present(levels: LabelArray, codes: IntArray) -> tuple[LabelArray, IntArray]:
    """Without the levels that no entry has any more."""
    there = np.bincount(codes, minlength=len(levels)) > 0
    return levels[there], (np.cumsum(there) - 1)[codes]


def _days(texts: Sequence[str], kept: BoolArray) -> Days:
    import pandas as pd

    codes, uniques = pd.factorize(np.array(texts, dtype=object)[kept])
    days = np.array([text or "NaT" for text in uniques], dtype="datetime64[D]")
    found: Days = days[codes]
    return found


def _merged(cells: Cells, days: Days) -> DatedCells:
    cell, size = cell_index(cells.codes, [len(labels) for labels in cells.levels])
    if size == len(cells):
        return DatedCells(cells=cells, days=days)
    latest = np.iinfo(np.int64).max
    first: IntArray = np.full(size, latest)
    np.minimum.at(first, cell, np.where(np.isnat(days), latest, days.astype(np.int64)))
    earliest = first.astype("datetime64[D]")
    earliest[first == latest] = np.datetime64("NaT")
    return DatedCells(cells=cells.over(cells.factors), days=earliest)
