"""The look that a requalification stands at: how many sets ran after the move, and which error rates that look has.

In: the declared looks and the design.  Out: LookState.
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.jobs.level_comparison import Rates
from repeatab.jobs.level_outcome import ONE_LOOK
from repeatab.jobs.requal_design import MoveDesign
from repeatab.jobs.requal_question import Requalification
from repeatab.jobs.wording import enumerated
from repeatab.judgement.looks import LookLevels, Spending, information_fractions, look_levels
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

# Rates below this stand for "nothing can be claimed yet"; an interval needs some rate to be finite.
_SMALLEST = 1e-10


@dataclass(frozen=True, kw_only=True)
class LookState:
    """rates : error rates of this judgement. between : whether the number of sets stands between declared looks.
    sentence : what to know of the looks."""

    rates: Rates
    between: bool
    sentence: str
    table: Table | None = None


def look_state(question: Requalification, design: MoveDesign) -> LookState:
    """Where the study stands among its declared looks."""
    usual = Rates.at(question.confidence)
    if not question.looks:
        return LookState(rates=usual, between=False, sentence=ONE_LOOK)
    present = design.sets(design.moved, design.after)
    before = design.sets(design.moved, design.before)
    fractions = information_fractions([(before, look) for look in question.looks])
    levels = look_levels(list(fractions), confidence=question.confidence, spending=Spending.O_BRIEN_FLEMING)
    last = question.looks[-1]
    position = len(question.looks) - 1 if present >= last else None
    if present in question.looks:
        position = question.looks.index(present)
    declared = enumerated([str(look) for look in question.looks])
    start = (
        f"Looks were declared at {declared} pad sets on {design.moved} after the move; {present} have run."
    )
    table = _table(question, levels, position)
    if position is None:
        coming = next(look for look in question.looks if look > present)
        sentence = f"{start} Between looks there is no verdict: the next one is at {coming} sets."
        return LookState(rates=usual, between=True, sentence=sentence, table=table)
    rates = Rates(
        difference=max(float(levels.difference[position]), _SMALLEST),
        equivalence=max(float(levels.equivalence[position]), _SMALLEST),
    )
    sentence = (
        f"{start} This is look {position + 1} of {len(question.looks)}: a difference is claimed at an error rate of "
        f"{rates.difference:.4f}, equivalence at {rates.equivalence:.4f}, so that over all looks together each stays "
        f"at {1 - question.confidence:.2f}. The intervals are the repeated intervals at these rates."
    )
    return LookState(rates=rates, between=False, sentence=sentence, table=table)


def _table(question: Requalification, levels: LookLevels, position: int | None) -> Table:
    rows: list[tuple[Value, ...]] = [
        (i + 1, look, float(levels.difference[i]), float(levels.equivalence[i]),
         "this one" if i == position else "passed" if position is not None and i < position else "to come or passed")
        for i, look in enumerate(question.looks)
    ]  # fmt: skip
    return Table(
        key="looks",
        caption="Declared looks and the error rates they may spend",
        columns=(
            Column(key="look", caption="look", kind=ColumnKind.COUNT),
            Column(key="sets", caption="sets after the move", kind=ColumnKind.COUNT),
            Column(key="difference", caption="rate of a difference claim", kind=ColumnKind.PROBABILITY),
            Column(key="equivalence", caption="rate of each one-sided test", kind=ColumnKind.PROBABILITY),
            Column(key="state", caption="state", kind=ColumnKind.TEXT),
        ),
        rows=tuple(rows),
        remarks=(
            f"Spending function of {levels.spending.value} (Lan & DeMets 1983, Biometrika 70, 659-663).",
        ),
    )
