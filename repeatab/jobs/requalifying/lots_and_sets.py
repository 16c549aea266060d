"""The pad lots and sets on which a change of the moved rig shows: lots that ran throughout, sets equally worn.

In: the rows of the rigs.  Out: shared lots; rows without sets that were worn before while fresh ones ran as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from repeatab.base.errors import StudyError, listed
from repeatab.jobs.requalifying.design import PAD_LOT, PAD_SET, PHASE, RIG, at, sets_of
from repeatab.jobs.requalifying.question import Requalification

if TYPE_CHECKING:
    import pandas as pd


def shared_lots(table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]) -> list[Any]:
    """The lots that every rig ran in both phases; none where lots are not recorded.

    A change of the lot would go with the phase, and what a lot does on one rig need not be what it does on
    another.
    """
    if PAD_LOT not in table.columns:
        return []
    by_rig = {
        (rig, phase): set(at(table, rig, phase)[PAD_LOT])
        for rig in rigs
        for phase in (question.before, question.after)
    }
    moved = by_rig[question.moved_rig, question.before] & by_rig[question.moved_rig, question.after]
    if not moved:
        first, second = (by_rig[question.moved_rig, phase] for phase in (question.before, question.after))
        raise StudyError(
            f"rig '{question.moved_rig}' ran on lot {listed(sorted(first, key=str))} before and on "
            f"{listed(sorted(second, key=str))} after the move, so the change of the lot and that of the rig are one. "
            "Run sets of one lot in both phases; keep sets of the reference lot back for this."
        )
    for rig in question.control_rigs:
        for phase in (question.before, question.after):
            if not moved & by_rig[rig, phase]:
                raise StudyError(
                    f"control rig '{rig}' ran on lot {listed(sorted(by_rig[rig, phase], key=str))} in phase '{phase}', "
                    f"the moved rig on {listed(sorted(moved, key=str))}. Controls show what changed alike only on the "
                    "same lot: run it there, or leave this rig out of control_rigs."
                )
    shared = sorted(set.intersection(*by_rig.values()), key=str)
    if not shared:
        raise StudyError(
            "no pad lot ran on every rig in both phases. Run one lot throughout, or name fewer control_rigs."
        )
    return shared


def fresh_only(
    table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]
) -> tuple[pd.DataFrame, list[str]]:
    """Where a rig ran fresh sets after the move beside sets it had run before, only the fresh ones count there."""
    aside = []
    for rig in rigs:
        early, late = (sets_of(table, rig, phase) for phase in (question.before, question.after))
        if early & late and late - early:
            again = (table[RIG] == rig) & (table[PHASE] == question.after) & table[PAD_SET].isin(early & late)
            table = table[~again].reset_index(drop=True)
            names = listed(sorted(early & late, key=str))
            aside.append(
                f"Runs of {names} on {rig} after the move take no part: these sets were worn by their runs "
                "before, and fresh sets ran as well."
            )
    return table, aside
