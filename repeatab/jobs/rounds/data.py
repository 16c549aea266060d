"""The results of a round robin, from raw results and from cells alike.

In: run results and tables of cells.  Out: RoundData: parts with the same labels, each a table of cells and, where
the results themselves are known, the rows behind it.
Not here: the drift of travelling sets (round_sets), the analysis (round_analysis).
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.base.errors import InputError, StudyError, listed, nearest
from repeatab.cell_files import CellTable
from repeatab.cells import Cells, IntArray, LabelArray, reduce_to_cells, sort_and_code
from repeatab.intake.results import Results
from repeatab.interlab.level import LevelCells
from repeatab.jobs.rounds.checks import files_of_one_code, refuse_twice, split_laboratories
from repeatab.jobs.rounds.question import RoundRobin
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


def round_data(question: RoundRobin, results: Results | None, tables: Sequence[CellTable] = ()) -> RoundData:
    """Bring raw results and tables of cells together.

    Raises
    ------
    StudyError
        No laboratory is recorded, a level of the question is not in the data, or the rows are stops.
    InputError
        A laboratory's level comes from two places, or the quantities differ.
    """
    parts = [] if results is None else [_raw_part(question, results)]
    parts += [_table_part(table) for table in tables]
    if not parts:
        raise InputError(
            "round robin: found no results, expected raw results, cell files or a table of means."
        )
    _refuse_other_quantity(results, tables)
    parts = _with_one_kind_of_label(parts)
    pairs = [(part.name, part.pairs) for part in parts]
    refuse_twice(pairs)
    stated = _stated(parts)
    levels = _levels(question, parts)
    parts = [replace(part, cells=_of_levels(part.cells, levels), rows=_rows(part, levels)) for part in parts]
    findings = split_laboratories(pairs)
    for part in parts:
        findings += [] if part.rows is None else files_of_one_code(part.rows)
    return RoundData(
        parts=tuple(part for part in parts if len(part.cells)),
        levels=levels,
        stated=stated,
        findings=tuple(findings),
    )


def _raw_part(question: RoundRobin, results: Results) -> Part:
    if results.has("stop"):
        raise StudyError(
            "a round robin infers from run results, one per run, but these are single stops. Condense them "
            "first, and say by which statistic."
        )
    if not results.has(LABORATORY):
        raise StudyError(
            "columns.laboratory: is missing. Say which column holds the laboratory; where the rigs of one house "
            "take part as laboratories, name the column of the rig."
        )
    rows = with_level(results.to_frame())
    wanted = (PAD_SET, VISIT, *WITHIN, *(question.nested or ()))
    for name in question.nested or ():
        if name not in rows.columns:
            raise StudyError(
                f"nested: the results have no column '{name}'.{nearest(name, rows.columns)} Name it under [columns]."
            )
    factors = [name for name in dict.fromkeys(wanted) if name in rows.columns and not rows[name].isna().any()]
    order = [ORDER] if ORDER in rows.columns and not rows[ORDER].isna().any() else []
    rows = rows.astype(dict.fromkeys(order, float))
    cells = reduce_to_cells(rows, result=RESULT, factors=[LABORATORY, LEVEL, *factors], covariates=order)
    names = ", ".join(file.name for file in results.inputs) or "the table of results"
    return Part(name=names, cells=cells, rows=rows)


def with_level(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with their level: the level's column, the section, both together, or one for all."""
    present = [name for name in (LEVEL, SECTION) if name in rows.columns]
    varied = [name for name in present if rows[name].nunique() > 1] or present[:1]
    if len(varied) == 2:
        return rows.assign(level=rows[LEVEL].astype(str) + ", " + rows[SECTION].astype(str))
    return rows.assign(level=rows[varied[0]] if varied else "all results")


def _table_part(table: CellTable) -> Part:
    cells = table.cells
    lacking = [name for name in (LABORATORY,) if name not in cells.factors]
    if lacking or RESULT not in cells.variables:
        raise InputError(
            f"{table.name}: the cells know {listed(cells.factors)} and {listed(cells.variables)}, expected the "
            "laboratory and the result. Write the file again, with the column of the laboratory."
        )
    return Part(name=table.name, cells=_with_level_of_cells(cells), rounded=table.rounded)


def _with_level_of_cells(cells: Cells) -> Cells:
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


def _refuse_other_quantity(results: Results | None, tables: Sequence[CellTable]) -> None:
    known = {} if results is None else {results.quantity.key: "the raw results"}
    for table in tables:
        if table.quantity:
            known.setdefault(table.quantity, table.name)
    if len(known) > 1:
        found = ", ".join(f"'{quantity}' ({name})" for quantity, name in known.items())
        raise InputError(
            f"round robin: the results are of different quantities: {found}, expected one. C* of a disc brake is "
            "twice its μ. Ask for the results in one quantity."
        )


def _with_one_kind_of_label(parts: list[Part]) -> list[Part]:
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


def _stated(parts: Sequence[Part]) -> dict[tuple[Label, Label], float]:
    """The laboratories' own standard uncertainties, the mean of those stated with their results."""
    found: dict[tuple[Label, Label], float] = {}
    for part in parts:
        if part.rows is not None and STATED in part.rows.columns:
            means = part.rows.groupby([LABORATORY, LEVEL], sort=False)[STATED].mean().dropna()
            found |= dict(zip(means.index, means.astype(float), strict=True))
        elif part.has(STATED):
            pooled = part.cells.of_values([STATED]).over([LABORATORY, LEVEL])
            labels = zip(
                pooled.levels[0][pooled.codes[:, 0]], pooled.levels[1][pooled.codes[:, 1]], strict=True
            )
            found |= dict(zip(labels, (pooled.mean[:, 0] + pooled.shift[0]).tolist(), strict=True))
    for (laboratory, level), u in found.items():
        if not u > 0:
            raise InputError(
                f"laboratory '{laboratory}', level '{level}': found a stated standard uncertainty of {u:g}, "
                "expected a positive number. Leave it empty where none is stated."
            )
    return found


def _levels(question: RoundRobin, parts: Sequence[Part]) -> tuple[Label, ...]:
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


def _of_levels(cells: Cells, levels: Collection[Label]) -> Cells:
    labels = cells.levels_of(LEVEL)[cells.code_of(LEVEL)]
    return masked(cells, np.array([label in levels for label in labels], dtype=bool))


def _rows(part: Part, levels: Collection[Label]) -> pd.DataFrame | None:
    if part.rows is None:
        return None
    return part.rows[part.rows[LEVEL].isin(list(levels))].reset_index(drop=True)
