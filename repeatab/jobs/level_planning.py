"""What to run next for a pair of levels: the study's own design, enlarged, simulated and judged.

In: a claim that is undecided.  Out: planning's answer for it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from repeatab.jobs.comparison_layout import POSITION, ComparisonLayout, LevelPair, SetUse
from repeatab.jobs.level_comparison import Claim
from repeatab.jobs.level_pairs import LevelFit
from repeatab.jobs.questions import RunCost
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import model_of
from repeatab.planning.next_runs import Beliefs, MoreRuns, what_to_run_next
from repeatab.planning.verdict_probability import Arrangement, Belief, PlannedComparison
from repeatab.simulate import planned_block

# More labels than any plan looks at.
_MOST_SETS = 1000


def more_runs(
    claim: Claim, how: ComparisonLayout, *, confidence: float, cost: RunCost, seed: int
) -> MoreRuns:
    """The numbers of sets that would bring a verdict on this claim."""
    assert claim.bounds is not None
    planned = _planned(how, claim.pair)
    pair = planned.pairs[0]
    runs = _typical_runs(how)

    def arrange(sets: int) -> Arrangement:
        return _arrangement(planned, sets, runs)

    # Enough sets for the design to show which sources it can tell aclaim.
    estimated, upper = _variances(claim, arrange(6).layout)
    effects = (claim.bounds.none, claim.estimate)
    beliefs = [
        Belief(reference_mean=claim.mean_b, effect=effect, variances=variances)
        for variances in (estimated, upper)
        for effect in effects
    ]
    plan = PlannedComparison(
        arrange=arrange,
        pairs=lambda block: LevelFit(block=block, how=planned).views(pair),
        bounds=claim.bounds,
        confidence=confidence,
        alpha=claim.alpha,
    )
    arms = 1 if claim.pair.use is SetUse.SAME else 2
    return what_to_run_next(
        plan,
        Beliefs(none=beliefs[0], observed=beliefs[1], none_wide=beliefs[2], observed_wide=beliefs[3]),
        present=min(claim.pair.sets_a, claim.pair.sets_b),
        further_at_most=None if cost.sets_at_hand is None else cost.sets_at_hand // arms,
        target=cost.target,
        seed=seed,
    )


def _planned(how: ComparisonLayout, pair: LevelPair) -> ComparisonLayout:
    """The same question on fresh sets of one lot, without covariates; sets at both levels in both orders."""
    same = pair.use is not SetUse.SPLIT
    model = (
        model_of(random=["pad_set", (how.factor, "pad_set")], fixed=[how.factor, POSITION])
        if same
        else model_of(random=["pad_set"], fixed=[how.factor])
    )
    order = {f"set {i}": i % 2 == 0 for i in range(_MOST_SETS)}
    use = SetUse.SAME if same else SetUse.SPLIT
    return replace(
        how, model=model, pairs=(replace(pair, use=use, a_first=order, confounded=()),), set_aside=()
    )


def _typical_runs(how: ComparisonLayout) -> int:
    """Runs of a set at one level: the commonest number."""
    counts = how.table.groupby(["section", how.factor, "pad_set"]).size()
    return int(counts.mode().iloc[0])


def _arrangement(how: ComparisonLayout, sets: int, runs: int) -> Arrangement:
    pair = how.pairs[0]
    same = pair.use is SetUse.SAME
    levels, labels, positions = [], [], []
    for side, level in enumerate((pair.a, pair.b)):
        for i in range(sets):
            label = f"set {i}" if same else f"{side} set {i}"
            first = pair.a_first[f"set {i}"] == (side == 0)
            levels += [level] * runs
            labels += [label] * runs
            positions += [1 if first else 2] * runs
    factors = {how.factor: levels, "pad_set": labels, **({POSITION: positions} if same else {})}
    block = planned_block(factors)
    at_a = [block.levels_of(how.factor)[code] == pair.a for code in block.code_of(how.factor)]
    return Arrangement(block=block, layout=layout_of(block, how.model), first=np.array(at_a, float))


def _variances(claim: Claim, planned: Layout) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Components as the planned design has them: its own sources, or their sum where it cannot tell them."""
    fit = claim.pooled.fit
    own = np.maximum(fit.variances[0], 0.0)
    upper = fit.limits[1][0]
    if len(planned.estimated) + 1 == len(own):
        return tuple(own), tuple(upper)
    return _summed(own, planned), _summed(upper, planned)


def _summed(variances: np.ndarray, planned: Layout) -> tuple[float, ...]:
    return (*[0.0] * len(planned.estimated), float(variances.sum()))
