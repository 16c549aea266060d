"""Wear in a requalification: the trend with the runs of a set, where sets ran more than once on a rig in a phase.

In: the design of the move and the question.  Out: MoveWear with a test per section and by how much the places of the
runs in their sets are part of the shift; a table and sentences. It is tested always and never taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.notes import Note, NoteKind
from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.run_order import POSITION, places_in_sets
from repeatab.jobs.levels.wear import Trend, trends_of, wear_table
from repeatab.jobs.questions import Analysis
from repeatab.jobs.requalifying.design import PAD_SET, PHASE, RIG, MoveDesign, at
from repeatab.jobs.requalifying.question import Requalification
from repeatab.jobs.wording import enumerated, p_value, percent, result
from repeatab.outcome.tables import Table

if TYPE_CHECKING:
    import pandas as pd

_ORDERS = ("run_order", "time", "day")
_OWN = ["section", RIG, PHASE, PAD_SET]
# Mean places that differ by less than this are the same number.
_SAME = 1e-9


@dataclass(frozen=True, kw_only=True)
class MoveWear:
    """Wear of sets that ran more than once on a rig in a phase.

    trends : of the sections in which it could be tested. untested : the other sections with such sets.
    ordered : whether the order of the runs of every such set is recorded.
    unlike : section -> runs by which the places in the sets changed more on the moved rig than on its controls, where
        they did. Wear is part of the shift there.
    """

    trends: tuple[Trend, ...]
    untested: tuple[str, ...]
    ordered: bool
    unlike: dict[str, float]

    @property
    def part_of_the_shift(self) -> dict[str, float]:
        """Section -> what wear brings to the shift at the estimated trend, in the unit of the trend."""
        return {t.section: t.slope * self.unlike[t.section] for t in self.trends if t.section in self.unlike}


def move_wear(question: Requalification, design: MoveDesign) -> MoveWear | None:
    """The wear that the runs show; None where no set ran more than once on a rig in a phase."""
    several = design.table[design.table.duplicated(_OWN, keep=False)]
    if several.empty:
        return None
    sections = [str(name) for name in several["section"].unique()]
    order = _order_of(several)
    if order is None:
        return MoveWear(trends=(), untested=tuple(sections), ordered=False, unlike={})
    table = _with_places(design.table, order)
    model = replace(design.how.model, covariates=(*design.how.model.covariates, POSITION))
    own = table[table["section"].isin(sections)]
    counts = several.drop_duplicates(_OWN).groupby("section")[PAD_SET].nunique()
    trends = tuple(
        replace(trend, sets=int(counts[trend.section]))
        for trend in trends_of(
            replace(design.how, table=own, model=model), question.analysis, level=question.confidence
        )
    )
    tested = [trend.section for trend in trends]
    return MoveWear(
        trends=trends,
        untested=tuple(name for name in sections if name not in tested),
        ordered=True,
        unlike=_unlike(own, design),
    )


def _order_of(several: pd.DataFrame) -> str | None:
    """The column that tells the runs of each set apart in time; a date does not for two runs of one day."""
    for name in _ORDERS:
        known = name in several.columns and several[name].notna().all()
        if known and not several.duplicated([*_OWN, name]).any():
            return name
    return None


def _with_places(table: pd.DataFrame, order: str) -> pd.DataFrame:
    """Which run of its set, on that rig in that phase, each row is of; a set that lacks its order ran once."""
    sets = table[[RIG, PHASE, PAD_SET]].astype(str).agg(" / ".join, axis=1)
    place = places_in_sets(table.assign(pad_set=sets), order).fillna(1.0).astype(float)
    return table.assign(**{POSITION: place})


def _unlike(table: pd.DataFrame, design: MoveDesign) -> dict[str, float]:
    def change(own: pd.DataFrame, rig: object) -> float:
        after, before = (at(own, rig, phase)[POSITION].mean() for phase in (design.after, design.before))
        return float(after - before)

    found = {}
    for section, own in table.groupby("section", sort=False):
        rest = [change(own, rig) for rig in design.controls]
        gap = change(own, design.moved) - (float(np.mean(rest)) if rest else 0.0)
        if abs(gap) > _SAME:
            found[str(section)] = gap
    return found


def move_wear_table(wear: MoveWear, question: Requalification, quantity: Quantity) -> Table:
    """The trend per section."""
    made = wear_table(wear.trends, question.analysis, quantity, level=question.confidence, removed=False)
    remark = (
        f"Wear is not taken out, and it is part of the shift in {enumerated(list(wear.unlike))}."
        if wear.unlike
        else "Wear is not taken out: the runs of every rig lie alike in their sets in both phases, so it cancels."
    )
    return replace(made, remarks=(f"{remark} Each line is an individual test.",))


def wear_sentences(wear: MoveWear | None, question: Requalification) -> tuple[str, ...]:
    """What the test of wear found."""
    if wear is None or not wear.trends:
        return ()
    clear = _clear(wear, question)
    if not clear:
        return (
            f"Sets that ran more than once show no clear wear in {enumerated([t.section for t in wear.trends])}.",
        )
    return (f"Sets change from run to run: {enumerated(_sizes(clear, question.analysis))} per further run.",)


def wear_notes(wear: MoveWear | None, question: Requalification) -> tuple[Note, ...]:
    """A caution where sets clearly change from run to run and that is part of the shift."""
    if wear is None:
        return ()
    parts = wear.part_of_the_shift
    mixed = [t.section for t in _clear(wear, question) if t.section in parts]
    if not mixed:
        return ()
    named = enumerated([f"{section} {_size(parts[section], question.analysis)}" for section in mixed])
    return (
        Note(
            kind=NoteKind.CAUTION,
            sources=tuple(mixed),
            text=f"The shift holds wear of the sets, which is not taken out: about {named}.",
            remedy="Run every set equally often in both phases on every rig, or judge the first run of each set only.",
        ),
    )


def wear_limits(wear: MoveWear | None, question: Requalification) -> tuple[str, ...]:
    """What wear leaves open."""
    if wear is None:
        return ()
    found = []
    if not wear.ordered:
        found.append(
            "Sets ran more than once on a rig in a phase, but the order of their runs is not recorded (a date does "
            "not tell it for two runs of one day), so wear of the sets cannot be tested. Record the run order (a "
            "column run_order or time)."
        )
    elif wear.untested:
        found.append(
            f"Whether sets wear from run to run in {enumerated(list(wear.untested))}: too few runs to tell it from "
            "the other effects."
        )
    if wear.unlike:
        found.append(_mixed(wear, question))
    return tuple(found)


def _clear(wear: MoveWear, question: Requalification) -> list[Trend]:
    return [trend for trend in wear.trends if trend.p < 1 - question.confidence]


def _mixed(wear: MoveWear, question: Requalification) -> str:
    parts = [
        f"{section} {_size(value, question.analysis)}" for section, value in wear.part_of_the_shift.items()
    ]
    amount = f" At the estimated trend that part is: {enumerated(parts)}." if parts else ""
    return (
        f"The runs of {question.moved_rig} changed their places in the sets from before to after"
        f"{' other than those of the controls' if question.control_rigs else ''}, so wear of the sets is part of the "
        f"shift in {enumerated(list(wear.unlike))}.{amount} Run every set equally often in both phases on every rig."
    )


def _sizes(trends: Sequence[Trend], analysis: Analysis) -> list[str]:
    return [f"{trend.section} {_size(trend.slope, analysis)} ({p_value(trend.p)})" for trend in trends]


def _size(value: float, analysis: Analysis) -> str:
    in_percent = analysis is Analysis.RATIO
    return percent(100 * float(np.expm1(value)), sign=True) if in_percent else result(value, sign=True)
