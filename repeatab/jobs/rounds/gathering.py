"""The results of a round robin brought together, from raw results and from cells alike.

In: run results and tables of cells.  Out: RoundData.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import InputError, StudyError, listed, nearest
from repeatab.cell_files import CellTable
from repeatab.cells import Cells, reduce_to_cells
from repeatab.intake.results import Results
from repeatab.jobs.rounds.checks import files_of_one_code, refuse_twice, split_laboratories
from repeatab.jobs.rounds.data import (
    LABORATORY,
    LEVEL,
    ORDER,
    PAD_SET,
    RESULT,
    STATED,
    VISIT,
    WITHIN,
    Label,
    Part,
    RoundData,
    masked,
)
from repeatab.jobs.rounds.labels import cells_with_level, levels_of, with_level, with_one_kind_of_label
from repeatab.jobs.rounds.question import RoundRobin

if TYPE_CHECKING:
    import pandas as pd


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
    parts = with_one_kind_of_label(parts)
    pairs = [(part.name, part.pairs) for part in parts]
    refuse_twice(pairs)
    stated = _stated(parts)
    levels = levels_of(question, parts)
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


def _table_part(table: CellTable) -> Part:
    cells = table.cells
    lacking = [name for name in (LABORATORY,) if name not in cells.factors]
    if lacking or RESULT not in cells.variables:
        raise InputError(
            f"{table.name}: the cells know {listed(cells.factors)} and {listed(cells.variables)}, expected the "
            "laboratory and the result. Write the file again, with the column of the laboratory."
        )
    return Part(name=table.name, cells=cells_with_level(cells), rounded=table.rounded)


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


def _of_levels(cells: Cells, levels: Collection[Label]) -> Cells:
    labels = cells.levels_of(LEVEL)[cells.code_of(LEVEL)]
    return masked(cells, np.array([label in levels for label in labels], dtype=bool))


def _rows(part: Part, levels: Collection[Label]) -> pd.DataFrame | None:
    if part.rows is None:
        return None
    return part.rows[part.rows[LEVEL].isin(list(levels))].reset_index(drop=True)
