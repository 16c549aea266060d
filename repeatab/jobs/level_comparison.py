"""Level comparison: the engine shared by every job that asks whether two levels of a factor differ.

In: a ComparisonLayout and the sections with their margins.  Out: per section the estimates, the intervals and
the verdict; overall the verdict of the deciding sections.
Jobs add their own question, words and page.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError, StudyError
from repeatab.cells import reduce_to_cells
from repeatab.estimation.pairs import Pair, PooledPair
from repeatab.jobs.comparison_layout import ComparisonLayout
from repeatab.jobs.level_pairs import level_pairs
from repeatab.jobs.questions import Analysis, Section
from repeatab.judgement.comparison import Bounds, bounds_of, decide, evidence_of, holm_levels, limits_over
from repeatab.layout.blocks import Block, blocks_of, group_labels
from repeatab.outcome.verdict import Qualifier, Verdict

_NO_MARGIN = Bounds(low=-np.inf, high=np.inf, of_ratio=False)


@dataclass(frozen=True, kw_only=True)
class SectionComparison:
    """One section compared.

    trouble : why the section could not be compared; everything after it is then empty.
    bounds : the margin as bounds; None for an informing section without a margin.
    estimate, lower, upper : ratio or difference (as the bounds have it) with the interval of the difference claim.
    inner_lower, inner_upper : the interval of the equivalence claim, at 2c - 1.
    alpha : the error rate of this section's difference claim after adjustment.
    """

    section: Section
    trouble: str | None
    block: Block | None = None
    pairs: tuple[Pair, ...] = ()
    bounds: Bounds | None = None
    estimate: float = np.nan
    mean_a: float = np.nan
    mean_b: float = np.nan
    lower: float = np.nan
    upper: float = np.nan
    inner_lower: float = np.nan
    inner_upper: float = np.nan
    p: float = np.nan
    alpha: float = np.nan
    verdict: Verdict = Verdict.UNDECIDED
    qualifier: Qualifier = Qualifier.NONE
    single_views: tuple[Verdict, ...] = ()

    @property
    def pooled(self) -> PooledPair:
        """The pooled view, which holds the fit of the components."""
        first = self.pairs[0]
        assert isinstance(first, PooledPair)
        return first


@dataclass(frozen=True, kw_only=True)
class LevelComparison:
    """All sections, in the study's order, and what they say together."""

    how: ComparisonLayout
    confidence: float
    analysis: Analysis
    sections: tuple[SectionComparison, ...]
    verdict: Verdict
    qualifier: Qualifier

    @property
    def deciding(self) -> tuple[SectionComparison, ...]:
        return tuple(s for s in self.sections if s.section.decides)


def compare_levels(
    how: ComparisonLayout, sections: tuple[Section, ...], *, confidence: float, analysis: Analysis
) -> LevelComparison:
    """Compare two levels section by section and overall.

    Raises
    ------
    StudyError
        A deciding section has no margin, or no section decides.
    """
    _check_margins(sections)
    blocks = _blocks(how, analysis)
    found = [_estimated(section, blocks.get(section.name), how, confidence, analysis) for section in sections]
    levels = _error_rates(found, 1 - confidence)
    judged = tuple(_judged(part, how, alpha, confidence) for part, alpha in zip(found, levels, strict=True))
    verdict, qualifier = _overall(judged, how)
    return LevelComparison(
        how=how,
        confidence=confidence,
        analysis=analysis,
        sections=judged,
        verdict=verdict,
        qualifier=qualifier,
    )


def _check_margins(sections: tuple[Section, ...]) -> None:
    if not any(section.decides for section in sections):
        raise StudyError(
            "sections: none decides, so there can be no overall verdict. Let at least one decide."
        )
    for section in sections:
        if section.decides and section.margin is None:
            raise StudyError(
                f"section '{section.name}' decides but has no margin. The margin is the largest difference that "
                "does not matter for the use of the results; labs take it from the customer's specification or "
                "agree on it before the runs (5 to 10 percent of friction is common practice)."
            )


def _blocks(how: ComparisonLayout, analysis: Analysis) -> dict[str, Block]:
    table = how.table
    if analysis is Analysis.RATIO:
        if (table["result"] <= 0).any():
            raise StudyError(
                "analysis 'ratio': the results hold values of zero or below, which have no logarithm."
            )
        table = table.assign(result=np.log(table["result"]))
    cells = reduce_to_cells(
        table, result="result", factors=["section", *how.keys], covariates=how.model.covariates
    )
    labels = group_labels(cells, ["section"])
    return {
        str(labels[g][0]): _alone(block, i)
        for block in blocks_of(cells, by=["section"])
        for i, g in enumerate(block.groups)
    }


