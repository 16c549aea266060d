"""Residuals of a requalification: what a pad set leaves beside the others of its rig and visit.

In: the comparison of a shift and its design.  Out: Residuals per section.
"""

from __future__ import annotations

from dataclasses import replace

from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.residuals import Residuals, residuals_of
from repeatab.jobs.requalifying.design import PHASE, RIG, VISIT, MoveDesign

_PLACE = "rig and period"


def move_residuals(shift: LevelComparison, design: MoveDesign) -> tuple[Residuals, ...]:
    """The patterns of every section, within each rig and visit; within each rig and phase where visits hold too few.

    Whatever a rig, a phase or a visit brings is taken out first, so that neither the shift nor ordinary drift can
    look like an odd set.
    """
    return _within(shift, design, VISIT) or _within(shift, design, PHASE)


def _within(shift: LevelComparison, design: MoveDesign, period: str) -> tuple[Residuals, ...]:
    place = design.table[RIG].astype(str) + " / " + design.table[period].astype(str)
    how = replace(
        shift.how, factor=_PLACE, table=design.table.assign(**{_PLACE: place}), alone=design.how.model
    )
    return residuals_of(replace(shift, how=how))
