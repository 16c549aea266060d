"""The wrong unit: what a test on single stops would have claimed, and why not to.

In: stop-level results, or their cells, and the claims made from runs.  Out: a table, or None where there are no several
stops per run.
Stops of one run share its pads, its bedding and its day; they are not independent results of a rig or a lot.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from repeatab.cells import Cells, reduce_to_cells
from repeatab.intake.results import Results
from repeatab.intake.roles import Role
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.tables import claim_name
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Verdict

RIG = Role.RIG.value
DIFFERENT = Verdict.DIFFERENT.value


def stop_by_stop(
    stops: Results | Cells | None, comparison: LevelComparison, *, rig: object = None
) -> Table | None:
    """Welch's t test on single stops beside the verdict that the design supports, claim by claim.

    rig : the only one whose stops are tested; None for those of all.
    """
    if stops is None:
        return None
    factor = comparison.how.factor
    by = ("section", factor) if rig is None else ("section", factor, RIG)
    cells = _cells(stops, by)
    if cells is None:
        return None
    rows = list(_rows(_moments(cells, factor, rig), comparison))
    if not rows:
        return None
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="stops", caption="stops", kind=ColumnKind.COUNT),
        Column(key="p", caption="p, stop by stop", kind=ColumnKind.PROBABILITY),
        Column(key="claim", caption="claim of a test on stops", kind=ColumnKind.TEXT),
        Column(key="sets", caption="independent sets", kind=ColumnKind.COUNT),
        Column(key="verdict", caption="what the design supports", kind=ColumnKind.TEXT),
    )
    remark = (
        "Stops of one run share pads, bedding and day. Counting each as a result of its own overstates the "
        "evidence several times; only the sets are independent."
    )
    return Table(
        key="stop_by_stop", caption="Why not to test stop by stop", columns=columns, rows=tuple(rows),
        remarks=(remark,),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stops:
    """How many stops, their mean and their standard deviation."""

    count: int
    mean: float
    sd: float


_NO_STOPS = _Stops(count=0, mean=0.0, sd=0.0)


def _cells(stops: Results | Cells, by: tuple[str, ...]) -> Cells | None:
    """The cells of the stops, reduced where they lie: there may be too many to hold. None where a factor is unknown."""
    if isinstance(stops, Cells):
        return stops.over(by) if set(by) <= set(stops.factors) else None
    return (
        reduce_to_cells(stops, result="result", factors=by) if all(stops.has(name) for name in by) else None
    )


def _moments(cells: Cells, factor: str, rig: object) -> dict[tuple[object, object], _Stops]:
    """The stops of each section and level, of one rig where it is named."""
    labels = {name: cells.levels_of(name)[cells.code_of(name)] for name in cells.factors}
    keys = zip(labels["section"], labels[factor], strict=True)
    here = np.ones(len(cells), bool) if rig is None else labels[RIG] == rig
    squares, spare = cells.cross[:, 0, 0], np.maximum(cells.count - 1, 1)
    sds = np.sqrt(squares / spare)
    return {
        key: _Stops(count=int(n), mean=float(mean), sd=float(sd))
        for key, n, mean, sd, wanted in zip(
            keys, cells.count, cells.mean[:, 0] + cells.shift[0], sds, here, strict=True
        )
        if wanted
    }


def _rows(
    moments: dict[tuple[object, object], _Stops], comparison: LevelComparison
) -> Iterator[tuple[Value, ...]]:
    """A line for each claim of levels that have several stops a run."""
    from scipy import stats

    own, factor = comparison.how.table, comparison.how.factor
    for claim in comparison.compared:
        name, pair = claim.section.name, claim.pair
        first, second = (moments.get((name, level), _NO_STOPS) for level in (pair.a, pair.b))
        here = own[(own["section"] == name) & own[factor].isin([pair.a, pair.b])]
        sets = int(here["pad_set"].nunique())
        if first.count + second.count <= len(here) or min(first.count, second.count) < 2:
            continue
        p = float(
            stats.ttest_ind_from_stats(
                first.mean, first.sd, first.count, second.mean, second.sd, second.count, equal_var=False
            ).pvalue
        )
        said = DIFFERENT if p < 1 - comparison.confidence else "no difference found"
        yield claim_name(claim, comparison), first.count + second.count, p, said, sets, claim.verdict.value


def overclaimed(table: Table) -> list[str]:
    """Where the test on stops claims a difference that the design does not support."""
    return [str(row[0]) for row in table.rows if row[3] == DIFFERENT and row[5] != DIFFERENT]
