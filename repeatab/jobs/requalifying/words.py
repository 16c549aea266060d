"""Sentences of a requalification: the verdict with its reasons, the answers, what they rest on, what they cannot tell.

In: answers, comparisons, claims, the design.  Out: judgements and sentences.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.base.notes import Note, NoteKind
from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.looks import LookState
from repeatab.jobs.levels.outcome import common_limits
from repeatab.jobs.levels.tables import PERCENT, shown_as
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.answers import Answer, Question
from repeatab.jobs.requalifying.design import MoveDesign
from repeatab.jobs.requalifying.question import Burden, CheckResult, Requalification
from repeatab.jobs.requalifying.scatter import RatioClaim
from repeatab.jobs.requalifying.tables import complete_checklist, missing_items
from repeatab.jobs.wording import enumerated, percent, plural, result
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict

NO_DRIFT = "if the rig does not ordinarily drift between periods"


def drift_condition(sections: Sequence[str], design: MoveDesign) -> Note | None:
    """The condition that the verdict carries where ordinary drift is neither shown nor stated."""
    if not sections:
        return None
    return Note(
        kind=NoteKind.CONDITION,
        sources=tuple(sections),
        text=f"The verdict on the level holds {NO_DRIFT}: with this design a rig that drifts a little from visit to "
        f"visit cannot be told from one that shifted ({enumerated(list(sections))}).",
        remedy="Run several visits before or after, or more rigs that stayed; or state the standard deviation of the "
        f"ordinary drift of {design.moved} from the lab's own records (ordinary_drift).",
    )


def overruled_drift(sections: Sequence[str]) -> Note | None:
    """Where the data show more drift than the lab states."""
    if not sections:
        return None
    return Note(
        kind=NoteKind.CAUTION,
        sources=tuple(sections),
        text=f"The stated ordinary drift of {enumerated(list(sections))} is less than the lower limit of the drift "
        "that these visits show; the drift that they show is used.",
        remedy="Look at the reference history for what the statement rests on.",
    )


def headline(
    question: Requalification,
    verdict: Verdict,
    answers: Sequence[Answer],
    design: MoveDesign,
    condition: Note | None,
    look: LookState,
    sizes: Mapping[Question, Mapping[str, str]],
) -> Judgement:
    """The verdict on the rig and its reason in plain words; `sizes` holds the numbers of a section in words."""
    failed = [check.item for check in question.checklist if check.result is CheckResult.FAILED]
    parts = _reasons(question, verdict, answers, design, look, sizes)
    if condition is not None and verdict is not Verdict.UNDECIDED:
        parts.append(f"This holds {NO_DRIFT}.")
    if failed:
        parts.append(f"Checks of the rig recorded as failed: {enumerated(failed)}.")
    if missing_items(question.checklist):
        parts.append(f"{_missing(question)}.")
    qualifier = Qualifier.NONE
    if verdict is Verdict.UNDECIDED:
        qualifier = next(
            (a.qualifier for a in answers if a.qualifier in (Qualifier.CONFOUNDED, Qualifier.BETWEEN_LOOKS)),
            Qualifier.NONE,
        )
    return Judgement(
        subject=f"rig {question.moved_rig}", verdict=verdict, qualifier=qualifier, reason=" ".join(parts)
    )


def _reasons(
    question: Requalification,
    verdict: Verdict,
    answers: Sequence[Answer],
    design: MoveDesign,
    look: LookState,
    sizes: Mapping[Question, Mapping[str, str]],
) -> list[str]:
    if verdict is Verdict.HOLD:
        return [_held(answer, question, sizes[answer.question]) for answer in answers if answer.holds]
    if verdict is Verdict.RETURN_TO_SERVICE:
        words = [f"{a.question.value} ({a.burden.value}): {a.verdict.value}" for a in answers]
        return [f"Every stated burden is met: {'; '.join(words)}."]
    if look.between:
        return [look.sentence]
    parts = [_unmet(answer) for answer in answers if not answer.met]
    if design.confounded:
        parts.append(f"The shift cannot be told from something else. {design.confounded[0]}")
    return parts


def offset_in_words(claim: Claim, analysis: Analysis, quantity: Quantity) -> str:
    """Offset, interval of the difference claim and margin of one section."""
    shown = shown_as(claim, analysis, quantity)
    low, value, high = (shown.value(v) for v in (claim.lower, claim.estimate, claim.upper))
    if shown.unit == PERCENT:
        span = f"{percent(low, sign=True).removesuffix(' %')} to {percent(high, sign=True)}"
        return f"{percent(value, sign=True)}, interval {span}, margin {claim.section.margin}"
    span = f"{result(low, sign=True)} to {result(high, sign=True)}"
    return f"{result(value, sign=True)}, interval {span}, margin {claim.section.margin}"


def ratio_in_words(claim: RatioClaim) -> str:
    """Ratio of standard deviations and its lower bound."""
    return "" if claim.ratio is None else f"{claim.ratio.ratio:.2f} times, lower bound {claim.lower:.2f}"


def _held(answer: Answer, question: Requalification, sizes: Mapping[str, str]) -> str:
    where = enumerated([f"{name} ({sizes[name]})" for name in answer.holds])
    match answer.question:
        case Question.LEVEL:
            return f"The level shifted in {where}: the whole interval of the shift lies beyond its margin."
        case Question.SISTER:
            return (
                f"It reads off {question.sister_rig} in {where}: the whole interval of the offset lies beyond its "
                "margin."
            )
        case Question.REPEATABILITY:
            return (
                f"It repeats worse than the limit of {question.repeatability_limit:g} times in {where}: the lower "
                "bound of the ratio lies above it."
            )


def _missing(question: Requalification) -> str:
    missing = missing_items(question.checklist)
    if len(missing) == len(complete_checklist(question.checklist)):
        return "The checklist of the rig is not filled in"
    return f"Missing on the checklist: {enumerated(missing)}"


def _unmet(answer: Answer) -> str:
    where = enumerated(list(answer.lacking))
    if answer.burden is Burden.MUST_BE_SHOWN:
        return f"Not shown: {answer.question.value}, in {where}."
    return f"Contradicted or not to be judged: {answer.question.value}, in {where}."


def answer_judgement(answer: Answer, question: Requalification) -> Judgement:
    """One of the three questions with its verdict and burden."""
    met = "is met" if answer.met else "is not met"
    sections = (
        f"Holding the rig: {enumerated(list(answer.holds))}. "
        if answer.holds
        else f"Not shown in {enumerated(list(answer.unshown))}. "
        if answer.unshown
        else "All deciding sections are settled. "
    )
    name = answer.question.value
    if answer.question is Question.SISTER:
        name = f"agreement with {question.sister_rig} after the move"
    return Judgement(
        subject=name,
        verdict=answer.verdict,
        qualifier=answer.qualifier,
        reason=f"{sections}The burden, {answer.burden.value}, {met}.",
    )


def ratio_judgement(claim: RatioClaim) -> Judgement:
    """One section's ratio of standard deviations in words."""
    subject = f"{claim.section.name}, repeatability"
    if claim.ratio is None:
        return Judgement(
            subject=subject, verdict=claim.verdict, qualifier=claim.qualifier, decides=claim.section.decides,
            reason=f"Not compared: {claim.trouble}",
        )  # fmt: skip
    r = claim.ratio
    start = (
        f"The standard deviation after is {r.ratio:.2f} times that before ({r.df_a} and {r.df_b} degrees of "
        f"freedom, {claim.source})"
    )
    if claim.verdict is Verdict.ACCEPTABLE:
        tail = f"its upper bound {claim.upper:.2f} does not exceed the limit {claim.limit:g}"
    elif claim.verdict is Verdict.NOT_ACCEPTABLE:
        tail = f"its lower bound {claim.lower:.2f} lies above the limit {claim.limit:g}"
    elif claim.verdict is Verdict.DIFFERENT:
        tail = (
            f"it has worsened (lower bound {claim.lower:.2f}), but whether beyond the limit {claim.limit:g} is open "
            f"(upper bound {claim.upper:.2f})"
        )
    else:
        tail = f"its bounds {claim.lower:.2f} and {claim.upper:.2f} leave the limit {claim.limit:g} open"
    least = ""
    if claim.verdict is Verdict.UNDECIDED and claim.smallest > claim.limit:
        least = f" With these numbers of sets no limit below {claim.smallest:.2f} could be met if both scatter alike."
    return Judgement(
        subject=subject, verdict=claim.verdict, qualifier=claim.qualifier, decides=claim.section.decides,
        reason=f"{start}; {tail}.{least}",
    )  # fmt: skip


