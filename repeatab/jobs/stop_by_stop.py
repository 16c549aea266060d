"""The wrong unit: what a test on single stops would have claimed, and why not to.

In: stop-level results and the two levels.  Out: a table, or None where there are no several stops per run.
Stops of one run share its pads, its bedding and its day; they are not independent results of a rig or a lot.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from repeatab.intake.results import Results
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


def stop_by_stop(
    stops: Results | None,
    *,
    factor: str,
    a: Any,
    b: Any,
    verdicts: Mapping[str, str],
    sets: Mapping[str, int],
) -> Table | None:
    """Welch's t test on single stops beside the verdict that the design supports.

    verdicts, sets : per section, the verdict and the number of independent sets behind it.
    """
    from scipy import stats

    if stops is None:
        return None
    table = stops.to_frame()
    if not {"section", factor}.issubset(table.columns):
        return None
    rows: list[tuple[Value, ...]] = []
    for name, verdict in verdicts.items():
        part = table[table["section"] == name]
        first, second = (part.loc[part[factor] == level, "result"] for level in (a, b))
        if len(first) + len(second) <= sets[name] or min(len(first), len(second)) < 2:
            continue
        p = float(stats.ttest_ind(first, second, equal_var=False).pvalue)
        claim = "different" if p < 0.05 else "no difference found"
        rows.append((name, len(first) + len(second), p, claim, sets[name], verdict))
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
