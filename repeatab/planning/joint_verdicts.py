"""Joint verdicts: what a planned comparison would say, section by section and overall, against the true offset.

In: one design, its sections with their margins and believed scatter, how the sections go together, declared looks.
Out: probabilities of the verdicts with their Monte Carlo error, at the point estimate of the components and averaged
over their uncertainty.
The data are simulated in all sections at once, fitted and judged by the functions that judge a study. A true offset
adds a constant to one arm, which moves its mean and leaves every residual as it is: one fit serves all offsets.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from repeatab.base.interval import IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair
from repeatab.judgement.comparison import BoolArray, Bounds, Decisions, Evidence, decide, evidence_of
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.planning.verdict_probability import VerdictProbability
from repeatab.simulate import simulate_sections

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
    """A comparison of two arms in several sections.

    first : (cells,) whether a cell is of the first arm; correlation : (sections, sections).
    pairs : the study's own estimators. looks : in their order; one look at everything if the study is judged once.
    beyond_only : whether a difference settles the matter only where all of it lies beyond the margin.
    """

    block: Block
    layout: Layout
    first: BoolArray
    sections: tuple[PlannedSection, ...]
    correlation: FloatArray
    pairs: Callable[[Block], Sequence[Pair]]
    looks: tuple[PlannedLook, ...]
    beyond_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JointChance:
    """Probabilities at one true offset, which is `share` of the margin in every section.

    stopped : (looks,) probability that the overall verdict falls at each look.
    """

    share: float
    sections: tuple[VerdictProbability, ...]
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
    rng = np.random.default_rng([seed, plan.block.rows, int(uncertain)])
    variances = np.stack([_variances(section, draws, uncertain) for section in plan.sections], axis=1)
    means = np.stack([np.full(len(plan.first), section.level) for section in plan.sections])
    # At no difference: a ratio of one and a difference of zero are the same data.
    blocks = simulate_sections(plan.block, plan.layout, variances, means, plan.correlation, draws, rng)
    fitted = [
        [[_Remembered(pair=pair) for pair in plan.pairs(_kept(block, look.cells))] for block in blocks]
        for look in plan.looks
    ]
    return tuple(_chance(plan, fitted, share, draws) for share in shares)


def _variances(section: PlannedSection, draws: int, uncertain: bool) -> FloatArray:
    if uncertain and section.drawn is not None:
        return np.resize(section.drawn, (draws, section.drawn.shape[1]))
    return np.broadcast_to(section.variances, (draws, len(section.variances)))


def _kept(block: Block, cells: BoolArray) -> Block:
    if cells.all():
        return block
    return replace(
        block, codes=block.codes[cells], count=block.count[cells],
        mean=block.mean[:, cells], cross=block.cross[:, cells],
    )  # fmt: skip


def _chance(
    plan: JointPlan, fitted: Sequence[Sequence[Sequence[_Remembered]]], share: float, draws: int
) -> JointChance:
    sections = len(plan.sections)
    equivalent, different = (np.zeros((sections, draws), np.bool_) for _ in range(2))
    all_equivalent, any_different = (np.zeros(draws, np.bool_) for _ in range(2))
    stopped = []
    for look, views in zip(plan.looks, fitted, strict=True):
        going = ~(all_equivalent | any_different)
        found = _at_look(plan, look, views, share)
        deciding = [i for i, section in enumerate(plan.sections) if section.decides]
        none_open = np.logical_and.reduce([found[i].equivalent for i in deciding])
        one_different = np.logical_or.reduce([found[i].different for i in deciding])
        for i, decision in enumerate(found):
            equivalent[i] = np.where(going, decision.equivalent, equivalent[i])
            different[i] = np.where(going, decision.different, different[i])
        any_different |= going & one_different
        all_equivalent |= going & none_open & ~one_different
        stopped.append(float((going & (none_open | one_different)).mean()))
    return JointChance(
        share=share,
        sections=tuple(_share_of(equivalent[i], different[i]) for i in range(sections)),
        overall=_share_of(all_equivalent, any_different),
        stopped=tuple(stopped),
    )


def _share_of(equivalent: BoolArray, different: BoolArray) -> VerdictProbability:
    return VerdictProbability(
        equivalent=float(equivalent.mean()), different=float(different.mean()), draws=len(equivalent)
    )


def _at_look(
    plan: JointPlan, look: PlannedLook, views: Sequence[Sequence[_Remembered]], share: float
) -> list[Decisions]:
    evidence = [
        evidence_of([pair.moved(_offset(section, share)) for pair in pairs], section.bounds)
        for section, pairs in zip(plan.sections, views, strict=True)
    ]
    rates = _holm(plan, evidence, look.difference)
    found = [
        decide(one, confidence=1 - look.equivalence, alpha=rate)
        for one, rate in zip(evidence, rates, strict=True)
    ]
    if plan.beyond_only:
        return [replace(one, different=one.different & one.beyond) for one in found]
    return found


def _offset(section: PlannedSection, share: float) -> float:
    """What the first arm's mean gains at this share of the margin."""
    bound = section.bounds.high if share >= 0 else section.bounds.low
    away = abs(share) * (bound - section.bounds.none)
    return away * section.level if section.bounds.of_ratio else away


def _holm(plan: JointPlan, evidence: Sequence[Evidence], alpha: float) -> FloatArray:
    """(sections, draws) error rates: Holm's steps over the deciding sections, and over the informing ones."""
    rates = np.empty((len(evidence), len(evidence[0].p_difference)))
    for decides in (True, False):
        family = [i for i, section in enumerate(plan.sections) if section.decides is decides]
        if family:
            rates[family] = holm_rates(np.stack([evidence[i].p_difference for i in family]), alpha)
    return rates


def holm_rates(p: FloatArray, alpha: float) -> FloatArray:
    """`holm_levels` for many studies at once: (claims, draws) probabilities to error rates."""
    order = np.argsort(p, axis=0, kind="stable")
    steps = alpha / (len(p) - np.arange(len(p)))[:, None]
    failed = np.take_along_axis(p, order, axis=0) >= steps
    # The step of the first that fails; all later ones keep its rate.
    first = np.where(failed.any(axis=0), failed.argmax(axis=0), len(p) - 1)
    rank = np.argsort(order, axis=0, kind="stable")
    return np.asarray(steps[np.minimum(rank, first), 0])


@dataclass(frozen=True, kw_only=True)
class _Remembered:
    """A pair that works out its precision at each ratio once, and can be moved by a true offset."""

    pair: Pair
    offset: float = 0.0
    known: dict[float, tuple[FloatArray, FloatArray]] = field(default_factory=dict)

    @property
    def mean_a(self) -> FloatArray:
        return self.pair.mean_a + self.offset

    @property
    def mean_b(self) -> FloatArray:
        return self.pair.mean_b

    @property
    def method(self) -> IntervalMethod:
        return self.pair.method

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        if np.ptp(ratio) > 0:
            return self.pair.precision(ratio)
        key = float(ratio[0])
        if key not in self.known:
            self.known[key] = self.pair.precision(ratio)
        return self.known[key]

    def moved(self, offset: float) -> _Remembered:
        return replace(self, offset=offset)
