"""The parts of an Outcome that every comparison of levels shares.

In: a LevelComparison.  Out: scatter per claim, plans for open claims, what to run next in words, notes, limits of
what the design can tell, key numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from repeatab.base.notes import Note, NoteKind
from repeatab.base.progress import Progress
from repeatab.intake.results import Results
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair
from repeatab.jobs.levels.planning import more_runs
from repeatab.jobs.levels.scatter import LevelScatter, level_scatter
from repeatab.jobs.levels.tables import Key, claim_name, key_of, more_runs_table
from repeatab.jobs.questions import RunCost
from repeatab.jobs.wording import enumerated, probability
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.verdict import Verdict
from repeatab.planning.next_runs import MoreRuns

ONE_LOOK = (
    "The error rates hold for data judged once. Adding sets to an undecided check and judging again raises the "
    "chance of a wrong verdict unless the looks were declared beforehand."
)


def blocked(how: ComparisonLayout, results: Results) -> ComparisonLayout:
    """Findings of the intake that forbid a verdict join the reasons why a comparison cannot be told."""
    reasons = tuple(finding.text for finding in results.blocks)
    pairs = tuple(replace(pair, confounded=(*pair.confounded, *reasons)) for pair in how.pairs)
    return replace(how, pairs=pairs)


def scatters_of(comparison: LevelComparison, *, of_sets: bool = False) -> dict[Key, LevelScatter]:
    """The scatter at both levels of every claim that could be compared; `of_sets`: of sets, not of their repeats."""
    found = {}
    for claim in comparison.compared:
        assert claim.block is not None
        found[key_of(claim)] = level_scatter(
            claim.block,
            comparison.how.factor,
            claim.pair,
            level=comparison.confidence,
            blocks=comparison.how.blocks,
            of_sets=of_sets,
        )
    return found


def plans_of(
    comparison: LevelComparison, *, cost: RunCost, seed: int, progress: Progress
) -> dict[Key, MoreRuns]:
    """What to run next for every deciding claim that is undecided, unless more of the same cannot help."""
    undecided = [
        claim
        for claim in comparison.deciding
        if claim.trouble is None and claim.bounds is not None and claim.verdict is Verdict.UNDECIDED
        and not claim.pair.confounded
    ]  # fmt: skip
    found = {}
    for i, claim in enumerate(undecided):
        progress("what to run next", i, len(undecided))
        found[key_of(claim)] = more_runs(
            claim, comparison.how, confidence=1 - comparison.rates.equivalence, cost=cost, seed=seed
        )
    return found


def next_runs_of(
    comparison: LevelComparison, planned: Mapping[Key, MoreRuns], *, hours_per_set: float | None
) -> NextRuns | None:
    """What to run next in words, with the table behind it."""
    if comparison.confounded:
        return NextRuns(sentence=f"First separate what is mixed: {comparison.confounded[0]}")
    if not planned:
        return None
    sentences = [
        _needed(claim_name(claim, comparison), planned[key_of(claim)], claim.pair)
        for claim in comparison.compared
        if key_of(claim) in planned
    ]
    target = next(iter(planned.values())).target
    factor = comparison.how.factor_name
    return NextRuns(
        sentence=f"Further pad sets per {factor} that bring a verdict with {probability(target)} probability. "
        + " ".join(sentences),
        table=more_runs_table(comparison, planned, hours_per_set),
    )


def _needed(name: str, plan: MoreRuns, pair: LevelPair) -> str:
    """How many further sets, in the order of the beliefs: at the estimated scatter, then at its upper limit."""
    reach = _sets_of_each(plan.reach, plan, pair)
    none, none_wide, seen, seen_wide = (
        None if need.sets is None else _sets_of_each(need.sets, plan, pair) for need in plan.needed
    )
    likely, unlucky = _either(none, seen, reach), _either(none_wide, seen_wide, reach)
    if likely == unlucky:
        return f"For {name}: {likely}."
    return f"For {name}: {likely}; if the scatter is at its upper limit, {unlucky}."


def _sets_of_each(sets: int, plan: MoreRuns, pair: LevelPair) -> str:
    """Further sets: one number where both levels grow alike, else that of either."""
    further, beside = plan.further(sets)
    if plan.lead == 0:
        return str(further)
    fewer, more = (pair.a, pair.b) if pair.sets_a < pair.sets_b else (pair.b, pair.a)
    return f"{further} of {fewer}" + (f" and {beside} of {more}" if beside else f", none of {more}")


def _either(none: str | None, seen: str | None, reach: str) -> str:
    if none is None and seen is None:
        return f"no number up to {reach} suffices"
    numbers = [f"more than {reach}" if further is None else further for further in (none, seen)]
    if none == seen:
        return f"{numbers[0]}, whether there is no difference or the observed one"
    return f"{numbers[0]} if there is no difference, {numbers[1]} if it is as observed"


def notes_of(comparison: LevelComparison) -> tuple[Note, ...]:
    """Where the two views of the scatter lead to different verdicts."""
    return tuple(
        Note(
            kind=NoteKind.UNEQUAL_SCATTER,
            sources=(claim.section.name,),
            text=f"{claim_name(claim, comparison)}: pooled and separate scatter lead to different verdicts "
            f"({enumerated([verdict.value for verdict in claim.single_views])}); a verdict has to hold under both.",
            remedy=f"More sets of the {comparison.how.factor_name} that scatters more would settle it.",
        )
        for claim in comparison.compared
        if len(set(claim.single_views)) > 1
    )


def common_limits(comparison: LevelComparison) -> tuple[str, ...]:
    """What this design cannot tell, whatever the job."""
    how = comparison.how
    found = [*comparison.confounded, *how.set_aside]
    found += [
        f"{claim_name(claim, comparison)}: {claim.trouble}"
        for claim in comparison.claims
        if claim.trouble is not None
    ]
    mixed = [c.pooled.fit.layout.mixed_together for c in comparison.compared]
    joint = next((groups[0] for groups in mixed if groups), None)
    if joint is not None:
        names = [name.replace("_", " ") for name in joint if "×" not in name]
        found.append(
            f"The scatter of {enumerated(names)} is one number in this design: it carries the intervals, but sets "
            "that vary cannot be told from runs that repeat badly. Two runs of a set under the same conditions "
            "would tell."
            if len(names) > 1
            else f"What one {how.factor.replace('_', ' ')} does to a single set cannot be told from a run that "
            "repeats badly, since no set ran twice under the same conditions; the intervals carry both."
        )
    return tuple(dict.fromkeys(found))


def numbers_of(comparison: LevelComparison) -> tuple[tuple[str, float | None], ...]:
    """Key figures by stable name, on the scale of the bounds."""
    found: list[tuple[str, float | None]] = []
    for claim in comparison.compared:
        for key in ("estimate", "lower", "upper", "inner_lower", "inner_upper", "p"):
            value = float(getattr(claim, key))
            found.append((f"{claim_name(claim, comparison)}: {key}", value if math.isfinite(value) else None))
    return tuple(found)
