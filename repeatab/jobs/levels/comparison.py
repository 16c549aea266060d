"""Level comparison: the engine shared by every job that asks whether levels of a factor differ.

In: a ComparisonLayout and the sections with their margins.  Out: per section and pair of levels a Claim with its
estimates, intervals and verdict; overall the verdict of the deciding sections.
Jobs add their own question, words and page.

Difference claims are adjusted twice: over the deciding sections by Holm's steps, and within a section over its
pairs by the multivariate t distribution of their contrasts. With one pair the second step changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError, StudyError
from repeatab.base.margin import MarginUnit
from repeatab.estimation.pairs import GroupedPair, Pair, PooledPair, contrast_correlation
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair, SetUse
from repeatab.jobs.levels.stacks import PLAIN, Fitting, Stack, Views, stacks_of
from repeatab.jobs.questions import Analysis, Section
from repeatab.judgement.comparison import Bounds, bounds_of, decide, evidence_of, holm_levels, limits_over
from repeatab.layout.blocks import Block
from repeatab.outcome.verdict import Qualifier, Verdict

_NO_MARGIN = Bounds(low=-np.inf, high=np.inf, of_ratio=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Error rates of one judgement: of the two-sided difference claim over all deciding claims, and of each of the
    two one-sided tests of equivalence."""

    difference: float
    equivalence: float

    @classmethod
    def at(cls, confidence: float) -> Rates:
        """The rates of data that are judged once."""
        return cls(difference=1 - confidence, equivalence=1 - confidence)


@dataclass(frozen=True, kw_only=True)
class Claim:
    """One section and one pair of levels compared.

    trouble : why they could not be compared; everything after it is then empty.
    views : the views of the scatter, pooled first.
    bounds : the margin as bounds; None for an informing section without a margin.
    estimate, lower, upper : ratio or difference (as the bounds have it) with the interval of the difference claim.
    inner_lower, inner_upper : the interval of the equivalence claim, at 2c - 1 (at a declared look: at the rates of
        the look).
    alpha : the error rate at which this claim of a difference is made, after both adjustments.
    single_views : the verdict under each view alone.
    """

    section: Section
    pair: LevelPair
    trouble: str | None
    block: Block | None = None
    views: tuple[GroupedPair, ...] = ()
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
        first = self.views[0]
        assert isinstance(first, PooledPair)
        return first


@dataclass(frozen=True, kw_only=True)
class LevelComparison:
    """All claims, section by section in the study's order, and what they say together.

    confidence : of the study. rates : the error rates of this judgement, smaller at a declared look.
    """

    how: ComparisonLayout
    confidence: float
    rates: Rates
    analysis: Analysis
    claims: tuple[Claim, ...]
    verdict: Verdict
    qualifier: Qualifier

    @property
    def difference_level(self) -> float:
        """Confidence of the intervals of the difference claims, over all deciding claims together."""
        return 1 - self.rates.difference

    @property
    def inner_level(self) -> float:
        """Confidence of the intervals of the equivalence claims."""
        return 1 - 2 * self.rates.equivalence

    @property
    def deciding(self) -> tuple[Claim, ...]:
        return tuple(claim for claim in self.claims if claim.section.decides)

    @property
    def compared(self) -> tuple[Claim, ...]:
        """The claims that could be compared."""
        return tuple(claim for claim in self.claims if claim.trouble is None)

    @property
    def confounded(self) -> tuple[str, ...]:
        """Why pairs cannot be told from something else, each reason once."""
        return tuple(dict.fromkeys(reason for pair in self.how.pairs for reason in pair.confounded))


def compare_levels(
    how: ComparisonLayout,
    sections: tuple[Section, ...],
    *,
    confidence: float,
    analysis: Analysis,
    rates: Rates | None = None,
    fitting: Fitting = PLAIN,
    informing: bool = False,
) -> LevelComparison:
    """Compare the pairs of levels section by section and overall.

    Parameters
    ----------
    rates : the error rates of this judgement where they are not those of data judged once (a declared look).
    fitting : how sections are fitted, where a job's effect is not a plain difference of levels.
    informing : no section decides; the verdict is that of all claims and informs only.

    Raises
    ------
    StudyError
        A deciding section has no margin, or no section decides.
    """
    if not informing:
        _check_margins(sections)
    stated = rates or Rates.at(confidence)
    found: dict[str, list[Claim]] = {}
    for stack in stacks_of(how, analysis, sections, fitting):
        found |= _estimated(stack, how, stated, analysis, fitting)
    estimated = [
        found.get(section.name) or [Claim(section=section, pair=p, trouble="no results") for p in how.pairs]
        for section in sections
    ]
    adjusted = _error_rates(estimated, stated.difference)
    claims = tuple(
        _judged(claim, point, 1 - stated.equivalence)
        for group, rate in zip(estimated, adjusted, strict=True)
        for claim, point in zip(group, _within_section(group, rate), strict=True)
    )
    verdict, qualifier = overall([claim for claim in claims if informing or claim.section.decides])
    return LevelComparison(
        how=how, confidence=confidence, rates=stated, analysis=analysis, claims=claims, verdict=verdict,
        qualifier=qualifier,
    )  # fmt: skip


