"""How the quantities of a lot comparison were computed, beside those of every comparison.

In: LotStudy.  Out: method notes.
"""

from __future__ import annotations

from repeatab.jobs.levels.look_plans import looks_method
from repeatab.jobs.lots.study import LotStudy
from repeatab.outcome.outcome import MethodNote


def extra_methods(study: LotStudy) -> tuple[MethodNote, ...]:
    """Method notes beside those of every comparison."""
    notes = []
    if study.wear_removed:
        notes.append(
            MethodNote(
                quantity="wear",
                method="a straight line over the runs of a set, common to all lots",
                source="common practice, no source",
            )
        )
    if study.conformities:
        notes += [
            MethodNote(
                quantity="conformity with a specification",
                method="guard band of the normal quantile times the standard uncertainty of the lot's mean, or the t "
                "limit of the lot's own sets where that is wider",
                source="ISO 14253-1:2017, decision rules",
            ),
            MethodNote(
                quantity="uncertainty of a lot's mean",
                method="s_R² - s_r² (1 - 1/n) for n sets; s_R where s_r is not stated",
                source="ISO 21748:2017, clause 7",
            ),
        ]
    if study.question.percent_of_reference is not None:
        notes.append(
            MethodNote(
                quantity="percentage comparison",
                method="ratio of the means of lot and reference lot",
                source="UN Regulation 90, annex 3, 2.2.3 (rule of comparison only)",
            )
        )
    if study.look.table is not None:
        notes.append(looks_method())
    notes.append(
        MethodNote(
            quantity="influence of a set",
            method="every claim judged again with each set left out, at its own error rate",
            source="common practice, no source",
        )
    )
    return tuple(notes)
