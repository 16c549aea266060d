"""The reference results of each rig, reduced to one cell per visit, section and reference.

In: run results, or results reduced by visit already, and a ControlChart question.  Out: ReferenceData.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.cells import Cells, reduce_to_cells
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.intake.results import Results
from repeatab.jobs.charts.data import ReferenceData, VisitCells
from repeatab.jobs.charts.past_visits import Days, PastVisits, cells_by_visit
from repeatab.jobs.charts.question import ControlChart, Plotted
from repeatab.jobs.charts.reference_rows import reference_rows, refuse_unknown
from repeatab.jobs.charts.visit_order import (
    ages_of,
    chronology,
    order_of_sources,
    order_of_visits,
    visits_per_month,
)

if TYPE_CHECKING:
    import pandas as pd


def reference_data(question: ControlChart, results: Results | PastVisits) -> ReferenceData:
    """Arrange the run results, or those that are reduced by visit.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results; the same set is charted and no set recorded.
    InputError
        Neither visit nor time is recorded; a result has no logarithm; nothing is left.
    """
    if isinstance(results, PastVisits):
        return _arranged_visits(question, results)
    rows = reference_rows(question, results)
    table = rows.table
    keys = ["rig", "section", "visit", "source"]
    cells = reduce_to_cells(table[[*keys, "result"]], result="result", factors=keys)
    low, high, days = _extremes(table, keys, cells.levels, cells.codes)
    arranged, place, rank = _arranged(question, cells, days, low, high)
    return replace(
        arranged, values=_values(question, table, place, rank, cells.levels), repeats=rows.repeats,
        lots_told=rows.lots_told, set_aside=rows.set_aside,
    )  # fmt: skip


def _arranged_visits(question: ControlChart, past: PastVisits) -> ReferenceData:
    """The same from results by visit; their extremes are not kept, so range charts take the results themselves."""
    found = cells_by_visit(past, rigs=question.rigs, sections=tuple(one.name for one in question.sections))
    for name in ("rig", "section"):
        refuse_unknown(question, name, [str(label) for label in found.cells.levels_of(name)])
    nothing = found.cells.mean[:, 0]
    arranged, _, _ = _arranged(question, found.cells, found.days, nothing, nothing)
    return replace(arranged, repeats=past.sets_return, lots_told=past.lots_told)


def _arranged(
    question: ControlChart, cells: Cells, days: Days, low: FloatArray, high: FloatArray
) -> tuple[ReferenceData, IntArray, IntArray]:
    """ReferenceData without what only rows tell; with it the places of the visits and the ranks of the sources."""
    rigs = tuple(str(label) for label in cells.levels_of("rig"))
    rig, section = cells.code_of("rig"), cells.code_of("section")
    place, visits = order_of_visits(cells, days)
    rank, sources = order_of_sources(cells, days)
    visit, source = place[rig, cells.code_of("visit")], rank[cells.code_of("source")]
    order = np.lexsort((source, visit, section, rig))
    every = VisitCells(
        visit=visit, source=source, count=cells.count, mean=cells.mean[:, 0] + cells.shift[0],
        ss=cells.cross[:, 0, 0], low=low, high=high, age=np.zeros(len(cells)),
    ).at(order)  # fmt: skip
    when = chronology(cells, rigs, visits)
    every = replace(every, age=ages_of(every, section[order], when, rig[order]))
    names = [str(label) for label in cells.levels_of("section")]
    group = rig[order] * len(names) + section[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    found = {
        (rigs[rig[order[a]]], names[section[order[a]]]): every.at(slice(a, b))
        for a, b in zip(starts, np.append(starts[1:], len(group)), strict=True)
    }
    arranged = ReferenceData(
        rigs=rigs, sections=tuple(one.name for one in question.sections), sources=sources, visits=visits,
        cells=found, values={}, rows=cells.rows, visits_per_month=visits_per_month(visits), repeats=False,
        lots_told=True, set_aside=(),
    )  # fmt: skip
    return arranged, place, rank


def _values(
    question: ControlChart, table: pd.DataFrame, place: IntArray, rank: IntArray, levels: Any
) -> dict[tuple[str, str, int, int], FloatArray]:
    if question.plotted not in (Plotted.MEAN_AND_RANGE, Plotted.MEAN_AND_SD):
        return {}
    number = [{label: i for i, label in enumerate(one)} for one in levels]
    grouped = table.groupby(["rig", "section", "visit", "source"], sort=False, observed=True)["result"]
    found = {}
    for labels, group in grouped:
        rig, section, visit, source = labels if isinstance(labels, tuple) else (labels,) * 4
        at = int(place[number[0][rig], number[2][visit]])
        found[str(rig), str(section), at, int(rank[number[3][source]])] = group.to_numpy(dtype=np.float64)
    return found


def _extremes(
    table: pd.DataFrame, keys: list[str], levels: Any, codes: IntArray
) -> tuple[FloatArray, FloatArray, Days]:
    """Lowest and highest result and first day of each cell, in the order of the cells."""
    grouped = table.groupby(keys, sort=False, observed=True).agg(
        low=("result", "min"), high=("result", "max"), day=("_day", "min")
    )
    place = [grouped.index.get_level_values(name) for name in keys]
    mine = np.stack(
        [
            _index_in(level, np.asarray(labels, dtype=object))
            for level, labels in zip(levels, place, strict=True)
        ],
        axis=1,
    )
    # Both list every cell once: sort both the same way and match.
    here, there = np.lexsort(codes.T[::-1]), np.lexsort(mine.T[::-1])
    low, high = np.empty(len(codes)), np.empty(len(codes))
    days = np.empty(len(codes), dtype="datetime64[D]")
    low[here] = grouped["low"].to_numpy()[there]
    high[here] = grouped["high"].to_numpy()[there]
    days[here] = grouped["day"].to_numpy().astype("datetime64[D]")[there]
    return low, high, days


def _index_in(levels: Any, labels: Any) -> IntArray:
    number = {label: i for i, label in enumerate(levels)}
    return np.array([number[label] for label in labels], dtype=np.int64)
