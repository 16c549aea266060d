"""The answers of a requalification: each question with its burden, and what they say together.

In: the shift, the ratio of repeatabilities, the agreement with the sister rig.  Out: Answers and the verdict.

hold               an offset interval lies wholly beyond its margin (of the shift, or against the sister rig), or the
                   lower bound of the ratio lies above its limit, whatever the burdens are.
return to service  every stated burden is met.
undecided          otherwise; a shift that shows but may still lie inside the margin is one of these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.requalifying.question import Burden, Check, CheckResult
from repeatab.jobs.requalifying.scatter import RatioClaim, overall_ratio
from repeatab.outcome.verdict import Qualifier, Verdict


class Question(Enum):
    """The three questions; the value is what the page calls them."""

    LEVEL = "level, after against before"
    REPEATABILITY = "repeatability, after against before"
    SISTER = "agreement with the sister rig"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The verdict on one question.

    met : whether its burden is met. holds : the sections that hold the rig. unshown : those in which it is not shown
    that all is well. against : those that contradict it or cannot be judged.
    """

    question: Question
    burden: Burden
    verdict: Verdict
    qualifier: Qualifier
    met: bool
    holds: tuple[str, ...]
    unshown: tuple[str, ...]
    against: tuple[str, ...]

    @property
    def lacking(self) -> tuple[str, ...]:
        """The sections for which the burden is not met."""
        return self.unshown if self.burden is Burden.MUST_BE_SHOWN else self.against


def offset_answer(question: Question, burden: Burden, comparison: LevelComparison) -> Answer:
    """The answer that offsets give: the shift, or the offset against the sister rig."""
    deciding = comparison.deciding
    verdict, qualifier = comparison.verdict, comparison.qualifier
    holds = tuple(
        c.section.name
        for c in deciding
        if c.verdict is Verdict.DIFFERENT and c.qualifier is Qualifier.IT_MATTERS
    )
    # Data that cannot speak contradict nothing, but that is no ground to act on.
    against = tuple(
        c.section.name
        for c in deciding
        if c.trouble is not None
        or c.verdict is Verdict.DIFFERENT
        or c.qualifier in (Qualifier.CONFOUNDED, Qualifier.BETWEEN_LOOKS)
    )
    unshown = tuple(c.section.name for c in deciding if c.verdict is not Verdict.EQUIVALENT)
    return Answer(
        question=question, burden=burden, verdict=verdict, qualifier=qualifier,
        met=not (unshown if burden is Burden.MUST_BE_SHOWN else against), holds=holds, unshown=unshown,
        against=against,
    )  # fmt: skip


def ratio_answer(burden: Burden, claims: Sequence[RatioClaim]) -> Answer:
    """The answer that the ratios of standard deviations give."""
    verdict, qualifier = overall_ratio(claims)
    deciding = [claim for claim in claims if claim.section.decides]
    against = tuple(
        c.section.name
        for c in deciding
        if c.trouble is not None
        or c.verdict in (Verdict.NOT_ACCEPTABLE, Verdict.DIFFERENT)
        or c.qualifier is Qualifier.BETWEEN_LOOKS
    )
    unshown = tuple(c.section.name for c in deciding if c.verdict is not Verdict.ACCEPTABLE)
    return Answer(
        question=Question.REPEATABILITY, burden=burden, verdict=verdict, qualifier=qualifier,
        met=not (unshown if burden is Burden.MUST_BE_SHOWN else against),
        holds=tuple(c.section.name for c in deciding if c.verdict is Verdict.NOT_ACCEPTABLE),
        unshown=unshown, against=against,
    )  # fmt: skip


def decision(answers: Sequence[Answer], checklist: Sequence[Check]) -> Verdict:
    """Hold, return to service, or undecided.

    A check of the rig that the lab itself records as failed forbids the return to service; a missing one is shown
    and left to the people who decide.
    """
    if any(answer.holds for answer in answers):
        return Verdict.HOLD
    failed = any(check.result is CheckResult.FAILED for check in checklist)
    if all(answer.met for answer in answers) and not failed:
        return Verdict.RETURN_TO_SERVICE
    return Verdict.UNDECIDED
