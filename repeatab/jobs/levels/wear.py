"""Wear: the trend with the runs of a set, where sets ran more than once.

In: the laid-out runs of a comparison.  Out: whether the trend can be seen, whether it touches the comparison, and a
test of it per section.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.quantity import Quantity
from repeatab.estimation.contrasts import Weights
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.levels.stacks import blocks_by_section
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

# Mean positions that differ by less than this are the same number.
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change per further run of a set in one section, with its interval and two-sided probability; in the unit of the
    result, or of its logarithm in a ratio analysis."""

    section: str
    sets: int
    slope: float
    lower: float
    upper: float
    p: float


def shows_wear(how: ComparisonLayout, sections: Sequence[str]) -> bool:
    """Whether in every section some set ran more than once, in a known order."""
    if POSITION not in how.table.columns:
        return False
    most = how.table.groupby("section")[POSITION].max()
    return all(most.get(section, 1) > 1 for section in sections)


def touches_the_comparison(how: ComparisonLayout) -> bool:
    """Whether the levels' runs lie at different places in their sets, so that wear is part of their differences."""
    mean = how.table.groupby(["section", how.factor])[POSITION].mean().unstack()
    return bool((mean.max(axis=1) - mean.min(axis=1) > _SAME).any())


def trends_of(how: ComparisonLayout, analysis: Analysis, *, level: float) -> tuple[Trend, ...]:
    """The trend in every section that shows one; `how` has the position among its covariates."""
    found = []
    blocks = blocks_by_section(how, analysis)
    for section in dict.fromkeys(str(name) for name in how.table["section"]):
        try:
            fit = LevelFit(block=blocks[section], how=how).fit
            fixed = np.zeros(len(fit.layout.fixed.columns))
            row = Weights(label=POSITION, fixed=fixed, covariates={POSITION: 1.0})
            slope, se, df = (float(values[0, 0]) for values in fit.combine((row,)))
        except (LayoutError, EstimationError):
            continue
        half = float(special.stdtrit(df, (1 + level) / 2)) * se
        own = how.table[how.table["section"] == section]
        found.append(
            Trend(
                section=section,
                sets=int((own.groupby("pad_set").size() > 1).sum()),
                slope=slope,
                lower=slope - half,
                upper=slope + half,
                p=float(2 * special.stdtr(df, -abs(slope / se))),
            )
        )
    return tuple(found)


def wear_table(
    trends: Sequence[Trend], analysis: Analysis, quantity: Quantity, *, level: float, removed: bool
) -> Table:
    """The trend per section; in percent per run for a ratio analysis."""
    of_ratio = analysis is Analysis.RATIO

    def shown(value: float) -> float:
        return 100 * float(np.expm1(value)) if of_ratio else value

    rows: list[tuple[Value, ...]] = [
        (trend.section, trend.sets, shown(trend.slope), shown(trend.lower), shown(trend.upper), trend.p)
        for trend in trends
    ]
    unit = "%" if of_ratio else quantity.unit
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="sets", caption="sets run more than once", kind=ColumnKind.COUNT),
        Column(key="slope", caption="change per further run", kind=ColumnKind.RESULT, unit=unit),
        Column(key="lower", caption=f"lower, {level:.0%}", kind=ColumnKind.RESULT, unit=unit),
        Column(key="upper", caption=f"upper, {level:.0%}", kind=ColumnKind.RESULT, unit=unit),
        Column(key="p", caption="p, no wear", kind=ColumnKind.PROBABILITY),
    )
    remark = (
        "The trend is taken out before the lots are compared."
        if removed
        else "The trend is not taken out; every lot's runs lie alike in their sets, so it cancels."
    )
    return Table(
        key="wear",
        caption="Does a set wear from run to run?",
        columns=columns,
        rows=tuple(rows),
        remarks=(f"{remark} Each line is an individual test.",),
    )
