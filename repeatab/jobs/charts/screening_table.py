"""The table of base visits that were left out of the limits.

In: series with their watched regimes, joint charts.  Out: a Table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from repeatab.jobs.charts.columns import COUNT, RESULT, TEXT, column
from repeatab.jobs.charts.data import Key, Visits
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.charts.words import section_name
from repeatab.outcome.tables import Table, Value


def screening_table(
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    joint: Mapping[str, tuple[JointRegime, ...]],
    visits: Mapping[str, Visits],
    scale: Scale,
) -> Table | None:
    """Every base visit left out, in order, with the limits it exceeded."""
    rows = [row for rig, regimes in joint.items() for row in _left_out_jointly(rig, regimes, visits[rig])]
    for (rig, section), regimes in watched.items():
        for one in regimes:
            if one.limits is not None:
                rows += [
                    (rig, section, *row) for row in _left_out(one, one.limits, series[rig, section], scale)
                ]
    if not rows:
        return None
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT), column("round", "round", COUNT),
        column("visit", "visit", TEXT), column("judged", "judged by", TEXT),
        column("value", "value", RESULT), column("lower", "lower limit", RESULT),
        column("upper", "upper limit", RESULT),
    )  # fmt: skip
    return Table(
        key="screening",
        caption="Base visits that were left out of the limits, and why",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "Only the limits leave them out; they stay on the charts. One goes at a time, the worst first.",
        ),
    )


def _left_out_jointly(
    rig: str, regimes: tuple[JointRegime, ...], visits: Visits
) -> Iterator[tuple[Value, ...]]:
    """Visits left out of the joint chart of a rig, as rows."""
    for regime in regimes:
        for one in regime.screened.removed:
            name = visits.named(int(regime.complete[one.index]))
            yield rig, section_name(""), one.round, name, one.judged, one.value, None, one.upper


def _left_out(
    watched: Watched, limits: SeriesLimits, series: Series, scale: Scale
) -> Iterator[tuple[Value, ...]]:
    """Base visits of one regime that its limits leave out: from the round of screening to the upper limit."""
    base, named = watched.regime.base, series.visits.named
    for removed in limits.limits.removed:
        mean = "mean" in removed.judged or removed.judged == "result"
        shown = scale.level if mean else scale.change
        top = removed.upper if removed.upper < 1e300 else None
        yield (
            removed.round, named(int(series.visit[base[removed.index]])), removed.judged,
            shown(removed.value), shown(removed.lower), None if top is None else shown(top),
        )  # fmt: skip
    for place in limits.left_out:
        at = int(base[place])
        read = scale.level(float(series.cells.mean[at]))
        yield 0, named(int(series.visit[at])), "when the limits were recorded", read, None, None
    for place in limits.odd_sizes:
        at = int(base[place])
        yield (
            0,
            named(int(series.visit[at])),
            "number of runs differs",
            float(series.cells.count[at]),
            None,
            None,
        )
