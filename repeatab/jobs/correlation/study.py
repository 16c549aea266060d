"""Everything a correlation check finds, worked out in order; the words and tables come after.

In: the question, run results and stops.  Out: CorrelationFindings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from repeatab.base.progress import Progress
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.correlation.checks import ScatterAndLevel, equal_scatter, scatter_and_level
from repeatab.jobs.correlation.correction import Correction, correction_of
from repeatab.jobs.correlation.levels import LevelDependence, level_dependence
from repeatab.jobs.correlation.overall import (
    SectionPattern,
    overall_comparison,
    section_pattern,
    sections_together,
)
from repeatab.jobs.correlation.scatter import pooled_scatter
from repeatab.jobs.correlation.wear import RIG, Wear, layout_with_wear
from repeatab.jobs.levels.comparison import LevelComparison, compare_levels
from repeatab.jobs.levels.figures import figures_before_planning, figures_of_runs, planning_figures
from repeatab.jobs.levels.influence import Influence, influence_of
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.looks import LookState, held_back, look_of_levels
from repeatab.jobs.levels.outcome import blocked, plans_of, scatters_of
from repeatab.jobs.levels.residuals import Residuals, residuals_of
from repeatab.jobs.levels.scatter import LevelScatter
from repeatab.jobs.levels.stop_by_stop import stop_by_stop
from repeatab.jobs.levels.tables import Key
from repeatab.jobs.questions import CorrelationCheck
from repeatab.jobs.wording import enumerated
from repeatab.outcome.figures import Figure
from repeatab.outcome.ready import FigureReady, not_yet_drawn
from repeatab.outcome.tables import Table
from repeatab.planning.next_runs import MoreRuns


@dataclass(frozen=True, kw_only=True)
class CorrelationFindings:
    """What a correlation check found.

    overall : the offsets formed set by set over all deciding sections; None with fewer than two.
    shown : the comparison with the overall claims after the others.
    sets : rig -> pad sets that ran there. equal : section -> p of equal scatter on all rigs. figures : in the order of
    the page.
    """

    question: CorrelationCheck
    comparison: LevelComparison
    overall: LevelComparison | None
    look: LookState
    sets: dict[str, int]
    wear: Wear
    scatter: dict[Key, LevelScatter]
    pooled: dict[str, LevelScatter]
    patterns: tuple[SectionPattern, ...]
    levels: tuple[LevelDependence, ...]
    corrections: tuple[Correction, ...]
    influences: tuple[Influence, ...]
    residuals: tuple[Residuals, ...]
    equal: dict[str, float]
    relation: ScatterAndLevel | None
    planned: dict[Key, MoreRuns]
    trap: Table | None
    figures: tuple[Figure, ...]

    @property
    def shown(self) -> LevelComparison:
        return _with_overall(self.comparison, self.overall)


def _with_overall(comparison: LevelComparison, overall: LevelComparison | None) -> LevelComparison:
    """The comparison and, after it, the overall offsets, which inform."""
    more = () if overall is None else overall.claims
    return replace(comparison, claims=(*comparison.claims, *more))


def correlation_findings(
    question: CorrelationCheck,
    results: Results,
    stops: Results | Cells | None,
    progress: Progress,
    ready: FigureReady = not_yet_drawn,
) -> CorrelationFindings:
    """Compare the rigs and work out what belongs to the answer.

    ready : is told of each figure as soon as what it shows is known.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results, or a deciding section has no margin.
    """
    how, wear = layout_with_wear(question, results)
    sets = {str(rig): int(n) for rig, n in how.table.groupby(RIG, sort=False)["pad_set"].nunique().items()}
    look = _look(question, sets)
    early = _handed_on(figures_of_runs(how, results.quantity), ready)
    comparison, overall = _compared(question, blocked(how, results), look)
    progress("comparing", 1, 3)
    scatter = scatters_of(comparison)
    shown, hours = _with_overall(comparison, overall), question.cost.hours_per_set
    figures = _handed_on(figures_before_planning(shown, scatter, results.quantity), ready, early)
    planned = _plans(question, comparison, look, progress)
    figures += _handed_on(planning_figures(shown, planned, hours), ready)
    names = sections_together(comparison)
    pairs, level = comparison.how.pairs, question.confidence
    levels = tuple(
        level_dependence(comparison.how, pair, names, level=level, seed=question.seed) for pair in pairs
    )
    pooled = {pair.name: pooled_scatter(comparison, pair, names, level=level) for pair in pairs}
    together = pairs if len(names) > 1 else ()
    return CorrelationFindings(
        question=question,
        comparison=comparison,
        overall=overall,
        look=look,
        sets=sets,
        wear=wear,
        scatter=scatter,
        pooled={name: found for name, found in pooled.items() if found is not None},
        patterns=tuple(section_pattern(comparison, pair, names, question) for pair in together),
        levels=levels,
        corrections=_corrections(comparison, overall, levels, question),
        influences=() if look.between else influence_of(comparison),
        residuals=residuals_of(comparison),
        equal=equal_scatter(comparison),
        relation=scatter_and_level(comparison),
        planned=planned,
        trap=stop_by_stop(stops, comparison),
        figures=figures,
    )


def _compared(
    question: CorrelationCheck, how: ComparisonLayout, look: LookState
) -> tuple[LevelComparison, LevelComparison | None]:
    """Section by section and overall; held back between declared looks."""
    comparison = compare_levels(
        how, question.sections, confidence=question.confidence, analysis=question.analysis, rates=look.rates
    )
    overall = overall_comparison(comparison, question)
    if look.between:
        return held_back(comparison), None if overall is None else held_back(overall)
    return comparison, overall


def _handed_on(
    figures: tuple[Figure, ...], ready: FigureReady, before: tuple[Figure, ...] = ()
) -> tuple[Figure, ...]:
    """The figures, each told of as ready unless it was before."""
    for figure in figures:
        if figure not in before:
            ready(figure)
    return figures


def _look(question: CorrelationCheck, sets: dict[str, int]) -> LookState:
    run = enumerated([f"{number} on {rig}" for rig, number in sets.items()])
    return look_of_levels(
        question.looks, sets, counted="pad sets per rig", have_run=f"{run} have run",
        confidence=question.confidence,
    )  # fmt: skip


def _corrections(
    comparison: LevelComparison,
    overall: LevelComparison | None,
    levels: tuple[LevelDependence, ...],
    question: CorrelationCheck,
) -> tuple[Correction, ...]:
    if overall is None:
        return ()
    found = [
        correction_of(comparison, claim, dependence.found.answer, question)
        for claim, dependence in zip(overall.claims, levels, strict=True)
    ]
    return tuple(correction for correction in found if correction is not None)


def _plans(
    question: CorrelationCheck, comparison: LevelComparison, look: LookState, progress: Progress
) -> dict[Key, MoreRuns]:
    """Before a look that is still to come, the next step is that look and nothing needs planning."""
    if look.coming is not None or look.between:
        return {}
    return plans_of(comparison, cost=question.cost, seed=question.seed, progress=progress)
