"""Assumptions of a correlation check about scatter: alike on all rigs, and not growing with the level.

In: a comparison of rigs.  Out: robust tests per section, whether the study's analysis suits, as a column, notes and a
sentence. The verdict does not hang on them: it has to hold with the scatter of each rig in any case.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import SetUse
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import p_value
from repeatab.outcome.outcome import MethodNote
from repeatab.outcome.tables import Column, ColumnKind, Table

# Each test is one of many on the page, so it has to be clear before it is worth a sentence.
_CLEAR = 0.01
# As many sections as the question of shift or gain asks for.
_FEWEST_SECTIONS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterAndLevel:
    """How the scatter of the sections goes with their level: SD as level to the power `slope`.

    slope 0 : the same SD at every level; 1 : in proportion. p : of no relation.
    """

    sections: int
    slope: float
    p: float

    @property
    def grows(self) -> bool:
        """Clearly, and nearer to proportion than to none."""
        return self.p < 0.05 and self.slope > 0.5


def equal_scatter(comparison: LevelComparison) -> dict[str, float]:
    """Section -> p of equal scatter on all rigs, about the medians; nothing where sets ran on several rigs.

    Brown & Forsythe (1974), JASA 69, 364-367: robust against shapes that are not normal.
    """
    from scipy import stats

    how = comparison.how
    if any(pair.use is not SetUse.SPLIT for pair in how.pairs):
        return {}
    found = {}
    for name in dict.fromkeys(claim.section.name for claim in comparison.compared):
        table = how.table[how.table["section"] == name]
        if comparison.analysis is Analysis.RATIO:
            table = table.assign(result=np.log(table["result"]))
        means = table.groupby([how.factor, "pad_set"], sort=False)["result"].mean()
        groups = [part.to_numpy() for _, part in means.groupby(level=0, sort=False) if len(part) > 2]
        if len(groups) > 1 and all(np.ptp(group) > 0 for group in groups):
            found[str(name)] = float(stats.levene(*groups, center="median").pvalue)
    return found


def scatter_and_level(comparison: LevelComparison) -> ScatterAndLevel | None:
    """Straight line of log SD on log level over the sections; None with fewer than five, or in a ratio analysis."""
    from scipy import stats

    if comparison.analysis is Analysis.RATIO:
        return None
    factor = comparison.how.factor
    level, sd = [], []
    for name in dict.fromkeys(claim.section.name for claim in comparison.compared):
        table = comparison.how.table[comparison.how.table["section"] == name]
        left = table["result"] - table.groupby(factor)["result"].transform("mean")
        df = len(table) - table[factor].nunique()
        if df > 0 and (left**2).sum() > 0 and table["result"].mean() > 0:
            level.append(math.log(table["result"].mean()))
            sd.append(math.log((left**2).sum() / df) / 2)
    if len(level) < _FEWEST_SECTIONS or np.ptp(level) == 0:
        return None
    line = stats.linregress(level, sd)
    return ScatterAndLevel(sections=len(level), slope=float(line.slope), p=float(line.pvalue))


def with_equal_scatter(table: Table, p: Mapping[str, float]) -> Table:
    """The table of residuals with the test of equal scatter as a further column."""
    if not p:
        return table
    column = Column(key="p_scatter", caption="p, equal scatter on the rigs", kind=ColumnKind.PROBABILITY)
    rows = tuple((*row, p.get(str(row[0]))) for row in table.rows)
    return replace(table, columns=(*table.columns, column), rows=rows)


def scatter_notes(p: Mapping[str, float], relation: ScatterAndLevel | None) -> tuple[Note, ...]:
    """What is clear, with what to do."""
    notes = [
        Note(
            kind=NoteKind.UNEQUAL_SCATTER,
            sources=(name,),
            text=f"{name}: the rigs do not scatter alike ({p_value(value)}, about the medians).",
            remedy="The verdict holds with the scatter of each rig; look at the rig that scatters more, and give it "
            "more of the sets.",
        )
        for name, value in p.items()
        if value < _CLEAR
    ]
    if relation is not None and relation.grows:
        notes.append(
            Note(
                kind=NoteKind.ASSUMPTION,
                text=f"Over {relation.sections} sections the scatter grows with the level (as its power "
                f"{relation.slope:.1f}, {p_value(relation.p)}).",
                remedy='analysis = "ratio" suits such results better; choose it before the next check, not by the '
                "verdict it gives.",
            )
        )
    return tuple(notes)


def analysis_method(relation: ScatterAndLevel | None) -> tuple[MethodNote, ...]:
    """Whether an analysis of ratios is called for."""
    if relation is None:
        return ()
    called = "is called for" if relation.grows else "is not called for"
    return (
        MethodNote(
            quantity="analysis of ratios",
            method=f"{called}: over {relation.sections} sections the SD goes as the level to the power "
            f"{relation.slope:.1f} ({p_value(relation.p)}); called for from 0.5 where p is below 0.05",
            source="ISO 5725-2:1994, 7.5.2 (lg s = c + d lg m); the limits are common practice, no source",
        ),
    )