def evidence(
    question: Requalification,
    design: MoveDesign,
    shift: LevelComparison,
    ratios: Sequence[RatioClaim],
    look: LookState,
    wrong: Sequence[str],
) -> tuple[str, ...]:
    """What the verdict rests on."""
    sentences = [_independent(design)]
    if design.common:
        sentences.append(
            f"Changed alike on {design.moved} and the rigs that stayed, so taken out: {'; '.join(design.common)}."
        )
    sections = list(dict.fromkeys(claim.section.name for claim in shift.deciding))
    sentences.append(
        f"Decided by {enumerated(sections)}; difference claims adjusted over these, for each of the questions."
    )
    sentences.append(_checks(question))
    smallest = [claim.smallest for claim in ratios if claim.section.decides and claim.ratio is not None]
    if smallest:
        low, high = f"{min(smallest):.2f}", f"{max(smallest):.2f}"
        sentences.append(
            "The smallest limit on the ratio of standard deviations that these numbers of sets could meet at all is "
            f"{low if low == high else f'{low} to {high}, by section'} (both phases scattering alike in the data); "
            f"the stated limit is {ratios[0].limit:g}."
        )
    if look.table is not None:
        sentences.append(look.sentence)
    if wrong:
        sentences.append(
            f"A test on single stops would have claimed a change in {enumerated(list(wrong))} as well; stops of one "
            "run are not independent results, so that claim is not made."
        )
    return tuple(sentences)


