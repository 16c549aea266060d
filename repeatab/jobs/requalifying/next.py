"""What to do next after a requalification, and how its numbers were formed, in words.

In: answers, plans, the design.  Out: NextRuns and method notes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.jobs.levels.looks import LookState
from repeatab.jobs.requalifying.answers import Answer, Question
from repeatab.jobs.requalifying.design import MoveDesign
from repeatab.jobs.requalifying.scatter import RatioClaim
from repeatab.jobs.wording import plural
from repeatab.outcome.outcome import MethodNote, NextRuns
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


def methods(design: MoveDesign, *, planned: bool, looks: bool, ratio: bool) -> tuple[MethodNote, ...]:
    """How the numbers were formed."""
    model = (
        "rig, phase and 'moved rig after the move' fixed; visit, rig × visit (ordinary drift) and pad set random; the "
        "shift is the last fixed coefficient (difference of differences)"
        if design.controls
        else "phase fixed; visit (ordinary drift) and pad set random; the shift is the difference of the phases"
    )
    notes = [
        MethodNote(
            quantity="shift, pooled scatter",
            method=f"REML on cells with Kenward-Roger standard errors and degrees of freedom: {model}; components at "
            "zero stay in",
            source="Kenward & Roger (1997), Biometrics 53, 983-997",
        ),
        MethodNote(
            quantity="shift, scatter taken rig by rig and phase by phase",
            method="each rig and phase with the scatter of its own sets within visits, ordinary drift added from the "
            "pooled fit, degrees of freedom combined",
            source="Welch (1947), Biometrika 34, 28-35; Satterthwaite (1946), Biometrics Bulletin 2, 110-114",
        ),
        MethodNote(
            quantity="percent margins",
            method="the shift against the level of the moved rig before, tested as level + shift - ratio × level",
            source="Fieller (1954), J. R. Stat. Soc. B 16, 175-185",
        ),
        MethodNote(
            quantity="equivalence",
            method="two one-sided tests",
            source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680",
        ),
        MethodNote(
            quantity="several sections",
            method="difference claims and their intervals by Holm's steps over the deciding sections of a question",
            source="Holm (1979), Scand. J. Statist. 6, 65-70",
        ),
        MethodNote(
            quantity="ratio of standard deviations",
            method="exact F for different sets, about the mean of each visit; Pitman-Morgan for the same sets",
            source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19",
        ),
    ]
    if ratio:
        notes.append(
            MethodNote(
                quantity="analysis",
                method="on logarithms: effects are ratios, scatter is in percent",
                source="common practice, no source",
            )
        )
    if looks:
        notes.append(
            MethodNote(
                quantity="declared looks",
                method="error spending of O'Brien-Fleming type with repeated intervals; the t tests take over the "
                "nominal rates",
                source="Lan & DeMets (1983), Biometrika 70, 659-663; Jennison & Turnbull (1989), J. R. Stat. Soc. "
                "B 51, 305-361",
            )
        )
    if planned:
        notes.append(
            MethodNote(
                quantity="what to run next",
                method="simulated through the estimators and rules of this job: the phase before as it was, fresh "
                "sets in further visits after",
                source="simulation, no source",
            )
        )
    return tuple(notes)
