"""Whether one result stands in the table twice.

In: usable rows.  Out: findings on rows with the same key.
"""

from __future__ import annotations

from collections.abc import Sequence

import narwhals.stable.v2 as nw

from repeatab.intake.checks.places import findings_at
from repeatab.intake.engine import Lazy, count_rows, is_large
from repeatab.intake.roles import Role
from repeatab.outcome.outcome import DataFinding

DUPLICATE = "duplicate key"
ALL_AGREE = "the rows agree in every column, the result included; check that none was entered twice."
"""Said of rows in tables whose keys may repeat."""

_COUNT = "rows with this key"
_TELLS_STOPS = (Role.STOP.value, Role.TIME.value)
_TELLS_RUNS = (Role.RUN.value, Role.RUN_ORDER.value, *_TELLS_STOPS)


def tells_runs(factors: Sequence[str]) -> bool:
    """Whether a factor tells one run or stop from another, so that equal keys are no rule."""
    return any(name in factors for name in _TELLS_RUNS)


def repeated_keys(frame: Lazy, factors: Sequence[str]) -> tuple[int, int]:
    """How many keys several rows have, and how many keys there are; none where nothing tells runs apart."""
    if not tells_runs(factors):
        return 0, 0
    sizes = frame.group_by(*factors).agg(nw.len().alias(_COUNT))
    double = count_rows(sizes.filter(nw.col(_COUNT) > 1))
    return double, count_rows(sizes) if double else 0


def check_duplicates(
    frame: Lazy,
    *,
    factors: Sequence[str],
    covariates: Sequence[str],
    repeated: tuple[int, int] | None = None,
) -> list[DataFinding]:
    """Rows that agree in everything that identifies a result.

    Where nothing tells runs apart, or where most keys hold several rows (stops without a stop number), equal
    keys are the rule, and only rows that agree in the result and the covariates too are reported.

    repeated : `repeated_keys` of the whole table, where these are some of its rows.
    """
    keys = list(factors)
    if not keys:
        return []
    repeats_are_normal = not tells_runs(keys)
    if not repeats_are_normal:
        double, every = repeated_keys(frame, keys) if repeated is None else repeated
        if double == 0:
            return []
        repeats_are_normal = not any(name in keys for name in _TELLS_STOPS) and 2 * double > every
    if repeats_are_normal and is_large(frame):
        # By chance alone some rows of so many agree in everything.
        return []
    if repeats_are_normal:
        keys += [Role.RESULT.value, *covariates]
        what = ALL_AGREE
    else:
        what = (
            f"the rows agree in {', '.join(keys)}, expected one result of each. If one was entered twice, "
            "list it under [[exclude]] with a reason; if they are different, name the column that tells "
            "them apart."
        )
    twice = frame.group_by(*keys).agg(nw.len().alias(_COUNT)).filter(nw.col(_COUNT) > 1)
    return findings_at(frame.join(twice, on=keys, how="inner"), check=DUPLICATE, what=what)
