"""All sections together: an overall offset formed set by set, and how far the sections stray from it.

In: a comparison of rigs.  Out: a comparison of the sets' overall values (it informs); per pair the test of section by
rig and the deviations of the sections.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.estimation.section_interaction import (
    SectionInteraction,
    bootstrap_interaction,
    paired_interaction,
    split_interaction,
)
from repeatab.estimation.set_effects import (
    Deviations,
    overall_values,
    paired_deviations,
    split_deviations,
)
from repeatab.jobs.correlation.values import WholeSets, runs_of, whole_sets
from repeatab.jobs.levels.comparison import LevelComparison, compare_levels
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair
from repeatab.jobs.questions import Analysis, CorrelationCheck, Section

OVERALL = "mean of all sections (set by set)"


@dataclass(frozen=True, kw_only=True)
class SectionPattern:
    """Whether the offset of a pair is the same in all sections.

    log : values are logarithms, so that deviations are in proportion. interaction, deviations : None with the
    reason where they could not be had.
    """

    pair: LevelPair
    sections: tuple[str, ...]
    log: bool
    sets: WholeSets
    interaction: SectionInteraction | None
    deviations: Deviations | None
    trouble: str = ""


def sections_together(comparison: LevelComparison) -> tuple[str, ...]:
    """The deciding sections that every rig ran."""
    table, factor = comparison.how.table, comparison.how.factor
    rigs = set(comparison.how.levels)
    names = dict.fromkeys(claim.section.name for claim in comparison.deciding if claim.trouble is None)
    return tuple(name for name in names if rigs <= set(table.loc[table["section"] == name, factor]))


def overall_comparison(comparison: LevelComparison, question: CorrelationCheck) -> LevelComparison | None:
    """The sets' overall values compared like one section; None with fewer than two sections."""
    names = sections_together(comparison)
    if len(names) < 2:
        return None
    try:
        how = _overall_layout(comparison.how, names, question.analysis)
    except (LayoutError, NotSeparableError):
        return None
    section = Section(name=OVERALL, margin=overall_margin(question, names), decides=False)
    return compare_levels(
        how, (section,), confidence=question.confidence, analysis=question.analysis, rates=comparison.rates,
        informing=True,
    )  # fmt: skip


def overall_margin(question: CorrelationCheck, names: Sequence[str]) -> Margin | None:
    """The stated margin of the overall offset, else the one that all its sections share."""
    if question.overall_margin is not None:
        return question.overall_margin
    margins = {section.margin for section in question.sections if section.name in names}
    return margins.pop() if len(margins) == 1 else None


def _overall_layout(how: ComparisonLayout, names: Sequence[str], analysis: Analysis) -> ComparisonLayout:
    known, values = runs_of(how, names)
    if analysis is Analysis.RATIO:
        values = np.log(values)
    rows = np.flatnonzero(np.isfinite(values).any(axis=1))
    known, values = known.iloc[rows].reset_index(drop=True), values[rows]
    found = overall_values(values, known[how.factor].factorize()[0].astype(np.int64))
    result = np.exp(found) if analysis is Analysis.RATIO else found
    return replace(how, table=known.assign(section=OVERALL, result=result))


def section_pattern(
    comparison: LevelComparison, pair: LevelPair, names: Sequence[str], question: CorrelationCheck
) -> SectionPattern:
    """The test of section by rig and the deviations of the sections from the overall offset."""
    margins = [section.margin for section in question.sections if section.name in names]
    in_percent = all(margin is not None and margin.unit is MarginUnit.PERCENT for margin in margins)
    log = question.analysis is Analysis.RATIO or (
        in_percent and bool((comparison.how.table["result"] > 0).all())
    )
    sets = whole_sets(comparison.how, pair, names, question.analysis, log=log)
    interaction, deviations, trouble = None, None, ""
    a, b = sets.sides
    try:
        deviations = paired_deviations(a - b) if sets.paired else split_deviations(a, b)
        interaction = section_interaction(sets, question.seed)
    except (LayoutError, EstimationError) as error:
        trouble = str(error)
    return SectionPattern(
        pair=pair, sections=tuple(names), log=log, sets=sets, interaction=interaction, deviations=deviations,
        trouble=trouble,
    )  # fmt: skip


def section_interaction(sets: WholeSets, seed: int) -> SectionInteraction:
    """The test that the offset is the same in all sections, by resampling whole sets.

    Different numbers of sets at the two levels: exchanging sets holds only where the levels scatter alike, drawing
    within levels also where they do not, so the larger of the two probabilities counts.

    Raises
    ------
    LayoutError, EstimationError
        Too few sets or sections, or no scatter.
    """
    rng = np.random.default_rng([seed, 1])
    a, b = sets.sides
    if not sets.paired:
        values, codes = np.concatenate([a, b]), np.repeat([0, 1], [len(a), len(b)])
        exchanged = split_interaction(values, codes, rng=rng)
        if not sets.unequal:
            return exchanged
        drawn = bootstrap_interaction(values, codes, rng=np.random.default_rng([seed, 2]))
        return max(exchanged, drawn, key=lambda test: test.p)
    difference = a - b
    number = np.isfinite(difference).sum(axis=0)
    middle = np.nanmean(difference, axis=0)
    # Taking the order out has made the differences of sets a little too alike.
    stretch = np.sqrt((number - 1) / np.maximum(number - 1 - sets.taken_out, 1))
    return paired_interaction(middle + (difference - middle) * stretch, rng=rng)
