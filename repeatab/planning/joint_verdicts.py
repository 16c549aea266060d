"""Joint verdicts: what a planned comparison would say, by section, by pair and overall, against the true offset.

In: one design, its sections with their margins and believed scatter, how the sections go together, declared looks.
Out: probabilities of the verdicts with their Monte Carlo error, at the point estimate of the components and averaged
over their uncertainty.
The data are simulated in all sections at once, fitted and judged by the functions that judge a study, in all pairs of
levels by its own family rule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.judgement.comparison import BoolArray, Bounds, Decisions, Evidence, decide, evidence_of
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.planning.family_rule import FamilyRule, holm_rates
from repeatab.planning.moved_pair import MovedPair
from repeatab.planning.verdict_probability import VerdictProbability
from repeatab.simulate import simulate_block, simulate_sections

# Cells times sections times draws that take about a second, and the draws between which a plan chooses.
_WORK, _FEWEST, _MOST = 80_000, 200, 4_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSection:
    """A section as it is believed to be.

    level : mean of the reference arm. variances : (components,) of the layout, repeatability last.
    drawn : (draws, components) possible values of the variances; None where they are taken as known.
    """

    name: str
    bounds: Bounds
    level: float
    variances: FloatArray
    decides: bool = True
    drawn: FloatArray | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLook:
    """A declared look: the cells that have run by then, and the error rates it has."""

    cells: BoolArray
    difference: float
    equivalence: float


@dataclass(frozen=True, kw_only=True)
class JointPlan:
    """A comparison of levels in several sections.

    correlation : (sections, sections). looks : in their order; one look at everything if the study is judged once.
    pairs : the study's own estimators: the views of each pair that is compared. rule : how their claims share a rate.
    away : per pair, by how many true offsets its first and its second level are moved.
    beyond_only : whether a difference settles the matter only where all of it lies beyond the margin.
    """

    block: Block
    layout: Layout
    sections: tuple[PlannedSection, ...]
    correlation: FloatArray
    pairs: Callable[[Block], Sequence[Sequence[Pair]]]
    looks: tuple[PlannedLook, ...]
    rule: FamilyRule = field(default_factory=lambda: FamilyRule(correlation=np.eye(1)))
    away: tuple[tuple[float, float], ...] = ((1.0, 0.0),)
    beyond_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JointChance:
    """Probabilities at one true offset, which is `share` of the margin in every section.

    sections : each over all its pairs. pairs : each over all deciding sections.
    stopped : (looks,) probability that the overall verdict falls at each look.
    """

    share: float
    sections: tuple[VerdictProbability, ...]
    pairs: tuple[VerdictProbability, ...]
    overall: VerdictProbability
    stopped: tuple[float, ...]


def draws_within(seconds: float, block: Block, sections: int) -> int:
    """The number of draws that such a study allows in about this time: counted in work, not by the clock, so that
    the same plan gives the same numbers on every machine."""
    return int(np.clip(seconds * _WORK / (len(block.count) * sections), _FEWEST, _MOST))


def joint_chances(
    plan: JointPlan, shares: Sequence[float], *, draws: int, seed: int, uncertain: bool = False
) -> tuple[JointChance, ...]:
    """Simulate the plan and judge it at each true offset.

    Parameters
    ----------
    shares : true offsets as shares of the upper margin; below zero of the lower one.
    uncertain : draw the components of every simulated study from what is believed, instead of the point estimate.
    """
    blocks = simulated_sections(plan, draws=draws, seed=seed, uncertain=uncertain)
    fitted = fitted_looks(plan, blocks)
    return tuple(_chance(plan, fitted, share, draws) for share in shares)


def simulated_sections(plan: JointPlan, *, draws: int, seed: int, uncertain: bool) -> tuple[Block, ...]:
    """The plan's results at no true offset, one Block of (draws,) groups for each section."""
    rng = np.random.default_rng([seed, plan.block.rows, int(uncertain)])
    variances = np.stack([section_variances(section, draws, uncertain) for section in plan.sections], axis=1)
    means = np.stack([np.full(len(plan.block.count), section.level) for section in plan.sections])
    # At no difference: a ratio of one and a difference of zero are the same data.
    return simulate_sections(plan.block, plan.layout, variances, means, plan.correlation, draws, rng)


Views = Sequence[Sequence[Sequence[MovedPair]]]
"""By section, pair and view."""


