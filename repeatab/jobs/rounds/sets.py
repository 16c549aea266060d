"""The sets of a round robin: did they travel or were they distributed, and how do travelling ones wear?

In: RoundData.  Out: what kind of sets ran at each level, the drift from the return runs, and the data without
return runs and, when asked, without the drift.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import RepeatabError, StudyError, listed
from repeatab.cells import Cells, FloatArray
from repeatab.interlab.drift import Drift, drift_of_sums
from repeatab.jobs.rounds.data import (
    LABORATORY,
    LEVEL,
    ORDER,
    PAD_SET,
    RESULT,
    VISIT,
    Label,
    Part,
    RoundData,
    kept,
    masked,
)
from repeatab.jobs.rounds.question import SetKind, Travelling

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class PilotVisit:
    """One set's runs at the pilot laboratory on one visit: mean position, mean result and number of runs."""

    pad_set: str
    position: float
    mean: float
    runs: int
    takes_part: bool


@dataclass(frozen=True, kw_only=True)
class LevelDrift:
    """The drift at one level, or the reason why there is none."""

    level: Label
    drift: Drift | None
    visits: tuple[PilotVisit, ...] = ()
    trouble: str = ""


def set_kind(data: RoundData, level: Label, *, stated: SetKind | None = None) -> SetKind:
    """Travelling where a set ran at several laboratories, distributed where each ran at one only.

    stated : what the study says, where labels of sets start again in each laboratory.
    """
    if not any(level in part.cells.levels_of(LEVEL) for part in data.parts_with(PAD_SET)):
        return SetKind.NOT_RECORDED
    if stated is not None:
        return stated
    cells = kept(data.cells_over([LABORATORY, LEVEL, PAD_SET]), {LEVEL: level})
    laboratories = np.bincount(cells.over([PAD_SET, LABORATORY]).code_of(PAD_SET))
    return SetKind.TRAVELLING if laboratories.max() > 1 else SetKind.DISTRIBUTED


def drifts(data: RoundData, travelling: Travelling, *, confidence: float) -> dict[Label, LevelDrift]:
    """The drift of each level from the pilot laboratory's runs.

    Raises
    ------
    StudyError
        The pilot laboratory is not in the results, or its runs have no visit or no position.
    """
    laboratory = _pilot(data, travelling)
    found = {}
    for level in data.levels:
        part = next((p for p in data.parts if (laboratory, level) in p.pairs), None)
        if part is None:
            found[level] = LevelDrift(level=level, drift=None, trouble=f"'{laboratory}' has no result here.")
            continue
        _refuse_without_place(part, laboratory)
        found[level] = _level_drift(level, _runs_of(part.cells, laboratory, level), confidence=confidence)
    return found


def _pilot(data: RoundData, travelling: Travelling) -> Label:
    for laboratory in data.laboratories:
        if str(laboratory) == str(travelling.pilot):
            return laboratory
    raise StudyError(
        f"travelling.pilot: '{travelling.pilot}' is not in the results; there are {listed(data.laboratories)}."
    )


def _refuse_without_place(part: Part, pilot: Label) -> None:
    lacking = [name for name in (PAD_SET, VISIT, ORDER) if not part.has(name)]
    if lacking:
        raise StudyError(
            f"travelling: {part.name} does not say {listed(lacking)} of the runs of '{pilot}', so the return runs "
            "and the wear of the sets cannot be told. Name these columns under [columns]: the set, the visit (its "
            "number in the round) and the place of the run among all runs of the set."
        )


def _runs_of(cells: Cells, laboratory: Label, level: Label) -> Cells:
    own = kept(cells, {LABORATORY: laboratory, LEVEL: level})
    return own.of_values([RESULT, ORDER]).over([PAD_SET, VISIT])


def _first_visits(visits: Cells) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """For each cell of set and visit, whether it is the set's first visit."""
    first: dict[int, int] = {}
    sets = visits.code_of(PAD_SET)
    for at in np.argsort(visits.mean[:, 1], kind="stable"):
        first.setdefault(int(sets[at]), int(at))
    mask = np.zeros(len(visits), dtype=bool)
    mask[list(first.values())] = True
    return mask


def _level_drift(level: Label, visits: Cells, *, confidence: float) -> LevelDrift:
    first = _first_visits(visits)
    points = tuple(
        PilotVisit(
            pad_set=str(visits.levels_of(PAD_SET)[visits.code_of(PAD_SET)[i]]),
            position=float(visits.mean[i, 1] + visits.shift[1]),
            mean=float(visits.mean[i, 0] + visits.shift[0]),
            runs=int(visits.count[i]),
            takes_part=bool(first[i]),
        )
        for i in np.argsort(visits.mean[:, 1], kind="stable")
    )
    within = visits.over([PAD_SET])
    cross = within.cross.sum(axis=0)
    start = float(np.average(visits.mean[first, 1], weights=visits.count[first]) + visits.shift[1])
    try:
        found = drift_of_sums(
            spread=float(cross[1, 1]), product=float(cross[0, 1]), square=float(cross[0, 0]),
            runs=within.rows, sets=len(within), reference=start,
            size=max(point.position for point in points), confidence=confidence,
        )  # fmt: skip
    except RepeatabError as error:
        return LevelDrift(level=level, drift=None, visits=points, trouble=str(error))
    return LevelDrift(level=level, drift=found, visits=points)


