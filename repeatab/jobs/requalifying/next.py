"""What to do next after a requalification, in words.

In: answers, plans, the design.  Out: NextRuns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.jobs.levels.looks import LookState
from repeatab.jobs.requalifying.answers import Answer, Question
from repeatab.jobs.requalifying.design import MoveDesign
from repeatab.jobs.requalifying.scatter import RatioClaim
from repeatab.jobs.wording import plural
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Verdict
from repeatab.planning.next_runs import MoreRuns


def next_runs(
    verdict: Verdict,
    answers: Sequence[Answer],
    design: MoveDesign,
    planned: Mapping[str, MoreRuns],
    ratios: Sequence[RatioClaim],
    table: Table | None,
    look: LookState,
) -> NextRuns | None:
    """What to run or to do next."""
    if verdict is Verdict.RETURN_TO_SERVICE:
        return None
    if verdict is Verdict.HOLD:
        return NextRuns(
            sentence="No new sets yet: find the cause on the rig first (checklist), then run fresh sets of the same "
            "lot and judge again as a new phase.",
            table=table,
        )
    if look.between:
        return NextRuns(sentence=look.sentence)
    sentences = []
    if design.confounded:
        sentences.append(
            f"First separate what is mixed with the move (see above); more sets on {design.moved} alone do not help."
        )
    for name, plan in planned.items():
        none, _, seen, _ = (need.further for need in plan.needed)
        reach = plan.reach - plan.present
        if none is None and seen is None:
            sentences.append(
                f"{name}, level: no affordable number; up to {reach} further sets per rig do not suffice."
            )
        else:
            sentences.append(
                f"{name}, level: {_number(none, reach)} per rig if there is no shift, {_number(seen, reach)} if it is "
                "as observed."
            )
    if not all(a.met for a in answers if a.question is Question.REPEATABILITY):
        for claim in ratios:
            if claim.section.decides and claim.verdict in (Verdict.UNDECIDED, Verdict.DIFFERENT):
                sentences.append(_ratio_sets(claim, design))
    unmet = [a for a in answers if a.question is Question.SISTER and not a.met]
    if unmet:
        sentences.append("For the agreement with the sister rig run a correlation check of the two.")
    return NextRuns(sentence=" ".join(sentences), table=table) if sentences else None


def _number(further: int | None, reach: int) -> str:
    return f"more than {reach} further sets" if further is None else plural(further, "further set")


def _ratio_sets(claim: RatioClaim, design: MoveDesign) -> str:
    name = f"{claim.section.name}, repeatability"
    if claim.likely is None:
        return f"{name}: run more sets on {design.moved}, the same before and after where that is still possible."
    if claim.further is None:
        return (
            f"{name}: no number of further sets on {design.moved} meets the limit {claim.limit:g}, since what ran "
            "before the move cannot be added to; a wider limit or the other burden is for the laboratory to decide."
        )
    return f"{name}: {plural(claim.further, 'further set')} on {design.moved} if nothing has changed."
