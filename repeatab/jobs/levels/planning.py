"""What to run next for a pair of levels: the study's own design, enlarged, simulated and judged.

In: a claim that is undecided.  Out: planning's answer for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from repeatab.cells import FloatArray
from repeatab.jobs.levels.comparison import Claim
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair, SetUse
from repeatab.jobs.levels.pairs import LevelFit
from repeatab.jobs.levels.run_order import POSITION
from repeatab.jobs.questions import RunCost
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import REPEATABILITY, TermName, model_of
from repeatab.planning.next_runs import Beliefs, MoreRuns, further_within, what_to_run_next
from repeatab.planning.verdict_probability import Arrangement, Belief, PlannedComparison
from repeatab.simulate import planned_block

# More labels than any plan looks at.
_MOST_SETS = 1000
# Without a random term a fit is a formula; with one it is a search, and the answer should not take half a minute.
# The Monte Carlo error stands beside the table.
_DRAWS, _SEARCHED_DRAWS = 2000, 500


def more_runs(
    claim: Claim, how: ComparisonLayout, *, confidence: float, cost: RunCost, seed: int
) -> MoreRuns:
    """The numbers of sets that would bring a verdict on this claim."""
    assert claim.bounds is not None
    planned = planned_layout(how, claim.pair)
    pair = planned.pairs[0]
    runs = typical_runs(how)

    def arrange(sets: int) -> Arrangement:
        return arrangement(planned, sets, runs)

    # Enough sets for the design to show which sources it can tell apart.
    layout = arrange(6).layout
    estimated, upper = variances_of(claim, layout)
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
    pair_now = claim.pair
    split = pair_now.use is SetUse.SPLIT
    lead = abs(pair_now.sets_a - pair_now.sets_b) if split else 0
    arms = 1 if pair_now.use is SetUse.SAME else 2
    return what_to_run_next(
        plan,
        Beliefs(none=beliefs[0], observed=beliefs[1], none_wide=beliefs[2], observed_wide=beliefs[3]),
        present=min(claim.pair.sets_a, claim.pair.sets_b),
        lead=lead,
        further_at_most=further_within(cost.sets_at_hand, arms=arms, lead=lead),
        target=cost.target,
        seed=seed,
        draws=_SEARCHED_DRAWS if layout.estimated else _DRAWS,
    )


def planned_layout(how: ComparisonLayout, pair: LevelPair) -> ComparisonLayout:
    """The same question on fresh sets of one lot, without covariates; sets at both levels in both orders, sets of
    one level dealt out to the blocks in turn."""
    same = pair.use is not SetUse.SPLIT
    factor, random = how.factor, [term.factors for term in how.model.random]
    sampled = [] if same else [block for block in how.blocks if (block,) in random]
    blocks = [] if same else list(how.blocks)
    sets: list[TermName] = ["pad_set", (factor, "pad_set")] if same else ["pad_set"]
    fixed = [factor, *([POSITION] if same else [])]
    terms: list[TermName] = [term for block in sampled for term in (block, (block, factor))]
    order = {f"set {i}": i % 2 == 0 for i in range(_MOST_SETS)}
    use = SetUse.SAME if same else SetUse.SPLIT
    return replace(
        how,
        model=model_of(
            random=[*terms, *sets], fixed=[*fixed, *(block for block in blocks if block not in sampled)]
        ),
        alone=model_of(random=sets, fixed=[*fixed, *blocks]),
        pairs=(replace(pair, use=use, a_first=order, confounded=()),),
        set_aside=(),
        blocks=tuple(blocks),
    )


def typical_runs(how: ComparisonLayout) -> int:
    """Runs of a set at one level: the commonest number."""
    counts = how.table.groupby(["section", how.factor, "pad_set"]).size()
    return int(counts.mode().iloc[0])


def arrangement(
    how: ComparisonLayout, sets: int, runs: int, *, labels: Mapping[str, Sequence[object]] | None = None
) -> Arrangement:
    """The planned design with so many sets of the level that has fewer, and as many of the other, or those it has.

    labels : block -> its planned levels; those on which both levels have run where not given.
    """
    pair = how.pairs[0]
    same = pair.use is SetUse.SAME
    places = {block: (labels or {}).get(block) or _shared_labels(how, pair, block) for block in how.blocks}
    factors: dict[str, list[object]] = {name: [] for name in (how.factor, "pad_set", *places)}
    if same:
        factors[POSITION] = []
    for side, (level, present) in enumerate(((pair.a, pair.sets_a), (pair.b, pair.sets_b))):
        for i in range(sets if same else max(sets, present)):
            first = pair.a_first[f"set {i}"] == (side == 0)
            row = {how.factor: level, "pad_set": f"set {i}" if same else f"{side} set {i}"}
            row |= {block: known[i % len(known)] for block, known in places.items()}
            row |= {POSITION: 1 if first else 2} if same else {}
            for name, label in row.items():
                factors[name] += [label] * runs
    block = planned_block(factors)
    at_a = [block.levels_of(how.factor)[code] == pair.a for code in block.code_of(how.factor)]
    return Arrangement(block=block, layout=layout_of(block, how.model), first=np.array(at_a, float))


def _shared_labels(how: ComparisonLayout, pair: LevelPair, block: str) -> list[object]:
    """The levels of a block on which both compared levels have run."""
    table = how.table
    found = [dict.fromkeys(table.loc[table[how.factor] == level, block]) for level in (pair.a, pair.b)]
    return [label for label in found[0] if label in found[1]]


def variances_of(claim: Claim, planned: Layout) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Components as the planned design has them: its own sources by name; what it cannot tell joins the last."""
    fit = claim.pooled.fit
    own = [fit.layout.sources[i] for i in fit.layout.estimated]
    wanted = [planned.sources[i] for i in planned.estimated]

    def arranged(values: FloatArray) -> tuple[float, ...]:
        named = dict(zip([*own, REPEATABILITY], values, strict=True))
        kept = [float(named.pop(name, 0.0)) for name in wanted]
        return (*kept, float(sum(named.values())))

    return arranged(np.maximum(fit.variances[0], 0.0)), arranged(fit.limits[1][0])
