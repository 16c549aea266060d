"""The table of a gauge study: which factors vary, which sets are one and the same, where a run stands in its
set.

In: run results and the question.  Out: GaugeData, one row per run and section, ready to be reduced to cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import InputError, StudyError, listed, nearest
from repeatab.intake.results import Results
from repeatab.jobs.questions import Analysis, GaugeStudy

if TYPE_CHECKING:
    import pandas as pd

RIG, OPERATOR, PAD_LOT, PAD_SET = "rig", "operator", "pad_lot", "pad_set"
FACTORS = (RIG, OPERATOR, PAD_LOT, PAD_SET)
ORDER = "order in set"
"""Covariate: the run's place among the runs of its set, less the mean place of the set."""

_ORDER_COLUMNS = ("run_order", "time", "day")


@dataclass(frozen=True, kw_only=True)
class GaugeData:
    """The rows that take part.

    table : columns section, the varied factors, result (its logarithm in a ratio analysis), covariates, and
        ORDER where sets ran more than once in a recorded order.
    factors : those with at least two levels, in the order of FACTORS.
    single : factors with one level only, with that level; absent : roles that are not recorded.
    order_source : the words that say how ORDER was formed, empty without it.
    set_aside : sentences on rows that take no part.
    """

    table: pd.DataFrame
    sections: tuple[str, ...]
    factors: tuple[str, ...]
    single: dict[str, object]
    absent: tuple[str, ...]
    order_source: str
    set_aside: tuple[str, ...]

    @property
    def has_order(self) -> bool:
        return bool(self.order_source)

    def levels(self, factor: str) -> int:
        """How many levels of a factor ran; 1 where it is not varied or not recorded."""
        return int(self.table[factor].nunique()) if factor in self.factors else 1

    @property
    def runs_per_set(self) -> tuple[int, int]:
        """Fewest and most runs of a set within a section."""
        size = self.table.groupby(["section", PAD_SET]).size()
        return int(size.min()), int(size.max())


def gauge_data(question: GaugeStudy, results: Results) -> GaugeData:
    """Arrange the rows.

    Raises
    ------
    StudyError
        A section is not in the data, no pad set is recorded, or the rows are stops and not run results.
    InputError
        A result is zero or negative and its logarithm is asked for.
    """
    if results.has("stop"):
        raise StudyError(
            "a gauge study infers from run results, one per run and section, but these are single stops. "
            "Condense them first, and say by which statistic."
        )
    table = _sections(results.to_frame(), tuple(section.name for section in question.sections))
    if PAD_SET not in table.columns:
        raise StudyError(
            "the results do not say which pad set ran, so the scatter of the sets cannot be told from that of "
            "the rigs. Name the column of the pad set under [columns]."
        )
    table, set_aside = _complete(table, question.covariates)
    if question.analysis is Analysis.RATIO:
        table = _logarithms(table)
    if PAD_LOT in table.columns and table[PAD_LOT].nunique() > 1:
        # Labels of sets may start again in each lot: make one label per set.
        labels = table[PAD_LOT].astype(str) + " / " + table[PAD_SET].astype(str)
        table = table.assign(**{PAD_SET: labels})
    present = [name for name in FACTORS if name in table.columns]
    varied = tuple(name for name in present if table[name].nunique() > 1)
    table, order_source = _with_order(table)
    return GaugeData(
        table=table,
        sections=tuple(section.name for section in question.sections),
        factors=varied,
        single={name: table[name].iloc[0] for name in present if name not in varied},
        absent=tuple(name for name in (RIG, OPERATOR) if name not in table.columns),
        order_source=order_source,
        set_aside=set_aside,
    )


def _sections(table: pd.DataFrame, sections: tuple[str, ...]) -> pd.DataFrame:
    if "section" not in table.columns:
        if len(sections) != 1:
            raise StudyError(
                "the results have no column for 'section', and the study names several sections. Name the "
                "column under [columns], or one section only."
            )
        return table.assign(section=sections[0])
    known = [str(name) for name in dict.fromkeys(table["section"])]
    for name in sections:
        if name not in known:
            raise StudyError(
                f"sections: '{name}' is not in the results; there are {listed(known)}.{nearest(name, known)} "
                "Correct the study, or add an alias."
            )
    table = table.assign(section=table["section"].astype(str))
    return table[table["section"].isin(sections)].reset_index(drop=True)


def _complete(table: pd.DataFrame, covariates: tuple[str, ...]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Set aside the rows without a label or a covariate that the model needs."""
    set_aside = []
    for name in (*(f for f in FACTORS if f in table.columns), *covariates):
        if name not in table.columns:
            raise StudyError(f"covariates: the results have no column '{name}'. Name it under [columns].")
        empty = table[name].isna()
        if empty.all() and name in FACTORS:
            table = table.drop(columns=name)
            continue
        if empty.any():
            words = name.replace("_", " ")
            set_aside.append(f"{int(empty.sum())} result(s) without {words} take no part.")
            table = table[~empty].reset_index(drop=True)
    if len(table) == 0:
        raise InputError("no row has all of the factors and covariates that the study needs.")
    return table, tuple(set_aside)


def _logarithms(table: pd.DataFrame) -> pd.DataFrame:
    bad = table["result"] <= 0
    if bad.any():
        raise InputError(
            f"analysis 'ratio' takes logarithms, but {int(bad.sum())} result(s) are zero or negative (the first is "
            f"{table.loc[bad, 'result'].iloc[0]:g}). Exclude them with a reason, or analyse differences."
        )
    return table.assign(result=np.log(table["result"].to_numpy(dtype=float)))


def _with_order(table: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Add ORDER where sets ran more than once and the order is recorded."""
    name = next((c for c in _ORDER_COLUMNS if c in table.columns and not table[c].isna().any()), None)
    if name is None:
        return table, ""
    place, words = _place_in_set(table, name)
    centred = place - place.groupby([table["section"], table[PAD_SET]]).transform("mean")
    if not (centred.abs() > 0).any():
        return table, ""
    return table.assign(**{ORDER: centred.astype(float)}), words


def _place_in_set(table: pd.DataFrame, name: str) -> tuple[pd.Series, str]:
    """Each run's place among the runs of its set.

    A recorded order that counts within sets is taken as it stands, because a run whose result was lost wore
    the set as well. It counts within sets if its largest number is not far above the most runs that a set
    made; otherwise it numbers the runs of the whole study, and the place is the rank within the set.
    """
    most = int(table.groupby(PAD_SET)[name].nunique().max())
    if name == "run_order":
        number = table[name].astype(float)
        if number.min() >= 0 and number.max() <= 1.5 * most:
            return number, "the recorded run order, which counts within sets"
    rank = table.groupby(PAD_SET)[name].rank(method="dense")
    return rank, f"the rank of the run within its set by {name.replace('_', ' ')}"
