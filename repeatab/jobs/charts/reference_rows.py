"""The run results that a control chart takes: checked, chosen, with the visit and the reference of each run.

In: Results and a ControlChart question.  Out: ReferenceRows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from repeatab.base.errors import InputError, StudyError, listed, nearest
from repeatab.intake.checks.order import read_times
from repeatab.intake.results import Results
from repeatab.jobs.charts.past_visits import UNNAMED
from repeatab.jobs.charts.question import ControlChart, Reference
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import plural

if TYPE_CHECKING:
    import pandas as pd


ALONE = "the rig"


@dataclass(frozen=True, kw_only=True)
class ReferenceRows:
    """The rows that take part, with rig, section, visit, source, result and `_day`.

    repeats: whether sets of a lot came back at later visits.  lots_told: whether the lot is recorded.
    set_aside: sentences on rows that take no part.
    """

    table: pd.DataFrame
    repeats: bool
    lots_told: bool
    set_aside: tuple[str, ...]


def reference_rows(question: ControlChart, results: Results) -> ReferenceRows:
    """The rows that a chart takes; logarithms where ratios are analysed, one row per fresh set where sets are recorded.

    Raises
    ------
    StudyError, InputError
        See `reference_data`.
    """
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
    return ReferenceRows(table=table, repeats=repeats, lots_told=told, set_aside=set_aside)


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
        refuse_unknown(question, name, [str(level) for level in table[name].unique()])
        if chosen:
            table = table[table[name].isin(chosen)]
    if len(table) == 0:
        raise InputError("no result is left for the rigs and sections of the study.")
    return table.reset_index(drop=True)


def refuse_unknown(question: ControlChart, name: str, known: list[str]) -> None:
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
