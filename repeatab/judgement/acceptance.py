"""Acceptance: from R&R in percent of something to a verdict, by bands that the lab or its customer has set.

In: the percentage with its interval and the bands.  Out: a verdict with the sentence that defends it.

The handbook reads its bands off the estimate alone. With two or three rigs or operators the estimate may be
half or three times the truth, and a measurement called acceptable by luck lets bad lots pass. So the two
errors are not treated alike:

acceptable, conditional   only if the interval's upper limit lies in that band (or a better one);
not acceptable            if the estimate lies beyond the conditional band; the reason says whether the whole
                          interval does or how far it reaches back;
undecided                 the estimate alone would pass, but the interval reaches beyond the conditional band.

The reason always names the band of the estimate alone, which is what a customer who reads the handbook
expects. Where scatter of the sets is inside R&R, the percentage is an upper bound: it can show that a
measurement passes, never that it fails.
Source of the bands: automotive measurement-systems handbook, chapter II (10 and 30 percent, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.base.interval import Interval
from repeatab.outcome.verdict import Qualifier, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """The verdict, the band of the estimate alone, and the reason."""

    verdict: Verdict
    estimate_alone: Verdict
    reason: str
    qualifier: Qualifier = Qualifier.NONE


def band_of(percent: float, *, acceptable: float, conditional: float) -> Verdict:
    """The band in which a percentage lies; a limit belongs to the better band."""
    if percent <= acceptable:
        return Verdict.ACCEPTABLE
    return Verdict.CONDITIONAL if percent <= conditional else Verdict.NOT_ACCEPTABLE


def judge_percent(
    value: float,
    interval: Interval,
    *,
    of: str,
    acceptable: float,
    conditional: float,
    upper_bound: bool = False,
) -> Acceptance:
    """Judge R&R of `value` percent of `of` ("the tolerance", "the total variation")."""
    alone = band_of(value, acceptable=acceptable, conditional=conditional)
    worst = band_of(interval.upper, acceptable=acceptable, conditional=conditional)
    best = band_of(interval.lower, acceptable=acceptable, conditional=conditional)
    bound = " at most" if upper_bound else ""
    what = (
        f"R&R is{bound} {value:.1f} % of {of} ({interval.lower:.1f} to {interval.upper:.1f} %, "
        f"{interval.level:.0%})"
    )
    verdict, why, qualifier = worst, "", Qualifier.NONE
    if worst is Verdict.ACCEPTABLE:
        why = f"all of the interval lies within the {acceptable:g} % that are acceptable"
    elif worst is Verdict.CONDITIONAL:
        why = f"all of the interval lies within the {conditional:g} % that are conditionally acceptable"
        if alone is Verdict.ACCEPTABLE:
            why += f"; the estimate alone would be acceptable (up to {acceptable:g} %), the interval is not"
    elif upper_bound:
        verdict, qualifier = Verdict.UNDECIDED, Qualifier.UPPER_BOUND
        why = f"beyond {conditional:g} % this bound does not tell the measurement from the sets it holds"
    elif alone is Verdict.NOT_ACCEPTABLE:
        why = f"the estimate lies beyond the {conditional:g} % that are conditionally acceptable"
        why += (
            ", and so does all of the interval"
            if best is alone
            else f"; by the estimate, since the interval still reaches down into {best.value}"
        )
    else:
        verdict = Verdict.UNDECIDED
        why = (
            f"the estimate alone would be {alone.value}, but the interval reaches beyond {conditional:g} %, so "
            "the study is too small to vouch for it"
        )
    return Acceptance(verdict=verdict, estimate_alone=alone, reason=f"{what}: {why}.", qualifier=qualifier)


_WORST_FIRST = (
    Verdict.NOT_ACCEPTABLE,
    Verdict.UNDECIDED,
    Verdict.CONDITIONAL,
    Verdict.ACCEPTABLE,
)


def overall(verdicts: list[Verdict]) -> Verdict:
    """Of the deciding sections: the worst; one that fails is enough, one that is open leaves the rest
    open."""
    return next((verdict for verdict in _WORST_FIRST if verdict in verdicts), Verdict.UNDECIDED)
