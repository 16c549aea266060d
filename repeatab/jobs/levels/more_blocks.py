"""How many further rigs would bring a verdict where rigs count as a sample.

In: a claim that is undecided, with blocks that are random.  Out: the number of further blocks, or that none in reach
suffices. Where levels rank differently from rig to rig, further sets on the same rigs narrow an interval only so far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from repeatab.jobs.levels.comparison import Claim
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.levels.planning import arrangement, planned_layout, typical_runs, variances_of
from repeatab.planning.verdict_probability import (
    Arrangement,
    Belief,
    PlannedComparison,
    smallest_number,
    verdict_probability,
)

# More rigs than this no laboratory sets aside for one comparison; common practice, no source.
_REACH = 12
_DRAWS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreBlocks:
    """Further blocks for the wanted probability of a verdict, each with `sets` sets of either level; None where no
    number up to `reach` in all suffices."""

    block: str
    present: int
    sets: int
    further: int | None
    reach: int


def more_blocks(
    claim: Claim, how: ComparisonLayout, *, confidence: float, target: float, seed: int
) -> MoreBlocks | None:
    """The number of blocks for a verdict at no difference and at the observed one, at the estimated scatter.

    None where no block is taken as a sample.
    """
    assert claim.bounds is not None
    sampled = [name for name in how.blocks if (name,) in [term.factors for term in how.model.random]]
    if len(sampled) != 1:
        return None
    name = sampled[0]
    here = how.table[how.table[how.factor].isin([claim.pair.a, claim.pair.b])]
    present = int(here[name].nunique())
    sets = int(max(2, here.groupby([how.factor, name])["pad_set"].nunique().median()))
    planned = planned_layout(how, claim.pair)
    pair = replace(planned.pairs[0], sets_a=1, sets_b=1)
    planned = replace(planned, pairs=(pair,))
    runs = typical_runs(how)

    def arrange(blocks: int) -> Arrangement:
        return arrangement(
            planned, sets * blocks, runs, labels={name: [f"{name} {i}" for i in range(blocks)]}
        )

    estimated, _ = variances_of(claim, arrange(max(present, 3)).layout)
    plan = PlannedComparison(
        arrange=arrange,
        pairs=lambda block: LevelFit(block=block, how=planned).views(pair),
        bounds=claim.bounds,
        confidence=confidence,
        alpha=claim.alpha,
    )
    beliefs = [
        Belief(reference_mean=claim.mean_b, effect=effect, variances=estimated)
        for effect in (claim.bounds.none, claim.estimate)
    ]

    def probability(blocks: int) -> float:
        rng = np.random.default_rng([seed, blocks])
        return min(verdict_probability(plan, blocks, b, draws=_DRAWS, rng=rng).decided for b in beliefs)

    found = smallest_number(probability, at_least=present + 1, at_most=_REACH, target=target)
    further = None if found is None else found - present
    return MoreBlocks(block=name, present=present, sets=sets, further=further, reach=_REACH)
