"""Sentences of a comparison of levels: each verdict with the numbers that defend it.

In: compared sections.  Out: judgements, sentences and method notes.
"""

from __future__ import annotations

from collections.abc import Mapping

from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.layout import LevelPair, SetUse
from repeatab.jobs.levels.scatter import LevelScatter
from repeatab.jobs.levels.tables import PERCENT, Key, claim_name, key_of, shown_as
from repeatab.jobs.wording import enumerated, percent, plural, result
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict


def judgement_of(claim: Claim, comparison: LevelComparison, quantity: Quantity) -> Judgement:
    """The verdict on one claim with the reason in plain words."""
    trouble = claim.trouble
    if trouble is not None and claim.pair.confounded:
        trouble = claim.pair.confounded[0]
    return Judgement(
        subject=claim_name(claim, comparison),
        verdict=claim.verdict,
        qualifier=claim.qualifier,
        decides=claim.section.decides,
        reason=f"Not compared: {trouble}" if trouble is not None else _reason(claim, comparison, quantity),
    )


def _reason(claim: Claim, comparison: LevelComparison, quantity: Quantity) -> str:
    shown = shown_as(claim, comparison.analysis, quantity)
    in_percent = shown.unit == PERCENT

    def span(low: float, high: float) -> str:
        texts = [
            percent(shown.value(v), sign=True).removesuffix(" %") if in_percent else result(v, sign=True)
            for v in (low, high)
        ]
        return f"{texts[0]} to {texts[1]}{' %' if in_percent else ''}"

    offset = (
        percent(shown.value(claim.estimate), sign=True) if in_percent else result(claim.estimate, sign=True)
    )
    start = f"{claim.pair.a} reads {offset} against {claim.pair.b}"
    outer = f"{100 * (1 - claim.alpha):.4g} % interval {span(claim.lower, claim.upper)}"
    inner = f"{100 * comparison.inner_level:.4g} % interval {span(claim.inner_lower, claim.inner_upper)}"
    margin = "no margin" if claim.section.margin is None else f"margin {claim.section.margin}"
    if claim.qualifier is Qualifier.CONFOUNDED:
        return f"{start} ({outer}), but the difference is mixed with another effect, so it decides nothing."
    if claim.qualifier is Qualifier.BETWEEN_LOOKS:
        return f"{start} so far; there is no verdict between looks."
    if claim.verdict is Verdict.EQUIVALENT:
        tail = (
            ""
            if claim.qualifier is Qualifier.NONE
            else "; a difference is detectable, but too small to matter"
        )
        return f"{start}; the {inner} lies inside the {margin}{tail}."
    if claim.verdict is Verdict.DIFFERENT:
        beyond = claim.qualifier is Qualifier.IT_MATTERS
        where = "and all of it lies beyond the" if beyond else "but it does not lie wholly beyond the"
        return f"{start}; the {outer} excludes zero, {where} {margin}."
    if claim.section.margin is None:
        return f"{start}; the {outer} includes zero, and there is no margin to show equivalence against."
    if claim.p < claim.alpha:
        return (
            f"{start}; the {outer} excludes zero, but pooled scatter shows the {margin} to be kept and scatter taken "
            "level by level does not, or the other way round."
        )
    return f"{start}; the {outer} includes zero, and the {inner} reaches out of the {margin}."


def evidence_sentence(pair: LevelPair) -> str:
    """How many independent sets stand behind a pair."""
    a, b = pair.a, pair.b
    if pair.use is SetUse.SPLIT:
        return (
            f"Independent evidence: {plural(pair.sets_a, 'pad set')} on {a} and {pair.sets_b} on {b}; "
            "no set ran on both."
        )
    if pair.use is SetUse.SAME:
        return (
            f"Independent evidence: {plural(pair.sets_both, 'pad set')}, each run on both {a} and {b}, "
            f"{sum(pair.a_first.values())} of them on {a} first."
        )
    return (
        f"Independent evidence: {plural(pair.sets_both, 'pad set')} on both {a} and {b}, "
        f"{pair.sets_a - pair.sets_both} on {a} only, {pair.sets_b - pair.sets_both} on {b} only."
    )


def scatter_sentence(comparison: LevelComparison, scatter: Mapping[Key, LevelScatter]) -> tuple[str, ...]:
    """One sentence on whether one of the two repeats worse."""
    clear, widest, source = [], 0.0, ""
    for claim in comparison.compared:
        found = scatter[key_of(claim)]
        if found.ratio is None:
            continue
        ratio, interval = found.ratio.ratio, found.ratio.interval
        source, widest = found.source, max(widest, interval.upper, 1 / interval.lower)
        if interval.excludes(1.0):
            large, small = (claim.pair.a, claim.pair.b) if ratio > 1 else (claim.pair.b, claim.pair.a)
            name = claim_name(claim, comparison)
            clear.append(f"{name} (SD of {large} {max(ratio, 1 / ratio):.2f} times that of {small})")
    if not source:
        return ()
    if clear:
        return (f"The scatter ({source}) differs in {enumerated(clear)}; each an individual claim.",)
    return (
        f"No section shows one scattering more than the other ({source}); with so few sets, standard deviations "
        f"that differ by a factor of up to {widest:.1f} are still compatible ({comparison.confidence:.0%}).",
    )