def without_return_runs(data: RoundData, travelling: Travelling) -> RoundData:
    """The data in which the pilot laboratory takes part with the first visit of each set only."""
    laboratory = _pilot(data, travelling)
    parts = []
    for part in data.parts:
        if not part.has(PAD_SET, VISIT, ORDER) or all(lab != laboratory for lab, _ in part.pairs):
            parts.append(part)
            continue
        later = _later_visits(part.cells, laboratory)
        keys = [(LABORATORY, laboratory), (LEVEL, None), (PAD_SET, None), (VISIT, None)]
        labels = [part.cells.levels_of(name)[part.cells.code_of(name)] for name, _ in keys]
        mask = np.array(
            [lab != laboratory or (level, pads, visit) not in later
             for lab, level, pads, visit in zip(*labels, strict=True)],
            dtype=bool,
        )  # fmt: skip
        parts.append(
            replace(part, cells=masked(part.cells, mask), rows=_rows_without(part.rows, laboratory, later))
        )
    return replace(data, parts=tuple(parts))


def _later_visits(cells: Cells, laboratory: Label) -> set[tuple[Label, Label, Label]]:
    own = kept(cells, {LABORATORY: laboratory})
    later: set[tuple[Label, Label, Label]] = set()
    for level in own.levels_of(LEVEL):
        visits = _runs_of(cells, laboratory, level)
        for at in np.flatnonzero(~_first_visits(visits)):
            sets, visit = (visits.levels_of(name)[visits.code_of(name)[at]] for name in (PAD_SET, VISIT))
            later.add((level, sets, visit))
    return later


def _rows_without(
    rows: pd.DataFrame | None, laboratory: Label, later: set[tuple[Label, Label, Label]]
) -> pd.DataFrame | None:
    if rows is None:
        return None
    places = zip(rows[LABORATORY], rows[LEVEL], rows[PAD_SET], rows[VISIT], strict=True)
    keep = [lab != laboratory or (level, pads, visit) not in later for lab, level, pads, visit in places]
    return rows[keep].reset_index(drop=True)


def without_drift(data: RoundData, found: Mapping[Label, LevelDrift]) -> RoundData:
    """The data with each result taken back to the position of the pilot laboratory's first visit.

    Raises
    ------
    StudyError
        A part of a level whose drift is known has no positions.
    """
    slopes = {level: one.drift for level, one in found.items() if one.drift is not None}
    parts = []
    for part in data.parts:
        if not slopes.keys() & set(part.cells.levels_of(LEVEL)):
            parts.append(part)
            continue
        if not part.has(ORDER):
            raise StudyError(
                f"travelling.take_out: {part.name} does not say the place of each run among the runs of its set, so "
                "its results cannot be freed of the drift. Name run_order under [columns], or leave the drift in."
            )
        parts.append(
            replace(part, cells=_corrected_cells(part.cells, slopes), rows=_corrected_rows(part.rows, slopes))
        )
    return replace(data, parts=tuple(parts))


def _corrected_cells(cells: Cells, slopes: Mapping[Label, Drift]) -> Cells:
    """Each result less slope (position - reference): means and cross-products follow from those of both."""
    y, t = cells.variables.index(RESULT), cells.variables.index(ORDER)
    labels = cells.levels_of(LEVEL)[cells.code_of(LEVEL)]
    b: FloatArray = np.array([slopes[level].slope if level in slopes else 0.0 for level in labels])
    start = np.array([slopes[level].reference if level in slopes else 0.0 for level in labels])
    mean, cross = cells.mean.copy(), cells.cross.copy()
    mean[:, y] -= b * (cells.mean[:, t] + cells.shift[t] - start)
    cross[:, y, :] -= b[:, None] * cells.cross[:, t, :]
    cross[:, :, y] = cross[:, y, :]
    cross[:, y, y] = np.maximum(
        0.0, cells.cross[:, y, y] - 2 * b * cells.cross[:, y, t] + b**2 * cells.cross[:, t, t]
    )
    return replace(cells, mean=mean, cross=cross)


def _corrected_rows(rows: pd.DataFrame | None, slopes: Mapping[Label, Drift]) -> pd.DataFrame | None:
    if rows is None:
        return None
    b = np.array([slopes[level].slope if level in slopes else 0.0 for level in rows[LEVEL]])
    start = np.array([slopes[level].reference if level in slopes else 0.0 for level in rows[LEVEL]])
    return rows.assign(**{RESULT: rows[RESULT].astype(float) - b * (rows[ORDER].astype(float) - start)})
