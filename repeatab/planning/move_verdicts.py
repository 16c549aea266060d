"""Move verdicts: what a planned requalification would say of level and repeatability together.

In: a plan of the level question, which cells are the moved rig's before and after, the limit of the ratio of standard
deviations, and the burden of each question.  Out: probabilities of return to service, hold and neither, at a true shift
and a true ratio, per section and overall, at each declared look.
Level by the functions that judge a study; the ratio by the F distribution that the study uses for sets that run once
(within visits where each has several sets), with Holm's steps over the sections.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from repeatab.cells import FloatArray, IntArray
from repeatab.judgement.comparison import BoolArray
from repeatab.layout.blocks import Block
from repeatab.planning.family_rule import holm_rates
from repeatab.planning.joint_verdicts import (
    JointPlan,
    PlannedLook,
    Views,
    decisions_at,
    fitted_looks,
    section_variances,
    simulated_sections,
)
from repeatab.planning.verdict_probability import VerdictProbability
from repeatab.simulate import correlation_root


@dataclass(frozen=True, kw_only=True)
class MovePlan:
    """A requalification of one rig on fresh sets that run once.

    level : the shift, pair by pair of looks; its last component is the scatter of the sets.
    before, after : (cells,) the moved rig's. group : (cells,) what a set's scatter is taken within (visit, or phase).
    limit : largest ratio of standard deviations that would do.
    level_shown, ratio_shown : whether a question has to be shown to be well; else not to be contradicted.
    """

    level: JointPlan
    before: BoolArray
    after: BoolArray
    group: IntArray
    limit: float
    level_shown: bool
    ratio_shown: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is true: the shift as a share of the margin, and the ratio of standard deviations, at least 1."""

    share: float
    ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionChance:
    """One section: the level equivalent or different, the ratio shown to be kept or beyond its limit."""

    equivalent: float
    different: float
    kept: float
    beyond: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveChance:
    """Probabilities in one case.

    level, kept : that the level, and the ratio, is shown to be well in all deciding sections.
    overall : `equivalent` stands for return to service, `different` for hold.
    stopped : (looks,) that the study ends at each look.
    """

    case: Case
    sections: tuple[SectionChance, ...]
    level: float
    kept: float
    overall: VerdictProbability
    stopped: tuple[float, ...]


def move_chances(
    plan: MovePlan, cases: Sequence[Case], *, draws: int, seed: int, uncertain: bool = False
) -> tuple[MoveChance, ...]:
    """Simulate the plan and judge it in each case; cases of one ratio share the simulated studies."""
    found: dict[Case, MoveChance] = {}
    for ratio in dict.fromkeys(case.ratio for case in cases):
        blocks = simulated_sections(plan.level, draws=draws, seed=seed, uncertain=uncertain)
        if ratio > 1:
            blocks = _scattering_more(plan, blocks, ratio, seed, uncertain)
        views = fitted_looks(plan.level, blocks)
        for case in cases:
            if case.ratio == ratio:
                found[case] = _chance(plan, blocks, views, case)
    return tuple(found[case] for case in cases)


def _scattering_more(
    plan: MovePlan, blocks: Sequence[Block], ratio: float, seed: int, uncertain: bool
) -> tuple[Block, ...]:
    """The same studies, the moved rig's sets after the move scattering `ratio` times as much."""
    draws = len(blocks[0].groups)
    rng = np.random.default_rng([seed, 1])
    root = correlation_root(plan.level.correlation)
    more = root @ rng.standard_normal((draws, len(blocks), int(plan.after.sum())))
    found = []
    for i, (section, block) in enumerate(zip(plan.level.sections, blocks, strict=True)):
        variance = section_variances(section, draws, uncertain)[:, -1]
        mean = block.mean.copy()
        mean[:, plan.after, 0] += more[:, i] * np.sqrt((ratio**2 - 1) * variance)[:, None]
        found.append(replace(block, mean=mean))
    return tuple(found)


def _chance(plan: MovePlan, blocks: Sequence[Block], looks: Sequence[Views], case: Case) -> MoveChance:
    draws, deciders = len(blocks[0].groups), np.array([section.decides for section in plan.level.sections])
    going = np.ones(draws, np.bool_)
    returned, held = np.zeros(draws, np.bool_), np.zeros(draws, np.bool_)
    states = np.zeros((4, len(blocks), draws), np.bool_)
    stopped = []
    for look, views in zip(plan.level.looks, looks, strict=True):
        level = [own[0] for own in decisions_at(plan.level, look, views, case.share)]
        equivalent, different = (
            np.stack([getattr(d, key) for d in level]) for key in ("equivalent", "different")
        )
        wrong = np.stack([d.different & d.beyond for d in level])
        kept, beyond, worse = _ratio_at(plan, look, blocks)
        hold = (wrong | beyond)[deciders].any(axis=0)
        level_well = equivalent if plan.level_shown else ~different
        ratio_well = kept if plan.ratio_shown else ~(beyond | worse)
        back = (level_well & ratio_well)[deciders].all(axis=0) & ~hold
        states = np.where(going, np.stack([equivalent, different, kept, beyond]), states)
        stopped.append(float((going & (hold | back)).mean()))
        held |= going & hold
        returned |= going & back
        going &= ~(hold | back)
    shares = states.mean(axis=2)
    return MoveChance(
        case=case,
        sections=tuple(
            SectionChance(equivalent=float(e), different=float(d), kept=float(k), beyond=float(b))
            for e, d, k, b in shares.T
        ),
        level=float(states[0][deciders].all(axis=0).mean()),
        kept=float(states[2][deciders].all(axis=0).mean()),
        overall=VerdictProbability(equivalent=float(returned.mean()), different=float(held.mean()), draws=draws),
        stopped=tuple(stopped),
    )  # fmt: skip


def _ratio_at(
    plan: MovePlan, look: PlannedLook, blocks: Sequence[Block]
) -> tuple[BoolArray, BoolArray, BoolArray]:
    """(sections, draws) the ratio shown to be kept, beyond its limit, worse than before by an open amount."""
    squared, df = [], (0, 0)
    for block in blocks:
        (after, df_after), (before, df_before) = (
            _sum_of_squares(block, side & look.cells, plan.group) for side in (plan.after, plan.before)
        )
        df = (df_after, df_before)
        squared.append((after / df_after) / (before / df_before))
    ratio = np.stack(squared)
    upper = ratio / special.fdtri(*df, look.equivalence)
    # Two-sided where the ratio lies above one; a claim that it has worsened.
    p = np.minimum(2 * special.fdtrc(*df, ratio), 1.0)
    alpha = np.empty_like(p)
    for decides in (True, False):
        family = [i for i, section in enumerate(plan.level.sections) if section.decides is decides]
        if family:
            alpha[family] = holm_rates(p[family], look.difference)
    lower = ratio / special.fdtri(*df, 1 - alpha / 2)
    beyond = lower > plan.limit**2
    kept = (upper <= plan.limit**2) & ~beyond
    return kept, beyond, (lower > 1) & ~kept & ~beyond


def _sum_of_squares(block: Block, cells: BoolArray, group: IntArray) -> tuple[FloatArray, int]:
    """(draws,) of set results about the mean of their group, and degrees of freedom."""
    own, value = group[cells], block.mean[:, cells, 0]
    member = np.equal(np.unique(own)[:, None], own[None, :]).astype(np.float64)
    size = member.sum(axis=1)
    left = value - ((value @ member.T) / size) @ member
    return np.asarray((left**2).sum(axis=1), np.float64), int(cells.sum() - len(size))