def _alone(block: Block, group: int) -> Block:
    return replace(block, mean=block.mean[[group]], cross=block.cross[[group]], groups=np.zeros(1, np.int64))


def _estimated(
    section: Section, block: Block | None, how: ComparisonLayout, confidence: float, analysis: Analysis
) -> SectionComparison:
    if block is None:
        return SectionComparison(section=section, trouble="no results")
    present = [label for label in (how.a, how.b) if label in _levels(block, how.factor)]
    if len(present) < 2:
        missing = how.b if how.a in present else how.a
        return SectionComparison(section=section, trouble=f"there are no results of {missing}")
    try:
        pairs = level_pairs(block, how)
        ratio = np.ones(1)
        for pair in pairs:
            pair.precision(ratio)
    except (LayoutError, EstimationError) as error:
        return SectionComparison(section=section, trouble=str(error), block=block)
    logarithmic = analysis is Analysis.RATIO
    margin = section.margin
    bounds = None if margin is None else bounds_of(margin, logarithmic=logarithmic)
    evidence = evidence_of(pairs, bounds or _NO_MARGIN)
    low, high = limits_over(pairs, bounds or _NO_MARGIN, 2 * confidence - 1)
    return SectionComparison(
        section=section, trouble=None, block=block, pairs=pairs, bounds=bounds,
        estimate=float(evidence.estimate[0]), mean_a=float(pairs[0].mean_a[0]), mean_b=float(pairs[0].mean_b[0]),
        inner_lower=float(low[0]), inner_upper=float(high[0]), p=float(evidence.p_difference[0]),
    )  # fmt: skip


def _levels(block: Block, factor: str) -> list[object]:
    return [block.levels_of(factor)[code] for code in np.unique(block.code_of(factor))]


def _error_rates(found: list[SectionComparison], alpha: float) -> list[float]:
    """Holm over the deciding sections; the informing ones form a family of their own."""
    rates = [alpha] * len(found)
    for decides in (True, False):
        family = [
            i for i, part in enumerate(found) if part.section.decides is decides and part.trouble is None
        ]
        if family:
            adjusted = holm_levels(np.array([found[i].p for i in family]), alpha)
            for i, rate in zip(family, adjusted, strict=True):
                rates[i] = float(rate)
    return rates


def _judged(
    part: SectionComparison, how: ComparisonLayout, alpha: float, confidence: float
) -> SectionComparison:
    if part.trouble is not None:
        return part
    bounds = part.bounds or _NO_MARGIN
    low, high = limits_over(part.pairs, bounds, 1 - alpha)
    found = decide(evidence_of(part.pairs, bounds), confidence=confidence, alpha=alpha)
    verdict, qualifier = found.verdict(0)
    views = tuple(
        decide(evidence_of([pair], bounds), confidence=confidence, alpha=alpha).verdict(0)[0]
        for pair in part.pairs
    )
    if part.bounds is None:
        verdict = Verdict.DIFFERENT if found.detectable[0] else Verdict.UNDECIDED
        qualifier = Qualifier.MARGIN_OPEN if found.detectable[0] else Qualifier.NONE
    if how.confounded:
        verdict, qualifier = Verdict.UNDECIDED, Qualifier.CONFOUNDED
    return replace(
        part, lower=float(low[0]), upper=float(high[0]), alpha=alpha, verdict=verdict, qualifier=qualifier,
        single_views=views,
    )  # fmt: skip


def _overall(judged: tuple[SectionComparison, ...], how: ComparisonLayout) -> tuple[Verdict, Qualifier]:
    deciding = [part for part in judged if part.section.decides]
    if how.confounded:
        return Verdict.UNDECIDED, Qualifier.CONFOUNDED
    different = [part for part in deciding if part.verdict is Verdict.DIFFERENT]
    if different:
        matters = any(part.qualifier is Qualifier.IT_MATTERS for part in different)
        return Verdict.DIFFERENT, Qualifier.IT_MATTERS if matters else Qualifier.MARGIN_OPEN
    if all(part.verdict is Verdict.EQUIVALENT for part in deciding):
        small = any(part.qualifier is Qualifier.TOO_SMALL_TO_MATTER for part in deciding)
        return Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER if small else Qualifier.NONE
    return Verdict.UNDECIDED, Qualifier.NONE
