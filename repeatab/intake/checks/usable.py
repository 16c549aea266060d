"""Which rows can be used at all: the others are set aside, each with a finding, never silently.

In: the table with numbers read.  Out: the usable rows and the findings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, count_rows, is_missing
from repeatab.intake.roles import Role
from repeatab.outcome.outcome import DataFinding

RESULT = Role.RESULT.value
MAY_BE_EMPTY = tuple(
    role.value for role in (Role.STOP, Role.CONDITION, Role.TIME, Role.RUN_ORDER, Role.POSITION_IN_LOT)
)
"""Labels that a row may lack: not every section has conditions, not every rig notes the time."""


def set_aside(
    frame: Lazy, *, factors: Sequence[str], covariates: Sequence[str]
) -> tuple[Lazy, list[DataFinding]]:
    """Set aside the rows without a finite result or without a label that says what they belong to.

    covariates : the columns of numbers beside the result; one that is missing or infinite becomes null.

    Raises
    ------
    InputError
        No usable row is left.
    """
    schema = frame.collect_schema()
    no_result = is_missing(RESULT, schema[RESULT])
    infinite = ~no_result & ~nw.col(RESULT).is_finite().fill_null(False)
    findings = findings_at(
        frame.filter(no_result),
        check="missing result",
        what="the result is missing (an empty cell, or a formula never calculated); set aside.",
    )
    findings += findings_at(
        frame.filter(infinite),
        check="infinite result",
        what="the result is infinite, expected a finite number; set aside.",
    )
    unusable = no_result | infinite
    for name in factors:
        missing = is_missing(name, schema[name])
        if name in MAY_BE_EMPTY:
            continue
        what = f"the {name} is missing, so it cannot be told what the result belongs to; set aside."
        findings += findings_at(frame.filter(missing), check=f"missing {name}", what=what)
        unusable = unusable | missing
    usable = frame.filter(~unusable) if findings else frame
    if count_rows(usable) == 0:
        shown = (
            " ".join(finding.text for finding in findings[:3]) or "There are no rows, or all are excluded."
        )
        raise InputError(f"No usable result is left. {shown} Correct the data or the columns named.")
    for name in covariates:
        finite = nw.col(name).is_finite().fill_null(False)
        what = f"{name} is missing or infinite; the row is kept, but is of no use where {name} is needed."
        found = findings_at(usable.filter(~finite), check=f"missing {name}", what=what)
        if found:
            # Null, not NaN: engines take the mean of NaN in different ways.
            usable = usable.with_columns(nw.when(finite).then(nw.col(name)).alias(name))
        findings += found
    return _blank_as_text(usable, schema), findings


def _blank_as_text(frame: Lazy, schema: Mapping[str, nw.dtypes.DType]) -> Lazy:
    """Stops and conditions that are not given as empty text: engines differ on null keys."""
    names = [Role.STOP.value, Role.CONDITION.value]
    text = [name for name in names if name in schema and isinstance(schema[name], nw.String)]
    return frame.with_columns(*(nw.col(name).fill_null("") for name in text)) if text else frame