def overall(deciding: Sequence[Claim]) -> tuple[Verdict, Qualifier]:
    """What the deciding claims say together: one difference is enough, equivalence needs all of them.

    A pair that is mixed with another effect takes nothing from a difference of another pair.
    """
    different = [claim for claim in deciding if claim.verdict is Verdict.DIFFERENT]
    if different:
        matters = any(claim.qualifier is Qualifier.IT_MATTERS for claim in different)
        return Verdict.DIFFERENT, Qualifier.IT_MATTERS if matters else Qualifier.MARGIN_OPEN
    if any(claim.qualifier is Qualifier.CONFOUNDED for claim in deciding):
        return Verdict.UNDECIDED, Qualifier.CONFOUNDED
    if all(claim.verdict is Verdict.EQUIVALENT for claim in deciding):
        small = any(claim.qualifier is Qualifier.TOO_SMALL_TO_MATTER for claim in deciding)
        return Verdict.EQUIVALENT, Qualifier.TOO_SMALL_TO_MATTER if small else Qualifier.NONE
    return Verdict.UNDECIDED, Qualifier.NONE


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


def _check_size(section: Section, level: float) -> None:
    """Refuse an absolute margin that is larger than the results themselves: mostly a percentage given as a number."""
    margin = section.margin
    if margin is not None and margin.unit is MarginUnit.ABSOLUTE and margin.size >= abs(level):
        raise StudyError(
            f"section '{section.name}': the margin {margin} is larger than the results themselves (about {level:.4g}), "
            f"so every offset would lie inside it. If {margin.size:g} % is meant, give it as a percentage."
        )


def _estimated(
    stack: Stack, how: ComparisonLayout, rates: Rates, analysis: Analysis, fitting: Fitting
) -> dict[str, list[Claim]]:
    """The claims of the sections of a stack, estimated but not judged."""
    found: dict[str, list[Claim]] = {section.name: [] for section in stack.sections}
    fitted = fitting.views(stack.sections[0], stack.block, how)
    for pair in how.pairs:
        try:
            claims = _of_pair(stack, fitted, pair, rates, analysis, how.factor)
        except EstimationError as error:
            if len(stack.sections) > 1:
                # One of them cannot be fitted: each by itself, so that the others keep their answer.
                return {
                    name: claims
                    for i in range(len(stack.sections))
                    for name, claims in _estimated(stack.take([i]), how, rates, analysis, fitting).items()
                }
            claims = _in_trouble(stack, pair, str(error))
        for claim in claims:
            found[claim.section.name].append(claim)
    return found


def _in_trouble(stack: Stack, pair: LevelPair, reason: str) -> list[Claim]:
    return [
        Claim(section=section, pair=pair, trouble=reason, block=stack.take([i]).block)
        for i, section in enumerate(stack.sections)
    ]


def _of_pair(
    stack: Stack, fit: Views, pair: LevelPair, rates: Rates, analysis: Analysis, factor: str
) -> list[Claim]:
    """One pair of levels in every section of the stack."""
    present = _levels(stack.block, factor)
    missing = [level for level in (pair.a, pair.b) if level not in present]
    if missing:
        reason = pair.confounded[0] if pair.confounded else f"there are no results of {missing[0]}"
        return [Claim(section=section, pair=pair, trouble=reason) for section in stack.sections]
    if (lonely := single_set(stack.block, pair, factor)) is not None:
        return _in_trouble(stack, pair, lonely)
    try:
        views = fit.views(pair)
        for view in views:
            view.precision(np.ones(len(stack.sections)))
    except LayoutError as error:
        return _in_trouble(stack, pair, str(error))
    return [_of_section(stack, i, views, pair, rates, analysis) for i in range(len(stack.sections))]


