"""A lot comparison carried out: everything that its page is written from.

In: run results and a LotComparison question.  Out: LotStudy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repeatab.base.errors import StudyError, listed
from repeatab.base.progress import Progress, silent
from repeatab.cells import Cells
from repeatab.intake.results import Results
from repeatab.jobs.levels.comparison import LevelComparison, compare_levels
from repeatab.jobs.levels.influence import Influence, influence_of
from repeatab.jobs.levels.layout import ComparisonLayout, Surroundings, comparison_layout
from repeatab.jobs.levels.looks import LookState, held_back, look_of_levels
from repeatab.jobs.levels.more_blocks import MoreBlocks, more_blocks
from repeatab.jobs.levels.outcome import blocked, plans_of, scatters_of
from repeatab.jobs.levels.residuals import Residuals, residuals_of
from repeatab.jobs.levels.scatter import LevelScatter
from repeatab.jobs.levels.stop_by_stop import stop_by_stop
from repeatab.jobs.levels.tables import Key, key_of
from repeatab.jobs.levels.wear import Trend, shows_wear, touches_the_comparison, trends_of
from repeatab.jobs.lots.question import LotComparison, RigsAs
from repeatab.jobs.lots.specification import Conformity, conformities_of
from repeatab.jobs.wording import enumerated
from repeatab.outcome.tables import Table
from repeatab.planning.next_runs import MoreRuns

LOT, RIG = "pad_lot", "rig"


@dataclass(frozen=True, kw_only=True)
class LotStudy:
    """The question and all that was found.

    look : where the study stands among its declared looks. sets : lot -> pad sets that ran.
    one_sided : confidence of each one-sided claim: that of the study, or what a declared look leaves of it.
    more_rigs : for open claims that no number of sets would decide, where rigs are a sample.
    trends : wear per section, where sets ran more than once. wear_removed : whether it was taken out.
    wear_trouble : sentences on wear that could not be dealt with.
    trap : what a test on single stops would claim, if there are stops.
    """

    question: LotComparison
    comparison: LevelComparison
    look: LookState
    sets: dict[str, int]
    one_sided: float
    scatter: dict[Key, LevelScatter]
    planned: dict[Key, MoreRuns]
    more_rigs: dict[Key, MoreBlocks]
    influences: tuple[Influence, ...]
    residuals: tuple[Residuals, ...]
    conformities: tuple[Conformity, ...]
    trends: tuple[Trend, ...]
    wear_removed: bool
    wear_trouble: tuple[str, ...]
    trap: Table | None

    @property
    def run_keys(self) -> list[str]:
        """Columns that tell one run from another whatever its section."""
        table = self.comparison.how.table
        if "run" in table.columns:
            return ["run", "pad_set"]
        return [name for name in ("pad_set", RIG, "run_order", "time") if name in table.columns]


def lot_study(
    question: LotComparison, results: Results, stops: Results | Cells | None, progress: Progress = silent
) -> LotStudy:
    """Compare the lots and look at the comparison from every side the page shows.

    Raises
    ------
    StudyError
        A lot, section or column of the question is not in the results, or a deciding section has no margin.
    """
    how, trends, removed, trouble = _laid_out(question, results)
    sets = {str(lot): int(n) for lot, n in how.table.groupby(LOT, sort=False)["pad_set"].nunique().items()}
    look = _look(question, sets)
    progress("comparing lots", 0, 3)
    comparison = compare_levels(
        blocked(how, results), tuple(section.section for section in question.sections),
        confidence=question.confidence, analysis=question.analysis, rates=look.rates,
    )  # fmt: skip
    if look.between:
        comparison = held_back(comparison)
    progress("leaving out each set", 1, 3)
    influences = () if look.between else influence_of(comparison)
    planned = _plans(question, comparison, look, progress)
    one_sided = question.confidence if look.position is None else 1 - look.rates.equivalence
    return LotStudy(
        question=question,
        comparison=comparison,
        look=look,
        sets=sets,
        one_sided=one_sided,
        scatter=scatters_of(comparison, of_sets=True),
        planned=planned,
        more_rigs={} if look.table is not None else _more_rigs(question, comparison, planned),
        influences=influences,
        residuals=residuals_of(comparison),
        conformities=conformities_of(
            how, question.named, question.sections, question.guard, confidence=one_sided,
            withheld=_withheld(results, look),
        ),
        trends=trends,
        wear_removed=removed,
        wear_trouble=trouble,
        trap=stop_by_stop(stops, comparison),
    )  # fmt: skip


def _look(question: LotComparison, sets: dict[str, int]) -> LookState:
    run = enumerated([f"{number} of {lot}" for lot, number in sets.items()])
    return look_of_levels(
        question.looks, sets, counted="pad sets per lot", have_run=f"{run} have run",
        confidence=question.confidence,
    )  # fmt: skip


def _plans(
    question: LotComparison, comparison: LevelComparison, look: LookState, progress: Progress
) -> dict[Key, MoreRuns]:
    """Before a look that is still to come, the next step is that look and nothing needs planning."""
    if look.coming is not None or look.between:
        return {}
    return plans_of(comparison, cost=question.cost, seed=question.seed, progress=progress)


def _withheld(results: Results, look: LookState) -> str | None:
    """Why no lot is judged against its specification now; a limit is a verdict like any other."""
    blocked_by = next((finding.text for finding in results.blocks), None)
    if blocked_by is not None or not look.between:
        return blocked_by
    where = (
        "they are more than the last declared look had"
        if look.coming is None
        else "they lie between declared looks"
    )
    return f"{where}."


def _more_rigs(
    question: LotComparison, comparison: LevelComparison, planned: dict[Key, MoreRuns]
) -> dict[Key, MoreBlocks]:
    found = {}
    for claim in comparison.compared:
        plan = planned.get(key_of(claim))
        if question.rigs is not RigsAs.RANDOM or plan is None:
            continue
        sets_suffice = all(need.sets is not None for need in plan.needed if "upper limit" not in need.belief)
        if sets_suffice:
            continue
        more = more_blocks(
            claim,
            comparison.how,
            confidence=question.confidence,
            target=question.cost.target,
            seed=question.seed,
        )
        if more is not None:
            found[key_of(claim)] = more
    return found


def _laid_out(
    question: LotComparison, results: Results
) -> tuple[ComparisonLayout, tuple[Trend, ...], bool, tuple[str, ...]]:
    """The layout, with the trend of wear in it where it touches the comparison or is asked for."""
    sections = [section.name for section in question.sections]
    worn = _layout(question, results, sections, wear=True)
    if not shows_wear(worn, sections):
        unseen = (_unseen(sections),) if question.remove_wear else ()
        return _layout(question, results, sections, wear=False), (), False, unseen
    trends = trends_of(worn, question.analysis, level=question.confidence)
    touches = touches_the_comparison(worn)
    removed = touches if question.remove_wear is None else question.remove_wear
    if removed:
        return worn, trends, True, ()
    trouble = (
        "The lots' runs lie at different places in their sets, and wear was not to be taken out, so it is part of the "
        "differences. remove_wear = true takes it out."
    )
    plain = _layout(question, results, sections, wear=False)
    return plain, trends, False, (trouble,) if touches else ()


def _unseen(sections: Sequence[str]) -> str:
    return (
        f"Wear was to be taken out, but not in every one of {listed(sections)} did a set run more than once in an "
        "order that is recorded (a column run_order or time), so the trend is not known and stays in."
    )


def _layout(
    question: LotComparison, results: Results, sections: Sequence[str], *, wear: bool
) -> ComparisonLayout:
    for name in question.blocks:
        if not results.has(name):
            raise StudyError(f"blocks: the results have no column for '{name}'. Name it under [columns].")
    rigs = (RIG,) if results.has(RIG) else ()
    as_blocks = question.rigs is RigsAs.BLOCKS
    return comparison_layout(
        results,
        factor=LOT,
        pairs=question.pairs,
        sections=tuple(sections),
        beside=Surroundings(
            fixed=(*(rigs if as_blocks else ()), *question.blocks),
            sampled=() if as_blocks else rigs,
            covariates=question.covariates,
            wear=wear,
        ),
    )
