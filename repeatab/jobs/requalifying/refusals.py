"""What a requalification refuses: rigs and phases that are not there, phases that overlap in time.

In: run results and the question.  Out: nothing, or an error that says what to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from repeatab.base.errors import StudyError, listed, nearest
from repeatab.intake.results import Results
from repeatab.jobs.requalifying.design import PAD_SET, PHASE, RIG, at
from repeatab.jobs.requalifying.question import Requalification

if TYPE_CHECKING:
    import pandas as pd


_CLOCKS = ("time", "day")


def refuse_unknown_rigs(question: Requalification, results: Results) -> None:
    """Refuse results without rig or phase, and rigs that are not in them."""
    for role in (RIG, PHASE):
        if not results.has(role):
            raise StudyError(
                f"the results have no column for '{role}'. A requalification needs to know of every run "
                "on which rig and in which phase it was made; name the column under [columns]."
            )
    present = results.levels(RIG)
    named = [("moved_rig", question.moved_rig), *(("control_rigs", rig) for rig in question.control_rigs)]
    if question.sister_rig is not None:
        named.append(("sister_rig", question.sister_rig))
    for key, rig in named:
        if rig not in present:
            raise StudyError(
                f"{key}: there is no rig '{rig}' in the results; there are {listed(present)}."
                f"{nearest(str(rig), map(str, present))} Correct the study, or add an alias."
            )


def refuse_missing_phases(table: pd.DataFrame, question: Requalification, rigs: Sequence[Any]) -> None:
    """Refuse a rig that did not run in both phases."""
    for rig in rigs:
        for phase in (question.before, question.after):
            if at(table, rig, phase).empty:
                role, remedy = (
                    ("the moved rig", "Run pad sets there, or correct the labels of the phases.")
                    if rig == question.moved_rig
                    else ("a control", "Run it in that phase too, or leave it out of control_rigs.")
                )
                raise StudyError(
                    f"rig '{rig}' ({role}) has no results of phase '{phase}'; a change needs both phases. {remedy}"
                )


def refuse_overlap(table: pd.DataFrame, question: Requalification) -> None:
    """Refuse phases that overlap: a run marked as before that was made later than one marked as after."""
    for clock in _CLOCKS:
        if clock not in table.columns:
            continue
        known = table.dropna(subset=[clock])
        early = known[known[PHASE] == question.before].sort_values(clock, kind="stable")
        late = known[known[PHASE] == question.after].sort_values(clock, kind="stable")
        if early.empty or late.empty or not early[clock].iloc[-1] > late[clock].iloc[0]:
            continue
        last, first = early.iloc[-1], late.iloc[0]
        raise StudyError(
            f"{PHASE}: '{question.before}' and '{question.after}' overlap in time. Pad set '{_set_of(last)}' on rig "
            f"'{last[RIG]}' is marked '{question.before}' and ran at {_moment(last[clock])}, but pad set "
            f"'{_set_of(first)}' on rig '{first[RIG]}' is marked '{question.after}' and ran at "
            f"{_moment(first[clock])}. Correct the phase or the date of these runs."
        )


def _set_of(row: pd.Series[Any]) -> Any:
    return row[PAD_SET] if PAD_SET in row.index else row.get("run", "?")


def _moment(value: Any) -> str:
    return str(value).removesuffix(" 00:00:00")