def _of_section(
    stack: Stack,
    at: int,
    together: tuple[GroupedPair, ...],
    pair: LevelPair,
    rates: Rates,
    analysis: Analysis,
) -> Claim:
    section = stack.sections[at]
    alone = len(stack.sections) == 1
    views = together if alone else tuple(view.take(np.array([at])) for view in together)
    bounds = (
        None if section.margin is None else bounds_of(section.margin, logarithmic=analysis is Analysis.RATIO)
    )
    _check_size(section, float(views[0].mean_b[0]))
    evidence = evidence_of(views, bounds or _NO_MARGIN)
    low, high = limits_over(views, bounds or _NO_MARGIN, 1 - 2 * rates.equivalence)
    return Claim(
        section=section, pair=pair, trouble=None, block=stack.take([at]).block, views=views, bounds=bounds,
        estimate=float(evidence.estimate[0]), mean_a=float(views[0].mean_a[0]), mean_b=float(views[0].mean_b[0]),
        inner_lower=float(low[0]), inner_upper=float(high[0]), p=float(evidence.p_difference[0]),
    )  # fmt: skip


def single_set(block: Block, pair: LevelPair, factor: str) -> str | None:
    """Why a level with one set tells nothing of its own: the set and the level are one."""
    if pair.use is not SetUse.SPLIT:
        return None
    for level in (pair.a, pair.b):
        if len(np.unique(block.code_of("pad_set")[block.holds(factor, level)])) == 1:
            return (
                f"{level} has a single pad set here, so what is the set's own and what belongs to {level} are one, "
                f"however often the set ran. Run more pad sets of {level}."
            )
    return None


def _levels(block: Block, factor: str) -> list[object]:
    return [block.levels_of(factor)[code] for code in np.unique(block.code_of(factor))]


def _error_rates(estimated: list[list[Claim]], alpha: float) -> list[float]:
    """Holm over the deciding sections; the informing ones form a family of their own."""
    rates = [alpha] * len(estimated)
    for decides in (True, False):
        family = [
            i
            for i, group in enumerate(estimated)
            if group[0].section.decides is decides and any(claim.trouble is None for claim in group)
        ]
        if family:
            p = np.array([_smallest_p(estimated[i]) for i in family])
            for i, rate in zip(family, holm_levels(p, alpha), strict=True):
                rates[i] = float(rate)
    return rates


def _smallest_p(group: list[Claim]) -> float:
    """The section's own probability: of its largest difference, adjusted for the number of pairs."""
    claims = [claim for claim in group if claim.trouble is None]
    smallest = min(claim.p for claim in claims)
    if len(claims) == 1:
        return smallest
    from repeatab.estimation.simultaneous import adjusted_p

    df = _smallest_df(claims)
    t = np.array([special.stdtrit(df, 1 - smallest / 2)])
    return float(adjusted_p(t, contrast_correlation([claim.pooled for claim in claims]), df)[0])


def _within_section(group: list[Claim], rate: float) -> list[float]:
    """The pointwise error rate of each pair that keeps `rate` over all pairs of the section."""
    claims = [claim for claim in group if claim.trouble is None]
    if len(claims) < 2:
        return [rate] * len(group)
    from repeatab.estimation.simultaneous import simultaneous_point

    df = _smallest_df(claims)
    point = simultaneous_point(contrast_correlation([claim.pooled for claim in claims]), df, 1 - rate)
    return [float(2 * special.stdtr(df, -point))] * len(group)


def _smallest_df(claims: Sequence[Claim]) -> float:
    return min(float(claim.pooled.precision(np.ones(1))[1][0]) for claim in claims)


def _judged(claim: Claim, alpha: float, confidence: float) -> Claim:
    if claim.trouble is not None:
        return replace(claim, qualifier=Qualifier.CONFOUNDED) if claim.pair.confounded else claim
    bounds = claim.bounds or _NO_MARGIN
    low, high = limits_over(claim.views, bounds, 1 - alpha)

    def answer(views: Sequence[Pair]) -> tuple[Verdict, Qualifier]:
        found = decide(evidence_of(views, bounds), confidence=confidence, alpha=alpha)
        if claim.bounds is not None:
            return found.verdict(0)
        if found.detectable[0]:
            return Verdict.DIFFERENT, Qualifier.MARGIN_OPEN
        return Verdict.UNDECIDED, Qualifier.NONE

    verdict, qualifier = answer(claim.views)
    alone = tuple(answer([view])[0] for view in claim.views)
    if claim.pair.confounded:
        verdict, qualifier = Verdict.UNDECIDED, Qualifier.CONFOUNDED
    return replace(
        claim, lower=float(low[0]), upper=float(high[0]), alpha=alpha, verdict=verdict, qualifier=qualifier,
        single_views=alone,
    )  # fmt: skip
