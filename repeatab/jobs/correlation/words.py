"""Sentences of a correlation check: the headline, what it rests on, what it cannot tell, what comes next.

In: CorrelationFindings.  Out: sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from repeatab.base.quantity import Quantity
from repeatab.estimation.shift_or_gain import LevelAnswer
from repeatab.jobs.correlation.agreement import NO_SHARED_SETS
from repeatab.jobs.correlation.correction import correction_sentence
from repeatab.jobs.correlation.levels import LevelDependence, level_sentence
from repeatab.jobs.correlation.scatter import ALL_SECTIONS
from repeatab.jobs.correlation.study import CorrelationFindings
from repeatab.jobs.correlation.wear import wear_sentence
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.influence import influence_sentence
from repeatab.jobs.levels.layout import SetUse
from repeatab.jobs.levels.look_plans import next_at_looks
from repeatab.jobs.levels.outcome import common_limits
from repeatab.jobs.levels.residuals import residual_sentence
from repeatab.jobs.levels.stop_by_stop import overclaimed
from repeatab.jobs.levels.words import evidence_sentence, judgement_of, scatter_sentence
from repeatab.jobs.wording import enumerated, p_value, plural
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.verdict import Judgement, Verdict


def headline(found: CorrelationFindings) -> Judgement:
    """The overall judgement on the rigs."""
    comparison = found.comparison
    names = {
        verdict: _by_section([c for c in comparison.deciding if c.verdict is verdict], comparison)
        for verdict in (Verdict.DIFFERENT, Verdict.UNDECIDED)
    }
    count = plural(len({claim.section.name for claim in comparison.deciding}), "deciding section")
    match comparison.verdict:
        case _ if found.look.between:
            reason = found.look.sentence
        case Verdict.UNDECIDED if comparison.confounded:
            reason = f"The difference cannot be told from something else: {comparison.confounded[0]}"
        case Verdict.DIFFERENT:
            reason = f"The rigs differ in {enumerated(names[Verdict.DIFFERENT])} (of {count}); one is enough."
        case Verdict.EQUIVALENT:
            reason = f"In all of {count} the offset is shown to lie inside the margin."
        case _:
            reason = (
                f"No deciding section shows a difference, but in {enumerated(names[Verdict.UNDECIDED])} the offset "
                "is not shown to lie inside the margin either."
            )
    return Judgement(
        subject=", ".join(pair.name for pair in comparison.how.pairs),
        verdict=comparison.verdict,
        qualifier=comparison.qualifier,
        reason=reason,
    )


def _by_section(claims: Sequence[Claim], comparison: LevelComparison) -> list[str]:
    """The sections of claims, with the pairs in brackets where there are several."""
    count = len(comparison.how.pairs)
    pairs: dict[str, list[str]] = {}
    for claim in claims:
        pairs.setdefault(claim.section.name, []).append(claim.pair.name)
    if count == 1:
        return list(pairs)
    return [
        f"{section} ({'every pair' if len(named) == count else ', '.join(named)})"
        for section, named in pairs.items()
    ]


def _independent(found: CorrelationFindings) -> tuple[str, ...]:
    """How many independent sets stand behind the pairs."""
    pairs = found.comparison.how.pairs
    if len(pairs) == 1 or any(pair.use is not SetUse.SPLIT for pair in pairs):
        return tuple(evidence_sentence(pair) for pair in pairs)
    sets = enumerated([f"{plural(number, 'pad set')} on {rig}" for rig, number in found.sets.items()])
    return (f"Independent evidence: {sets}; no set ran on two rigs.",)


def _open_levels(found: CorrelationFindings) -> list[str]:
    """Why shift or gain cannot be told, each reason once."""
    reasons: dict[str, list[LevelDependence]] = {}
    for one in found.levels:
        if one.found.answer is LevelAnswer.NOT_TOLD:
            reasons.setdefault(one.found.reason, []).append(one)
    count = len(found.levels)
    return [
        level_sentence(one, several=count > 1 and len(those) < count)
        for those in reasons.values()
        for one in (those[:1] if len(those) == count else those)
    ]


def judgements(found: CorrelationFindings, quantity: Quantity) -> tuple[Judgement, ...]:
    """One per section and pair, and the overall offset after them."""
    made = [judgement_of(claim, found.comparison, quantity) for claim in found.comparison.claims]
    for claim in () if found.overall is None else found.overall.claims:
        judgement = judgement_of(claim, found.comparison, quantity)
        if claim.section.margin is None and claim.verdict is Verdict.UNDECIDED:
            judgement = replace(
                judgement,
                reason=f"{judgement.reason} The sections have margins of their own; overall_margin would give it one.",
            )
        made.append(judgement)
    return tuple(made)


def evidence(found: CorrelationFindings, quantity: Quantity) -> tuple[str, ...]:
    """What the headline rests on, most important first."""
    comparison = found.comparison
    sections = list(dict.fromkeys(claim.section.name for claim in comparison.deciding))
    several = len(comparison.how.pairs) > 1
    told = [one for one in found.levels if one.found.answer is not LevelAnswer.NOT_TOLD]
    wrong = [] if found.trap is None else overclaimed(found.trap)
    return (
        *_independent(found),
        *([found.look.sentence] if found.look.table is not None and not found.look.between else []),
        f"Decided by {enumerated(sections)} at {comparison.confidence:.0%} confidence, difference claims adjusted "
        f"over all of these{' and over the pairs of rigs within a section' if several else ''}.",
        *(correction_sentence(correction, quantity) for correction in found.corrections),
        *_pattern_sentence(found),
        *(level_sentence(dependence, several=several) for dependence in told),
        *wear_sentence(found.wear, found.question),
        *scatter_sentence(comparison, found.scatter),
        *_pooled_sentence(found),
        *influence_sentence(comparison, found.influences),
        *residual_sentence(found.residuals),
        *_trap_sentence(wrong),
    )


def _trap_sentence(wrong: list[str]) -> tuple[str, ...]:
    if not wrong:
        return ()
    return (
        f"A test on single stops would have claimed a difference in {enumerated(wrong)} as well; stops of one run are "
        "not independent results, so that claim is not made.",
    )


def _pattern_sentence(found: CorrelationFindings) -> tuple[str, ...]:
    """Whether the offset changes from section to section."""
    tested = [pattern for pattern in found.patterns if pattern.interaction is not None]
    if not tested or found.look.between:
        return ()
    alpha = (1 - found.question.confidence) / len(tested)
    several = len(found.patterns) > 1
    clear: list[str] = []
    calm: list[str] = []
    for pattern in tested:
        assert pattern.interaction is not None
        p = pattern.interaction.p
        name = f"{pattern.pair.name} ({p_value(p)})" if several else p_value(p)
        (clear if p < alpha else calm).append(name)
    if clear:
        whose = f" of {enumerated(clear)}" if several else ""
        how = "whole sets resampled" if several else f"{clear[0]}, whole sets resampled"
        return (f"The offset{whose} is not the same in all sections ({how}).",)
    return (
        f"The offset is not seen to change from section to section ({enumerated(calm)}, whole sets resampled), which "
        "does not show that it is the same in all of them.",
    )


def _pooled_sentence(found: CorrelationFindings) -> tuple[str, ...]:
    sentences = []
    for pair in found.comparison.how.pairs:
        scatter = found.pooled.get(pair.name)
        if scatter is None or scatter.ratio is None or not scatter.ratio.interval.excludes(1.0):
            continue
        ratio, interval = scatter.ratio.ratio, scatter.ratio.interval
        sentences.append(
            f"Over {ALL_SECTIONS} the SD of {pair.a} is {ratio:.2f} times that of {pair.b} ({interval.lower:.2f} to "
            f"{interval.upper:.2f}; {scatter.source}; each set counts once)."
        )
    return tuple(sentences)


def cannot_tell(found: CorrelationFindings) -> tuple[str, ...]:
    """What this design leaves open."""
    comparison = found.comparison
    how = comparison.how
    sentences = [*common_limits(comparison)]
    if all(pair.use is SetUse.SPLIT for pair in how.pairs):
        if "operator" not in how.table.columns:
            sentences.append(
                "Operators are not recorded, so an operator's share in an offset cannot be told."
            )
        sentences.append(NO_SHARED_SETS)
    sentences += _open_levels(found)
    sentences.append(
        "Which of the rigs reads true: a comparison shows an offset between them, not an error of either."
    )
    if found.look.table is None:
        sentences.append(found.look.sentence)
    return tuple(dict.fromkeys(sentences))


def next_runs(found: CorrelationFindings) -> NextRuns | None:
    """What to run next: up to the next look where one is to come, else what more sets would buy."""
    hours = found.question.cost.hours_per_set
    return next_at_looks(
        found.comparison, found.look, found.planned, found.sets, of="on", hours_per_set=hours
    )
