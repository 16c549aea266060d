"""What to run next after a move: fresh sets on the moved rig and its controls, in further visits.

In: an undecided shift and its design.  Out: planning's answer for it. What ran before the move stays as it is: the
rig cannot be moved back, so only the phase after it can grow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from repeatab.jobs.levels.comparison import Claim
from repeatab.jobs.levels.layout import LevelPair, SetUse
from repeatab.jobs.questions import Analysis, RunCost
from repeatab.jobs.requalifying.design import (
    DRIFT,
    MOVED_AFTER,
    NO,
    PAD_SET,
    PHASE,
    RIG,
    VISIT,
    YES,
    MoveDesign,
)
from repeatab.jobs.requalifying.question import RequalSection
from repeatab.jobs.requalifying.views import MoveFit, drift_shows
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.separability import Separability
from repeatab.layout.terms import model_of
from repeatab.planning.next_runs import Beliefs, MoreRuns, what_to_run_next
from repeatab.planning.verdict_probability import Arrangement, Belief, PlannedComparison
from repeatab.simulate import planned_block

# A probability good to two points is enough to choose a number of sets; every draw is a fit of the whole history.
_DRAWS = 400
SIMULATED = model_of(random=[VISIT, DRIFT], fixed=[])


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is taken as true of the scatter: variances of the common visit, of drift, of a fresh set's result."""

    visit: float
    drift: float
    sets: float


def more_sets(
    claim: Claim,
    design: MoveDesign,
    section: RequalSection,
    *,
    confidence: float,
    analysis: Analysis,
    cost: RunCost,
    seed: int,
) -> MoreRuns:
    """The numbers of sets per rig after the move that would bring a verdict on this shift."""
    assert claim.bounds is not None
    planned = on_fresh_sets(design)
    pair = planned.how.pairs[0]
    own = design.table[design.table["section"] == section.name]
    estimated, upper = _truths(claim, section, analysis)
    beliefs = [
        Belief(reference_mean=claim.mean_b, effect=effect, variances=(t.visit, t.drift, t.sets))
        for t in (estimated, upper)
        for effect in (claim.bounds.none, claim.estimate)
    ]
    plan = PlannedComparison(
        arrange=lambda sets: _arrangement(planned, own, sets),
        pairs=lambda block: MoveFit(
            block=block, design=planned, stated=section.drift, logarithmic=analysis is Analysis.RATIO
        ).views(pair),
        bounds=claim.bounds,
        confidence=confidence,
        alpha=claim.alpha,
        # A shift that shows but may lie inside the margin neither holds the rig nor returns it.
        beyond_only=True,
    )
    rigs = 1 + len(design.controls)
    return what_to_run_next(
        plan,
        Beliefs(none=beliefs[0], observed=beliefs[1], none_wide=beliefs[2], observed_wide=beliefs[3]),
        present=int(own[(own[RIG] == design.moved) & (own[PHASE] == design.after)][PAD_SET].nunique()),
        further_at_most=None if cost.sets_at_hand is None else cost.sets_at_hand // rigs,
        target=cost.target,
        seed=seed,
        draws=_DRAWS,
    )


def on_fresh_sets(design: MoveDesign) -> MoveDesign:
    """The same question where every set runs once: worn sets are not planned for."""
    terms = [t.factors for t in design.how.model.random]
    random = [term for term in terms if term != (PAD_SET,) and PAD_SET not in term]
    fixed = [t.factors for t in design.how.model.fixed if t.factors in ((RIG,), (PHASE,), (MOVED_AFTER,))]
    model = model_of(random=[*random, PAD_SET], fixed=fixed)
    pair: LevelPair = replace(design.how.pairs[0], use=SetUse.SPLIT, confounded=())
    # Without two phases for any one set, every rig counts as one that ran fresh sets.
    table = design.table.assign(
        pad_set=[f"{p} {s}" for p, s in zip(design.table[PHASE], design.table[PAD_SET], strict=True)]
    )
    return replace(design, how=replace(design.how, model=model, pairs=(pair,), table=table))


def _arrangement(design: MoveDesign, own: Any, sets: int) -> Arrangement:
    """The runs before as they were, and `sets` fresh sets per rig after, in visits as large as those so far."""
    labels: dict[str, list[str]] = {RIG: [], PHASE: [], VISIT: [], PAD_SET: []}

    def add(rig: Any, phase: Any, visit: Any, number: int) -> None:
        for name, value in ((RIG, rig), (PHASE, phase), (VISIT, visit)):
            labels[name].append(value)
        labels[PAD_SET].append(f"{rig} {visit} {number}")

    before = own[own[PHASE] == design.before].groupby([RIG, VISIT], sort=False)[PAD_SET].nunique()
    for (rig, visit), count in before.items():
        for number in range(int(count)):
            add(rig, design.before, visit, number)
    per_visit = _sets_per_visit(design, own)
    for rig in (design.moved, *design.controls):
        for number in range(sets):
            add(rig, design.after, f"{design.after} {number // per_visit}", number)
    moved = [r == design.moved and p == design.after for r, p in zip(labels[RIG], labels[PHASE], strict=True)]
    block = planned_block({**labels, MOVED_AFTER: [YES if m else NO for m in moved]})
    code, levels = block.code_of(MOVED_AFTER), block.levels_of(MOVED_AFTER)
    first = np.array([levels[c] == YES for c in code], float)
    return Arrangement(block=block, layout=told_apart(layout_of(block, SIMULATED)), first=first)


def _sets_per_visit(design: MoveDesign, own: Any) -> int:
    """Sets of a rig at one visit so far; all of them where visits are not recorded."""
    if not design.visits:
        return 1_000_000
    counts = own.groupby([RIG, VISIT])[PAD_SET].nunique()
    return max(int(counts.median()), 1)


def told_apart(layout: Layout) -> Layout:
    """A layout by which all sources are simulated, whether or not an analysis could tell them apart."""
    sources = len(layout.model.random) + 1
    return replace(layout, separable=Separability(alone=tuple(range(sources)), mixed=(), absorbed=()))


def _truths(claim: Claim, section: RequalSection, analysis: Analysis) -> tuple[Truth, Truth]:
    """The components of the fit, by what they are; at their estimates and at their upper limits."""
    fit = claim.pooled.fit
    own, upper = np.maximum(fit.variances[0], 0.0), fit.limits[1][0]
    names = [*(fit.layout.sources[i] for i in fit.layout.estimated), fit.layout.sources[-1]]
    drift_name = " × ".join(DRIFT)
    found = []
    for values in (own, upper):
        by_name: Mapping[str, float] = dict(zip(names, map(float, values), strict=True))
        sets = sum(v for name, v in by_name.items() if name not in (VISIT, drift_name))
        drift = by_name.get(drift_name, 0.0)
        if section.drift is not None and not drift_shows(fit.layout):
            sd = section.drift.sd / (np.exp(claim.mean_b) if analysis is Analysis.RATIO else 1.0)
            drift = float(sd**2)
        found.append(Truth(visit=by_name.get(VISIT, 0.0), drift=drift, sets=sets))
    return found[0], found[1]
