"""What changed together with the move, so that the two cannot be told apart.

In: the table of a move and the question.  Out: sentences: what changed on all rigs alike, what is one with the move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import listed
from repeatab.intake.results import Results
from repeatab.jobs.levels.layout import SetUse
from repeatab.jobs.requalifying.design import MOVED_AFTER, PAD_LOT, PAD_SET, PHASE, RIG, VISIT, YES, use_of
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.wording import enumerated

if TYPE_CHECKING:
    import pandas as pd


# Labels that place a run and do not describe what it ran with.
_PLACES = (
    RIG, PHASE, VISIT, PAD_SET, PAD_LOT, "section", "run", "stop", "condition", "run_order", "time", "day",
    "position_in_lot", "level", "stated_uncertainty",
)  # fmt: skip


def what_goes_with(
    table: pd.DataFrame, question: Requalification, results: Results
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What changed with the phase on all rigs alike, and what cannot be told from the move."""
    changed = _changed_companions(table, question, results)
    worn = {rig: use_of(table, rig) for rig in (question.moved_rig, *question.control_rigs)}
    if not question.control_rigs:
        return (), _without_controls(question, changed, worn[question.moved_rig])
    common, mixed = [], []
    for name, words in changed.items():
        if _told_apart(table, name):
            common.append(words)
        else:
            mixed.append(
                f"{words[:1].upper()}{words[1:]} on {question.moved_rig} and not likewise on the "
                "rigs that stayed, so that change and the move are one. "
                f"Run {question.moved_rig} with what the others ran with."
            )
    if len(set(worn.values())) > 1:
        again = [rig for rig, use in worn.items() if use is SetUse.SAME]
        mixed.append(
            f"On {enumerated([str(rig) for rig in again])} the same pad sets ran in both phases, on the others fresh "
            "ones, so wear of the sets and the move are one. Run fresh sets on every rig, or the same on every rig."
        )
    elif SetUse.SAME in worn.values():
        common.append("the pad sets were worn by their runs before")
    return tuple(common), tuple(mixed)


def _without_controls(question: Requalification, changed: dict[str, str], use: SetUse) -> tuple[str, ...]:
    if question.nothing_else_changed.strip():
        return _contradicting(question, changed, use)
    wear = " the wear of the pad sets, which ran in both phases," if use is SetUse.SAME else ""
    recorded = f" Recorded as changed: {'; '.join(changed.values())}." if changed else ""
    return (
        f"No rig stayed behind as a control, so the move of {question.moved_rig} cannot be told from anything else "
        f"that changed between '{question.before}' and '{question.after}':{wear} ageing of the lot, season and "
        f"climate, discs, operators, procedure.{recorded} Name rigs that stayed and ran the same lot in both "
        "phases, or state why nothing else can have changed (nothing_else_changed).",
    )


def _contradicting(question: Requalification, changed: dict[str, str], use: SetUse) -> tuple[str, ...]:
    """What the data say against the statement that nothing else changed."""
    found = [*changed.values()]
    if use is SetUse.SAME:
        found.append("the pad sets ran in both phases and were worn by their runs before")
    if not found:
        return ()
    return (
        f"It is stated that nothing but the move can have changed the level "
        f'("{question.nothing_else_changed.strip()}"), but the results say otherwise: {"; ".join(found)}. Name rigs '
        "that stayed and ran the same lot in both phases, or leave out a column that is no part of the conditions.",
    )


def _changed_companions(table: pd.DataFrame, question: Requalification, results: Results) -> dict[str, str]:
    """Columns of which the moved rig had one set of values before and quite another after, in words."""
    moved = table[table[RIG] == question.moved_rig]
    found = {}
    for name in results.factors:
        if name in _PLACES or name not in table.columns:
            continue
        early, late = (
            set(moved.loc[moved[PHASE] == phase, name].dropna())
            for phase in (question.before, question.after)
        )
        # A label that is new for every run (a disc used once) is no companion of the phase.
        few = max(len(early), len(late)) < moved[PAD_SET].nunique() / 2
        if early and late and not early & late and few:
            old, new = (listed(sorted(values, key=str), most=3) for values in (early, late))
            found[name] = f"{name.replace('_', ' ')} went from {old} to {new}"
    return found


def _told_apart(table: pd.DataFrame, name: str) -> bool:
    """Whether the move still has an effect of its own beside rig, phase and this column."""
    known = table.dropna(subset=[name])
    columns = [np.ones(len(known))]
    for factor in (RIG, PHASE, name):
        columns += [(known[factor] == level).to_numpy(np.float64) for level in known[factor].unique()[1:]]
    beside = np.stack(columns, axis=1)
    moved = (known[MOVED_AFTER] == YES).to_numpy(np.float64)[:, None]
    rank = np.linalg.matrix_rank
    return bool(rank(np.concatenate([beside, moved], axis=1)) > rank(beside))
