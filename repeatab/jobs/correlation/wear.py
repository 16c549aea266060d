"""Wear of sets that ran more than once in a correlation check: tested always, taken out where it touches the offsets.

In: run results and the question.  Out: the layout that the rigs are compared in, and the trend with the runs of a set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repeatab.base.quantity import Quantity
from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.levels.wear import Trend, shows_wear, touches_the_comparison, trends_of, wear_table
from repeatab.jobs.questions import Analysis, CorrelationCheck
from repeatab.jobs.wording import enumerated, p_value, percent, result
from repeatab.outcome.tables import Table

RIG = "rig"


@dataclass(frozen=True, kw_only=True)
class Wear:
    """The trend of each section, and whether it is taken out before the rigs are compared."""

    trends: tuple[Trend, ...]
    removed: bool


def layout_with_wear(question: CorrelationCheck, results: Results) -> tuple[ComparisonLayout, Wear]:
    """The layout of the rigs; a trend is in its model where the order of the runs is part of the offsets.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results.
    """
    plain = _layout(question, results, wear=False)
    worn = plain if POSITION in plain.table.columns else _layout(question, results, wear=True)
    if not shows_wear(worn, [section.name for section in question.sections]):
        return plain, Wear(trends=(), removed=False)
    trends = trends_of(_as_slope(worn), question.analysis, level=question.confidence)
    removed = worn is plain or touches_the_comparison(worn)
    return worn if removed else plain, Wear(trends=trends, removed=removed)


def _layout(question: CorrelationCheck, results: Results, *, wear: bool) -> ComparisonLayout:
    return comparison_layout(
        results,
        factor=RIG,
        pairs=question.pairs,
        sections=tuple(section.name for section in question.sections),
        beside=Surroundings(covariates=question.covariates, wear=wear),
    )


def _as_slope(how: ComparisonLayout) -> ComparisonLayout:
    """The position in the set as a slope, also where it is compared as an effect of each position."""
    if POSITION in how.model.covariates:
        return how
    fixed = tuple(term for term in how.model.fixed if term.factors != (POSITION,))
    model = replace(how.model, fixed=fixed, covariates=(*how.model.covariates, POSITION))
    return replace(how, table=how.table.assign(**{POSITION: how.table[POSITION].astype(float)}), model=model)


def rig_wear_table(wear: Wear, question: CorrelationCheck, quantity: Quantity) -> Table:
    """The trend per section."""
    made = wear_table(
        wear.trends, question.analysis, quantity, level=question.confidence, removed=wear.removed
    )
    remark = (
        "Wear is taken out before the rigs are compared."
        if wear.removed
        else "Wear is not taken out: the runs of all rigs lie alike in their sets, so it cancels."
    )
    return replace(made, remarks=(f"{remark} Each line is an individual test.",))


def wear_sentence(wear: Wear, question: CorrelationCheck) -> tuple[str, ...]:
    """Where sets change from run to run."""
    clear = [trend for trend in wear.trends if trend.p < 1 - question.confidence]
    if not clear:
        return ()
    tail = "taken out of the offsets" if wear.removed else "the same on all rigs, so that it cancels"
    return (
        f"Sets change from run to run: {enumerated(_sizes(clear, question.analysis))} per further run; {tail}.",
    )


def _sizes(trends: Sequence[Trend], analysis: Analysis) -> list[str]:
    def size(slope: float) -> str:
        return percent(100 * slope, sign=True) if analysis is Analysis.RATIO else result(slope, sign=True)

    return [f"{trend.section} {size(trend.slope)} ({p_value(trend.p)})" for trend in trends]
