"""Roles: what a column of a result table is for, under the same name whatever the laboratory calls it.

In: nothing.  Out: the roles, and which of them hold numbers, labels or bookkeeping.
"""

from __future__ import annotations

from enum import Enum


class Role(Enum):
    """The roles a column can have; the value is the column's name in every checked table."""

    RESULT = "result"
    RIG = "rig"
    OPERATOR = "operator"
    PAD_SET = "pad_set"
    PAD_LOT = "pad_lot"
    RUN = "run"
    SECTION = "section"
    STOP = "stop"
    CONDITION = "condition"
    RUN_ORDER = "run_order"
    PHASE = "phase"
    VISIT = "visit"
    DAY = "day"
    DISC = "disc"
    POSITION_IN_LOT = "position_in_lot"
    LABORATORY = "laboratory"
    LEVEL = "level"
    TIME = "time"
    STATED_UNCERTAINTY = "stated_uncertainty"
    UNIT = "unit"
    AVERAGING = "averaging"


NUMBER_ROLES = (Role.RESULT, Role.RUN_ORDER, Role.STATED_UNCERTAINTY)
"""Roles whose column must hold numbers; every other role holds labels (or times)."""

DESCRIBING_ROLES = (Role.UNIT, Role.AVERAGING)
"""Roles that say how the result was formed; they are compared by the checks and are no factors."""

WITHIN_RUN_ROLES = (Role.STOP, Role.CONDITION, Role.TIME)
"""Roles that change from stop to stop within one run, and so do not identify the run."""

SOURCE_FILE = "source_file"
SOURCE_ROW = "source_row"
BOOKKEEPING = (SOURCE_FILE, SOURCE_ROW)
"""Where a row came from; `source_row` is the row number that a spreadsheet shows."""

STOPS = "stops"
"""Column of run results: how many stops went into the number."""

RESERVED_NAMES = (*BOOKKEEPING, STOPS, "result_less_nominal")

_BY_NAME = {role.value: role for role in Role}


def role_named(name: str) -> Role | None:
    """The role of this name, or None for a factor or covariate of the laboratory's own."""
    return _BY_NAME.get(name)
