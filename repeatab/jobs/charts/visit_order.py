"""The order in which visits and references came, the age of each set at each visit, and visits a month.

In: cells by rig, section, visit and source with the first day of each.  Out: places, ranks, ages.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from repeatab.cells import Cells
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.jobs.charts.data import VisitCells, Visits
from repeatab.jobs.charts.past_visits import Days

_DAYS_PER_MONTH = 365.2425 / 12


def order_of_visits(cells: Cells, days: Days) -> tuple[IntArray, dict[str, Visits]]:
    """(rigs, visit labels) place of each visit among those of its rig, by its first day, else by its label."""
    rigs, labels = cells.levels_of("rig"), cells.levels_of("visit")
    key = cells.code_of("rig") * len(labels) + cells.code_of("visit")
    pair, own = np.unique(key, return_inverse=True)
    first = _earliest(days, own, pair.size)
    who, label = np.divmod(pair, len(labels))
    # Visits without a day come first, as not-a-time is the smallest number.
    order = np.lexsort((label, first.astype(np.int64), who))
    place = np.zeros((len(rigs), len(labels)), dtype=np.int64)
    texts = first.astype(str)
    texts[np.isnat(first)] = ""
    visits = {}
    for number, rig in enumerate(rigs):
        mine = order[who[order] == number]
        place[number, label[mine]] = np.arange(mine.size)
        own_days = tuple(texts[mine].tolist())
        visits[str(rig)] = Visits(
            labels=tuple(str(labels[i]) for i in label[mine]),
            days=own_days,
            dated=all(own_days),
            stamps=first[mine],
        )
    return place, visits


def _earliest(days: Days, group: IntArray, groups: int) -> Days:
    """(groups,) first day of each group; days that are not known count only where there are no others."""
    latest = np.iinfo(np.int64).max
    number = days.astype(np.int64)
    first = np.full(groups, latest)
    np.minimum.at(first, group, np.where(np.isnat(days), latest, number))
    found = first.astype("datetime64[D]")
    found[first == latest] = np.datetime64("NaT")
    return found


def order_of_sources(cells: Cells, days: Days) -> tuple[IntArray, tuple[str, ...]]:
    """(labels,) rank of each lot or set by its first day, else by its first visit, else by its label."""
    labels, source = cells.levels_of("source"), cells.code_of("source")
    visit = np.full(len(labels), len(cells.levels_of("visit")))
    np.minimum.at(visit, source, cells.code_of("visit"))
    first = _earliest(days, source, len(labels))
    late = np.where(np.isnat(first), np.iinfo(np.int64).max, first.astype(np.int64))
    order = np.lexsort((np.arange(len(labels)), visit, late))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank, tuple(str(labels[i]) for i in order)


def chronology(cells: Cells, rigs: tuple[str, ...], visits: Mapping[str, Visits]) -> list[FloatArray]:
    """For each rig the time of each visit as a number that can be compared between rigs."""
    if all(one.dated for one in visits.values()):
        return [np.array(visits[rig].days, dtype="datetime64[D]").astype(np.float64) for rig in rigs]
    number = {str(label): float(i) for i, label in enumerate(cells.levels_of("visit"))}
    return [np.array([number[label] for label in visits[rig].labels]) for rig in rigs]


def ages_of(cells: VisitCells, section: IntArray, when: list[FloatArray], rig: IntArray) -> FloatArray:
    """(cells,) mean number of runs that each cell's set had made before, in the section, on any rig."""
    begins = np.cumsum([0, *(one.size for one in when[:-1])])
    time = np.concatenate(when)[begins[rig] + cells.visit]
    order = np.lexsort((rig, time, cells.source, section))
    count = cells.count[order].astype(np.float64)
    before = np.cumsum(count) - count
    group = section[order] * (int(cells.source.max()) + 1) + cells.source[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    before -= np.repeat(before[starts], np.diff(np.append(starts, len(group))))
    age = np.empty(len(group))
    age[order] = before + (count - 1) / 2
    return age


def visits_per_month(visits: Mapping[str, Visits]) -> float | None:
    """Median over the rigs of their visits a month; None where no rig has three dated visits."""
    rates = []
    for one in visits.values():
        if len(one) > 2 and one.dated:
            days = np.array([one.days[0], one.days[-1]], dtype="datetime64[D]").astype(np.float64)
            if days[1] > days[0]:
                rates.append((len(one) - 1) / ((days[1] - days[0]) / _DAYS_PER_MONTH))
    return float(np.median(rates)) if rates else None