def fitted_looks(plan: JointPlan, blocks: Sequence[Block]) -> list[Views]:
    """The views of every section at each look."""
    return [
        [
            [tuple(MovedPair(pair=view) for view in views) for views in plan.pairs(block.keep(look.cells))]
            for block in blocks
        ]
        for look in plan.looks
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewPrecision:
    """What a view of a pair typically has: its standard error over that of the pooled view, and degrees of freedom."""

    pair: int
    factor: float
    df: float


def view_precisions(plan: JointPlan, section: int, *, draws: int, seed: int) -> tuple[ViewPrecision, ...]:
    """Every view of every pair in one section, from a few simulated studies."""
    rng = np.random.default_rng([seed, plan.block.rows])
    own = plan.sections[section]
    block = simulate_block(plan.block, plan.layout, own.variances, own.level, draws, rng)
    one = np.ones(draws)
    found = []
    for number, views in enumerate(plan.pairs(block)):
        known = [view.precision(one) for view in views]
        root = [float(np.sqrt(np.mean(se**2))) for se, _ in known]
        found += [
            ViewPrecision(pair=number, factor=se / root[0], df=float(np.median(df)))
            for se, (_, df) in zip(root, known, strict=True)
        ]
    return tuple(found)


def section_variances(section: PlannedSection, draws: int, uncertain: bool) -> FloatArray:
    """(draws, components) the variances of every simulated study."""
    if uncertain and section.drawn is not None:
        return np.resize(section.drawn, (draws, section.drawn.shape[1]))
    return np.broadcast_to(section.variances, (draws, len(section.variances)))


def _chance(plan: JointPlan, fitted: Sequence[Views], share: float, draws: int) -> JointChance:
    shape = (len(plan.sections), len(plan.away), draws)
    equivalent, different = (np.zeros(shape, np.bool_) for _ in range(2))
    all_equivalent, any_different = (np.zeros(draws, np.bool_) for _ in range(2))
    deciding = [i for i, section in enumerate(plan.sections) if section.decides]
    stopped = []
    for look, views in zip(plan.looks, fitted, strict=True):
        going = ~(all_equivalent | any_different)
        found = decisions_at(plan, look, views, share)
        for i, group in enumerate(found):
            for j, decision in enumerate(group):
                equivalent[i, j] = np.where(going, decision.equivalent, equivalent[i, j])
                different[i, j] = np.where(going, decision.different, different[i, j])
        one_different = different[deciding].any(axis=(0, 1))
        none_open = equivalent[deciding].all(axis=(0, 1))
        any_different |= going & one_different
        all_equivalent |= going & none_open & ~one_different
        stopped.append(float((going & (none_open | one_different)).mean()))
    deciders = np.array([section.decides for section in plan.sections])[:, None, None]
    # A section that informs takes nothing from a pair and adds nothing to it.
    all_of_pair = np.asarray((equivalent | ~deciders).all(axis=0))
    any_of_pair = np.asarray((different & deciders).any(axis=0))
    return JointChance(
        share=share,
        sections=_shares_of(np.asarray(equivalent.all(axis=1)), np.asarray(different.any(axis=1))),
        pairs=_shares_of(all_of_pair, any_of_pair),
        overall=_share_of(all_equivalent, any_different),
        stopped=tuple(stopped),
    )


def _shares_of(equivalent: BoolArray, different: BoolArray) -> tuple[VerdictProbability, ...]:
    """(claims, draws) each claim's share of the draws."""
    return tuple(_share_of(e, d) for e, d in zip(equivalent, different, strict=True))


def _share_of(equivalent: BoolArray, different: BoolArray) -> VerdictProbability:
    return VerdictProbability(
        equivalent=float(equivalent.mean()), different=float(different.mean()), draws=len(equivalent)
    )


def decisions_at(plan: JointPlan, look: PlannedLook, views: Views, share: float) -> list[list[Decisions]]:
    """Decisions by section and pair."""
    evidence, df = [], []
    for section, pairs in zip(plan.sections, views, strict=True):
        offset = _offset(section, share)
        moved = [
            [view.moved(a * offset, b * offset) for view in own]
            for own, (a, b) in zip(pairs, plan.away, strict=True)
        ]
        evidence.append([evidence_of(own, section.bounds) for own in moved])
        one = np.ones_like(moved[0][0].mean_a)
        df.append(np.min([own[0].precision(one)[1] for own in moved], axis=0))
    rates = _section_rates(plan, evidence, df, look.difference)
    found = []
    for own, rate, freedom in zip(evidence, rates, df, strict=True):
        alpha = plan.rule.pair_rate(rate, freedom)
        found.append([_decided(plan, one, look, alpha) for one in own])
    return found


def _decided(plan: JointPlan, evidence: Evidence, look: PlannedLook, alpha: FloatArray) -> Decisions:
    found = decide(evidence, confidence=1 - look.equivalence, alpha=alpha)
    return replace(found, different=found.different & found.beyond) if plan.beyond_only else found


def _offset(section: PlannedSection, share: float) -> float:
    """What a moved level's mean gains at this share of the margin."""
    bound = section.bounds.high if share >= 0 else section.bounds.low
    away = abs(share) * (bound - section.bounds.none)
    return away * section.level if section.bounds.of_ratio else away


def _section_rates(
    plan: JointPlan, evidence: Sequence[Sequence[Evidence]], df: Sequence[FloatArray], alpha: float
) -> FloatArray:
    """(sections, draws) error rates: Holm's steps over the deciding sections, and over the informing ones."""
    p = np.stack(
        [
            plan.rule.section_p(np.min([one.p_difference for one in own], axis=0), freedom)
            for own, freedom in zip(evidence, df, strict=True)
        ]
    )
    rates = np.empty_like(p)
    for decides in (True, False):
        family = [i for i, section in enumerate(plan.sections) if section.decides is decides]
        if family:
            rates[family] = holm_rates(p[family], alpha)
    return rates
