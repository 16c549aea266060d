"""Which rows can be used at all: the others are set aside, each with a finding, never silently.

In: the table with numbers read.  Out: the usable rows and the findings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, count_rows, is_missing, nowhere
from repeatab.intake.roles import Role
from repeatab.outcome.outcome import DataFinding

RESULT = Role.RESULT.value
MAY_BE_EMPTY = tuple(
    role.value for role in (Role.STOP, Role.CONDITION, Role.TIME, Role.RUN_ORDER, Role.POSITION_IN_LOT)
)
"""Labels that a row may lack: not every section has conditions, not every rig notes the time."""


def set_aside(
    frame: Lazy, *, factors: Sequence[str], covariates: Sequence[str], may_be_empty: bool = False
) -> tuple[Lazy, list[DataFinding]]:
    """Set aside the rows without a finite result or without a label that says what they belong to.

    covariates : the columns of numbers beside the result; one that is missing or infinite becomes null.
    may_be_empty : whether these are some of the rows only, so that none of them need be usable.

    Raises
    ------
    InputError
        No usable row is left.
    """
    schema = frame.collect_schema()
    holes = _holes(schema, factors)
    counts = _counted(frame, [condition for _, _, condition in holes])
    findings: list[DataFinding] = []
    unusable = nowhere(RESULT)
    for (check, what, condition), count in zip(holes, counts, strict=True):
        if count:
            findings += findings_at(frame.filter(condition), check=check, what=what)
            unusable = unusable | condition
    usable = frame.filter(~unusable) if findings else frame
    if not may_be_empty and count_rows(usable) == 0:
        shown = (
            " ".join(finding.text for finding in findings[:3]) or "There are no rows, or all are excluded."
        )
        raise InputError(f"No usable result is left. {shown} Correct the data or the columns named.")
    infinite = [~nw.col(name).is_finite().fill_null(False) for name in covariates]
    for name, gone, count in zip(covariates, infinite, _counted(usable, infinite), strict=True):
        if not count:
            continue
        what = f"{name} is missing or infinite; the row is kept, but is of no use where {name} is needed."
        findings += findings_at(usable.filter(gone), check=f"missing {name}", what=what)
        # Null, not NaN: engines take the mean of NaN in different ways.
        usable = usable.with_columns(nw.when(~gone).then(nw.col(name)).alias(name))
    return _blank_as_text(usable, schema), findings


def _holes(schema: Mapping[str, nw.dtypes.DType], factors: Sequence[str]) -> list[tuple[str, str, nw.Expr]]:
    """What makes a row unusable: the check's name, its sentence, and which rows."""
    no_result = is_missing(RESULT, schema[RESULT])
    holes = [
        (
            "missing result",
            "the result is missing (an empty cell, or a formula never calculated); set aside.",
            no_result,
        ),
        (
            "infinite result",
            "the result is infinite, expected a finite number; set aside.",
            ~no_result & ~nw.col(RESULT).is_finite().fill_null(False),
        ),
    ]
    for name in factors:
        if name not in MAY_BE_EMPTY:
            what = f"the {name} is missing, so it cannot be told what the result belongs to; set aside."
            holes.append((f"missing {name}", what, is_missing(name, schema[name])))
    return holes


def _counted(frame: Lazy, conditions: Sequence[nw.Expr]) -> list[int]:
    """In how many rows each condition holds, from one pass: a table may be read anew for every question."""
    if not conditions:
        return []
    names = [f"condition {at}" for at in range(len(conditions))]
    flags = frame.select(*(c.cast(nw.Int64).alias(name) for c, name in zip(conditions, names, strict=True)))
    sums = flags.select(*(nw.col(name).sum() for name in names)).collect()
    return [int(sums[name].to_list()[0] or 0) for name in names]


def _blank_as_text(frame: Lazy, schema: Mapping[str, nw.dtypes.DType]) -> Lazy:
    """Stops and conditions that are not given as empty text: engines differ on null keys."""
    names = [Role.STOP.value, Role.CONDITION.value]
    text = [name for name in names if name in schema and isinstance(schema[name], nw.String)]
    return frame.with_columns(*(nw.col(name).fill_null("") for name in text)) if text else frame
