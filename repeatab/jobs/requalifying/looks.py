"""The look that a requalification stands at: how many sets ran on the moved rig after the move.

In: the declared looks and the design.  Out: LookState.
"""

from __future__ import annotations

from repeatab.jobs.levels.looks import LookState, look_at
from repeatab.jobs.requalifying.design import MoveDesign
from repeatab.jobs.requalifying.question import Requalification


def look_state(question: Requalification, design: MoveDesign) -> LookState:
    """Where the study stands among its declared looks; what ran before the move does not grow."""
    present = design.sets(design.moved, design.after)
    return look_at(
        question.looks,
        present,
        counted=f"pad sets on {design.moved} after the move",
        have_run=f"{present} have run",
        confidence=question.confidence,
        standing=design.sets(design.moved, design.before),
    )
