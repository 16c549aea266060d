"""Residuals: what the levels, the blocks and the covariates of a comparison leave of each pad set.

In: a LevelComparison.  Out: a table of patterns (a set far from the others, a trend with the order of the runs, a
shape that is not normal) and notes. A pattern is a reason to look, never a reason to take a set out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from repeatab.base.notes import Note, NoteKind
from repeatab.cells import FloatArray
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import enumerated, p_value
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

if TYPE_CHECKING:
    import pandas as pd

_CLOCKS = ("time", "day", "run_order")
# Fewer than this and a shape cannot be judged at all.
_FEWEST = 6
# Each test is one of many on the page, so it has to be clear before it is worth a sentence.
_CLEAR = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Residuals:
    """Patterns in the residuals of one section; nan where there is too little to tell.

    farthest : the set that lies farthest out, by `distance` standard deviations of the others' kind; p_farthest is
        the probability of one this far among so many (Grubbs 1969, Technometrics 11, 1-21, two-sided, at the
        residuals' degrees of freedom).
    p_trend : of no straight-line trend with the order of the runs.
    p_shape : of a normal shape (Shapiro & Wilk 1965, Biometrika 52, 591-611).
    """

    section: str
    sets: int
    farthest: str
    distance: float
    p_farthest: float
    p_trend: float
    p_shape: float


def residuals_of(comparison: LevelComparison) -> tuple[Residuals, ...]:
    """The patterns of every section that was compared."""
    how, analysis = comparison.how, comparison.analysis
    names = dict.fromkeys(claim.section.name for claim in comparison.compared)
    found = (_of_section(how, analysis, name) for name in names)
    return tuple(one for one in found if one is not None)


def residuals_table(found: Sequence[Residuals]) -> Table:
    """One line per section."""
    rows: tuple[tuple[Value, ...], ...] = tuple(
        (one.section, one.sets, one.farthest, *(_or_none(v) for v in
         (one.distance, one.p_farthest, one.p_trend, one.p_shape)))
        for one in found
    )  # fmt: skip
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="sets", caption="sets", kind=ColumnKind.COUNT),
        Column(key="farthest", caption="set farthest out", kind=ColumnKind.TEXT),
        Column(key="distance", caption="by standard deviations", kind=ColumnKind.NUMBER),
        Column(key="p_farthest", caption="p, one this far", kind=ColumnKind.PROBABILITY),
        Column(key="p_trend", caption="p, no trend in time", kind=ColumnKind.PROBABILITY),
        Column(key="p_shape", caption="p, normal shape", kind=ColumnKind.PROBABILITY),
    )
    return Table(
        key="residuals",
        caption="What is left of each pad set: does it fit the assumptions?",
        columns=columns,
        rows=rows,
        remarks=("Individual tests; with few sets they see only gross misfits.",),
    )


def residual_notes(found: Sequence[Residuals]) -> tuple[Note, ...]:
    """The patterns that are clear, each with what to do."""
    notes = []
    for one in found:
        if one.p_farthest < _CLEAR:
            notes.append(_note(one, f"{one.farthest} lies {one.distance:.1f} standard deviations out "
                               f"({p_value(one.p_farthest)})", "Look at its run sheet, and see under 'Does a verdict "
                               "rest on one pad set?' what it changes."))  # fmt: skip
        if one.p_trend < _CLEAR:
            notes.append(_note(one, f"what is left drifts with the order of the runs ({p_value(one.p_trend)})",
                               "Look for what changed meanwhile; runs of all levels in turn keep it out of the "
                               "differences."))  # fmt: skip
        if one.p_shape < _CLEAR and not one.p_farthest < _CLEAR:
            notes.append(_note(one, f"the scatter is not of normal shape ({p_value(one.p_shape)})",
                               "Intervals from few sets are then rougher than stated."))  # fmt: skip
    return tuple(notes)


def residual_sentence(found: Sequence[Residuals]) -> tuple[str, ...]:
    """One sentence where nothing is clear; what is clear stands in the notes."""
    if not found or residual_notes(found):
        return ()
    return (
        f"The residuals of {enumerated([one.section for one in found])} show no clear outlier, trend in time or odd "
        "shape; few sets show only gross ones.",
    )


def _note(one: Residuals, what: str, remedy: str) -> Note:
    return Note(
        kind=NoteKind.ASSUMPTION, sources=(one.section,), text=f"{one.section}: {what}.", remedy=remedy
    )


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _of_section(how: ComparisonLayout, analysis: Analysis, section: str) -> Residuals | None:
    table = _set_results(how, analysis, section)
    design = _design(table, how)
    df = len(table) - int(np.linalg.matrix_rank(design))
    if df < 2:
        return None
    value = table["result"].to_numpy(float)
    projector = design @ np.linalg.pinv(design)
    left = value - projector @ value
    if not (left**2).sum() > 1e-20 * (value**2).sum():
        return None
    free = np.clip(1 - np.diag(projector), 1e-12, None)
    scaled = left / np.sqrt(free * (left**2).sum() / df)
    # The results of a set at two levels leave the same residual twice; it counts once.
    counted = (free > 1e-9) & ~table["pad_set"].duplicated().to_numpy()
    out = int(np.argmax(np.where(counted, np.abs(scaled), 0)))
    return Residuals(
        section=section,
        sets=int(counted.sum()),
        farthest=str(table["pad_set"].iloc[out]),
        distance=abs(float(scaled[out])),
        p_farthest=_p_farthest(abs(float(scaled[out])), df, int(counted.sum())),
        p_trend=_p_trend(table, left, design, df),
        p_shape=_p_shape(scaled[counted], df),
    )


def _set_results(how: ComparisonLayout, analysis: Analysis, section: str) -> pd.DataFrame:
    """One row per set, level and block: the mean of its runs, and when it ran."""
    table = how.table[(how.table["section"] == section) & ~how.table[how.factor].isin(how.apart)]
    if analysis is Analysis.RATIO:
        table = table.assign(result=np.log(table["result"]))
    clock = next((name for name in _CLOCKS if name in table.columns and table[name].notna().all()), None)
    place = table[clock].rank(method="dense") if clock else float("nan")
    keys = list(dict.fromkeys([how.factor, *how.blocks, *_lots(how), "pad_set"]))
    position = [POSITION] if POSITION in table.columns else []
    numbers = list(dict.fromkeys(["result", "place", *position, *how.model.covariates]))
    grouped = table.assign(place=place).groupby(keys, sort=False, observed=True)[numbers].mean()
    return grouped.reset_index()


def _lots(how: ComparisonLayout) -> list[str]:
    return [term.factors[0] for term in how.alone.fixed if term.factors[0] == "pad_lot"]


def _design(table: pd.DataFrame, how: ComparisonLayout) -> FloatArray:
    """Indicators of the levels and blocks, and the covariates; of the sets too where some ran at several levels,
    since then only what a set's results at the levels leave beside one another is scatter."""
    columns = [np.ones(len(table))]
    shared = ["pad_set"] if _shares_sets(table) else []
    for name in dict.fromkeys([how.factor, *how.blocks, *_lots(how), *shared]):
        columns += [(table[name] == label).to_numpy(float) for label in table[name].unique()[1:]]
    slopes = dict.fromkeys([*how.model.covariates, *([POSITION] if POSITION in table.columns else [])])
    columns += [table[name].to_numpy(float) - table[name].mean() for name in slopes]
    return np.stack(columns, axis=1)


def _shares_sets(table: pd.DataFrame) -> bool:
    return bool(table["pad_set"].duplicated().any())


def _p_farthest(distance: float, df: int, count: int) -> float:
    """Two-sided probability that the largest of `count` scaled residuals reaches `distance` (Bonferroni's bound)."""
    if distance**2 >= df:
        return 0.0
    t = distance * math.sqrt((df - 1) / (df - distance**2))
    return float(min(1.0, 2 * count * special.stdtr(df - 1, -t)))


def _p_trend(table: pd.DataFrame, left: FloatArray, design: FloatArray, df: int) -> float:
    """Of the slope of the results against their place in time, the levels and blocks taken out of both."""
    place = table["place"].to_numpy(float)
    if not np.isfinite(place).all() or df < 3:
        return float("nan")
    own = place - design @ (np.linalg.pinv(design) @ place)
    if (own**2).sum() < 1e-9 * ((place - place.mean()) ** 2).sum() or not (own**2).sum() > 0:
        return float("nan")
    slope = float(own @ left / (own @ own))
    rest = left - slope * own
    error = math.sqrt(float(rest @ rest) / (df - 1) / float(own @ own))
    return float(2 * special.stdtr(df - 1, -abs(slope) / error)) if error > 0 else 0.0


def _p_shape(scaled: FloatArray, df: int) -> float:
    from scipy import stats

    if len(scaled) < _FEWEST or df < _FEWEST:
        return float("nan")
    # Royston's formula for it is good to three digits; those beyond the fifth differ from one library version to
    # the next, and an outcome shall come out the same.
    return float(f"{stats.shapiro(scaled).pvalue:.5g}")
