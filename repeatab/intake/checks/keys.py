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

_COUNT = "rows with this key"
_TELLS_STOPS = (Role.STOP.value, Role.TIME.value)
_TELLS_RUNS = (Role.RUN.value, Role.RUN_ORDER.value, *_TELLS_STOPS)


def check_duplicates(frame: Lazy, *, factors: Sequence[str], covariates: Sequence[str]) -> list[DataFinding]:
    """Rows that agree in everything that identifies a result.

    Where nothing tells runs apart, or where most keys hold several rows (stops without a stop number), equal
    keys are the rule, and only rows that agree in the result and the covariates too are reported.
    """
    keys = list(factors)
    if not keys:
        return []
    repeats_are_normal = not any(name in keys for name in _TELLS_RUNS)
    if not repeats_are_normal:
        sizes = frame.group_by(*keys).agg(nw.len().alias(_COUNT))
        double = count_rows(sizes.filter(nw.col(_COUNT) > 1))
        if double == 0:
            return []
        repeats_are_normal = not any(name in keys for name in _TELLS_STOPS) and 2 * double > count_rows(sizes)
    if repeats_are_normal and is_large(frame):
        # By chance alone some rows of so many agree in everything.
        return []
    if repeats_are_normal:
        keys += [Role.RESULT.value, *covariates]
        what = "the rows agree in every column, the result included; check that none was entered twice."
    else:
        what = (
            f"the rows agree in {', '.join(keys)}, expected one result of each. If one was entered twice, "
            "list it under [[exclude]] with a reason; if they are different, name the column that tells "
            "them apart."
        )
    repeated = frame.group_by(*keys).agg(nw.len().alias(_COUNT)).filter(nw.col(_COUNT) > 1)
    return findings_at(frame.join(repeated, on=keys, how="inner"), check="duplicate key", what=what)
