"""The reference results of each rig, reduced to one cell per visit, section and reference.

In: run results, or results reduced by visit already, and a ControlChart question.  Out: ReferenceData; no later part
of the job holds rows, except the base rows of range charts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.base.errors import InputError, StudyError, listed, nearest
from repeatab.cells import Cells, reduce_to_cells
from repeatab.control.arrays import FloatArray, IntArray
from repeatab.intake.checks.order import read_times
from repeatab.intake.results import Results
from repeatab.jobs.charts.past_visits import UNNAMED, Days, PastVisits, cells_by_visit
from repeatab.jobs.charts.question import ControlChart, Plotted, Reference
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import plural

if TYPE_CHECKING:
    import pandas as pd

ALONE = "the rig"
_DAYS_PER_MONTH = 365.2425 / 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """The visits of one rig in order; days are ISO dates ("" where none is recorded), `dated` if all are.

    stamps: (visits,) the days as dates, not-a-time where none is recorded.
    """

    labels: tuple[str, ...]
    days: tuple[str, ...]
    dated: bool
    stamps: Days = field(compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.labels)

    def named(self, index: int) -> str:
        """The visit as a sentence names it."""
        label, day = self.labels[index], self.days[index]
        return label if not day or label == day else f"{label} ({day})"

    def when(self, index: int) -> str:
        """Its date, else its label."""
        return self.days[index] or self.labels[index]


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitCells:
    """Cells of one rig and section in order of the visits: (cells,) arrays.

    visit: index into the rig's visits.  source: rank of the lot or set.  count, mean, ss: runs (or fresh sets) and
    their mean and centred sum of squares.  low, high: extremes.  age: mean number of runs of the set before.
    """

    visit: IntArray
    source: IntArray
    count: IntArray
    mean: FloatArray
    ss: FloatArray
    low: FloatArray
    high: FloatArray
    age: FloatArray

    def at(self, chosen: Any) -> VisitCells:
        """The cells at these places."""
        return VisitCells(**{name: getattr(self, name)[chosen] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceData:
    """What the charts work on.

    sources: lots or sets in the order of their first run.  cells: (rig, section) -> its cells.
    visits_per_month: median over rigs, None without dates.  values: for range and standard-deviation charts
    the results of (rig, section, visit, source).  repeats: whether sets of a lot came back at later visits.
     set_aside: sentences on rows that take no part.
    """

    rigs: tuple[str, ...]
    sections: tuple[str, ...]
    sources: tuple[str, ...]
    visits: Mapping[str, Visits]
    cells: Mapping[tuple[str, str], VisitCells]
    values: Mapping[tuple[str, str, int, int], FloatArray]
    rows: int
    visits_per_month: float | None
    repeats: bool
    lots_told: bool
    set_aside: tuple[str, ...]


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
    table, set_aside = _usable(question, results)
    days = _days(table)
    table = table.assign(_day=days)
    table = _with_visit(table)
    if question.analysis is Analysis.RATIO:
        table = _logarithms(table)
    table, told = _with_source(question, table)
    repeats = question.reference is Reference.LOT and _sets_return(table)
    if question.reference is Reference.LOT and "pad_set" in table.columns:
        table = _one_per_set(table)
    keys = ["rig", "section", "visit", "source"]
    cells = reduce_to_cells(table[[*keys, "result"]], result="result", factors=keys)
    low, high, days = _extremes(table, keys, cells.levels, cells.codes)
    arranged, place, rank = _arranged(question, cells, days, low, high)
    return replace(
        arranged, values=_values(question, table, place, rank, cells.levels), repeats=repeats, lots_told=told,
        set_aside=set_aside,
    )  # fmt: skip


def _arranged_visits(question: ControlChart, past: PastVisits) -> ReferenceData:
    """The same from results by visit; their extremes are not kept, so range charts take the results themselves."""
    found = cells_by_visit(past, rigs=question.rigs, sections=tuple(one.name for one in question.sections))
    for name in ("rig", "section"):
        _refuse_unknown(question, name, [str(label) for label in found.cells.levels_of(name)])
    nothing = found.cells.mean[:, 0]
    arranged, _, _ = _arranged(question, found.cells, found.days, nothing, nothing)
    return replace(arranged, repeats=past.sets_return, lots_told=past.lots_told)


def _usable(question: ControlChart, results: Results) -> tuple[pd.DataFrame, tuple[str, ...]]:
    frame = results.to_frame()
    wanted = ["result", "rig", "section", "visit", "time", "day", "pad_lot", "pad_set"]
    table = frame[[name for name in wanted if name in frame.columns]]
    if "rig" not in table.columns:
        table = table.assign(rig=ALONE)
    if "section" not in table.columns:
        if len(question.sections) != 1:
            raise StudyError(
                "the results have no column for 'section', and the study names several. Name the column under "
                "[columns], or one section only."
            )
        table = table.assign(section=question.sections[0].name)
    if "visit" not in table.columns and "time" not in table.columns and "day" not in table.columns:
        raise InputError(
            "the results say neither at which visit nor when a run was made, so they have no order to chart. Name the "
            "column of the visit or of the time under [columns]."
        )
    source = "pad_lot" if question.reference is Reference.LOT else "pad_set"
    needed = [name for name in ("rig", "section", "visit", source) if name in table.columns]
    if "visit" not in table.columns:
        needed.append("time" if "time" in table.columns else "day")
    set_aside = []
    for name in needed:
        empty = table[name].isna()
        if empty.any():
            set_aside.append(
                f"{plural(int(empty.sum()), 'result')} without {name.replace('_', ' ')} take no part."
            )
            table = table[~empty]
    for name in ("rig", "section"):
        table = table.assign(**{name: _as_text(table[name])})
    return _chosen(question, table), tuple(set_aside)


def _as_text(column: pd.Series) -> pd.Series:
    """Labels as text, level by level: a million rows have few levels."""
    labels = column.astype("category")
    return labels.cat.rename_categories([str(level) for level in labels.cat.categories]).astype(object)


def _chosen(question: ControlChart, table: pd.DataFrame) -> pd.DataFrame:
    wanted = {"rig": question.rigs, "section": tuple(section.name for section in question.sections)}
    for name, chosen in wanted.items():
        _refuse_unknown(question, name, [str(level) for level in table[name].unique()])
        if chosen:
            table = table[table[name].isin(chosen)]
    if len(table) == 0:
        raise InputError("no result is left for the rigs and sections of the study.")
    return table.reset_index(drop=True)


def _refuse_unknown(question: ControlChart, name: str, known: list[str]) -> None:
    """A rig or section that the study names has to be in the results; recorded limits may be of others."""
    chosen = {"rig": question.rigs, "section": tuple(section.name for section in question.sections)}[name]
    stated = [getattr(one, name) for one in question.limits if one.rests_on is None]
    for label in (*chosen, *stated):
        if label not in known:
            raise StudyError(
                f"{name}s: '{label}' is not in the results; there are {listed(sorted(known))}."
                f"{nearest(label, known)} Correct the study, or add an alias."
            )


def _days(table: pd.DataFrame) -> Any:
    """(rows,) day of each run as datetime64[D], not-a-time where none is recorded or it cannot be read."""
    import pandas as pd

    name = next((name for name in ("time", "day") if name in table.columns), None)
    if name is None:
        return np.full(len(table), np.datetime64("NaT"), dtype="datetime64[D]")
    codes, levels = pd.factorize(table[name])
    read = read_times(pd.Series(levels))
    if read is None or not pd.api.types.is_datetime64_any_dtype(read):
        return np.full(len(table), np.datetime64("NaT"), dtype="datetime64[D]")
    stamps = read.dt.tz_localize(None) if read.dt.tz is not None else read
    days = np.append(stamps.to_numpy().astype("datetime64[D]"), np.datetime64("NaT"))
    return days[codes]


def _with_visit(table: pd.DataFrame) -> pd.DataFrame:
    if "visit" in table.columns:
        return table
    if table["_day"].isna().all():
        name = "time" if "time" in table.columns else "day"
        return table.assign(visit=table[name])
    if table["_day"].isna().any():
        raise InputError(
            "some times could not be read, so the order of the runs is not known. Expected one form throughout, such "
            "as 2026-03-31."
        )
    return table.assign(visit=table["_day"].astype(str))


def _logarithms(table: pd.DataFrame) -> pd.DataFrame:
    bad = table["result"] <= 0
    if bad.any():
        raise InputError(
            f"analysis 'ratio' takes logarithms, but {plural(int(bad.sum()), 'result')} are zero or negative. Exclude "
            "them with a reason, or analyse differences."
        )
    return table.assign(result=np.log(table["result"].to_numpy(dtype=float)))


def _with_source(question: ControlChart, table: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    name = "pad_lot" if question.reference is Reference.LOT else "pad_set"
    if name in table.columns:
        return table.assign(source=_as_text(table[name])), True
    if question.reference is Reference.SET:
        raise StudyError(
            "the same set is charted again and again, but no column says which set ran. Name the column of the pad set "
            "under [columns]."
        )
    return table.assign(source=UNNAMED), False


def _sets_return(table: pd.DataFrame) -> bool:
    """Whether a set of the reference lot was run at more than one visit."""
    if "pad_set" not in table.columns:
        return False
    once = table[["rig", "source", "pad_set", "visit"]].drop_duplicates()
    return bool(once.duplicated(["source", "pad_set"]).any())


def _one_per_set(table: pd.DataFrame) -> pd.DataFrame:
    """Runs of one set at one visit are no fresh sets: they count as their mean."""
    keys = ["rig", "section", "visit", "source", "pad_set"]
    if not table.duplicated(keys).any():
        return table
    grouped = table.groupby(keys, sort=False, observed=True, dropna=False)
    return grouped.agg(result=("result", "mean"), _day=("_day", "min")).reset_index()


def _arranged(
    question: ControlChart, cells: Cells, days: Days, low: FloatArray, high: FloatArray
) -> tuple[ReferenceData, IntArray, IntArray]:
    """ReferenceData without what only rows tell; with it the places of the visits and the ranks of the sources."""
    rigs = tuple(str(label) for label in cells.levels_of("rig"))
    rig, section = cells.code_of("rig"), cells.code_of("section")
    place, visits = _order_of_visits(cells, days)
    rank, sources = _order_of_sources(cells, days)
    visit, source = place[rig, cells.code_of("visit")], rank[cells.code_of("source")]
    order = np.lexsort((source, visit, section, rig))
    every = VisitCells(
        visit=visit, source=source, count=cells.count, mean=cells.mean[:, 0] + cells.shift[0],
        ss=cells.cross[:, 0, 0], low=low, high=high, age=np.zeros(len(cells)),
    ).at(order)  # fmt: skip
    when = _chronology(cells, rigs, visits)
    every = replace(every, age=_ages(every, section[order], when, rig[order]))
    names = [str(label) for label in cells.levels_of("section")]
    group = rig[order] * len(names) + section[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    found = {
        (rigs[rig[order[a]]], names[section[order[a]]]): every.at(slice(a, b))
        for a, b in zip(starts, np.append(starts[1:], len(group)), strict=True)
    }
    arranged = ReferenceData(
        rigs=rigs, sections=tuple(one.name for one in question.sections), sources=sources, visits=visits,
        cells=found, values={}, rows=cells.rows, visits_per_month=_rate(visits), repeats=False, lots_told=True,
        set_aside=(),
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


def _order_of_visits(cells: Cells, days: Days) -> tuple[IntArray, dict[str, Visits]]:
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


def _order_of_sources(cells: Cells, days: Days) -> tuple[IntArray, tuple[str, ...]]:
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


def _chronology(cells: Cells, rigs: tuple[str, ...], visits: Mapping[str, Visits]) -> list[FloatArray]:
    """For each rig the time of each visit as a number that can be compared between rigs."""
    if all(one.dated for one in visits.values()):
        return [np.array(visits[rig].days, dtype="datetime64[D]").astype(np.float64) for rig in rigs]
    number = {str(label): float(i) for i, label in enumerate(cells.levels_of("visit"))}
    return [np.array([number[label] for label in visits[rig].labels]) for rig in rigs]


def _ages(cells: VisitCells, section: IntArray, when: list[FloatArray], rig: IntArray) -> FloatArray:
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


def _rate(visits: Mapping[str, Visits]) -> float | None:
    rates = []
    for one in visits.values():
        if len(one) > 2 and one.dated:
            days = np.array([one.days[0], one.days[-1]], dtype="datetime64[D]").astype(np.float64)
            if days[1] > days[0]:
                rates.append((len(one) - 1) / ((days[1] - days[0]) / _DAYS_PER_MONTH))
    return float(np.median(rates)) if rates else None