def _checks(question: Requalification) -> str:
    passed = [check.item for check in question.checklist if check.result is CheckResult.PASSED]
    if not passed:
        return "No check of the rig after the move is stated as passed."
    return f"Checks of the rig that the laboratory states as passed: {enumerated(passed)}."


def _independent(design: MoveDesign) -> str:
    def counted(rig: object) -> str:
        texts = []
        for phase in (design.before, design.after):
            visits = f" in {plural(design.visit_count(rig, phase), 'visit')}" if design.visits else ""
            texts.append(f"{plural(design.sets(rig, phase), 'pad set')} {phase}{visits}")
        return f"{rig} {' and '.join(texts)}"

    text = f"Independent evidence: {counted(design.moved)}"
    if design.controls:
        text += "; stayed as controls: " + "; ".join(counted(rig) for rig in design.controls)
    return f"{text}."


def cannot_tell(
    question: Requalification,
    design: MoveDesign,
    shift: LevelComparison,
    sister: LevelComparison | None,
    condition: Note | None,
    look: LookState,
) -> tuple[str, ...]:
    """What this design leaves open."""
    found = [*common_limits(shift)]
    if condition is not None:
        found.append(str(condition))
    if question.nothing_else_changed.strip():
        found.append(
            "No rig stayed as a control. The laboratory states that nothing but the move can have changed the level: "
            f'"{question.nothing_else_changed.strip()}". The verdict on the level stands and falls with that.'
        )
    if design.controls:
        found.append(
            f"What was done to {design.moved} together with the move (adjustment, new parts, new operators there) is "
            "part of the shift; what changed on all rigs alike is not, and is not judged."
        )
    if sister is not None:
        found += [text for text in common_limits(sister) if text not in found]
        found.append(
            f"Which of {question.moved_rig} and {question.sister_rig} reads true: an offset between them is no error "
            "of either. Ordinary drift of the two is not in the interval of that offset."
        )
    else:
        found.append("No sister rig is named, so agreement with another rig after the move is not judged.")
    if look.table is None:
        found.append(look.sentence)
    return tuple(dict.fromkeys(found))
