"""Signals of the joint charts of a rig, with the sections that drive them and when the change probably began.

In: a stretch of a joint chart with its vectors.  Out: ChartSignal values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.linalg import solve_triangular

from repeatab.control.arrays import FloatArray
from repeatab.control.beginning import joint_beginning
from repeatab.control.multivariate import JointBase, drivers
from repeatab.control.signals import Side, stretches
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.joint import JointRows, JointStretch, widened, widening
from repeatab.jobs.charts.question import JointWatch
from repeatab.jobs.charts.signals import Began, ChartSignal, GivenBy, nearby


def joint_signals(
    joint: JointWatch,
    rig: str,
    names: tuple[str, ...],
    base: JointBase,
    part: JointStretch,
    rows: JointRows,
    closed: str,
    visits: Visits,
    events: Sequence[Event],
    level: float,
) -> Iterator[ChartSignal]:
    """The runs of points beyond the limit of T² and of its moving-average form, as signals.

    closed : the event that closed them, empty where they are open.
    """
    charts = []
    if joint.false_alarm is not None:
        charts.append((GivenBy.JOINT, part.t2 > base.new_limit, "T² above its limit"))
    if part.mewma is not None:
        beyond = part.mewma.t2 > part.mewma.limit
        charts.append((GivenBy.JOINT_EWMA, beyond, "T² of the moving averages above its limit"))
    for kind, beyond, rule in charts:
        for first, last in stretches(beyond):
            at = int(part.visit[first])
            if kind is GivenBy.JOINT:
                run = drivers(rows.new[first], widened(base, rows.new_extra[first]))
                driving = tuple(names[i] for i in run.sections)
            else:
                assert part.mewma is not None
                driving = _largest(part.mewma.averages[first], base, names)
            began = _began(names, base, part, rows, last, level)
            yield ChartSignal(
                rig=rig, section="", given_by=kind, rule=rule, side=Side.EITHER, at=at,
                until=int(part.visit[last]), points=(at,), began=began, closed=closed,
                nearby=nearby(events, rig, visits, began, at), drivers=driving,
            )  # fmt: skip


def _began(
    names: tuple[str, ...], base: JointBase, part: JointStretch, rows: JointRows, last: int, level: float
) -> Began:
    """When the sections together began to depart, by the visits up to the last that gives the signal."""
    roots = [
        np.linalg.cholesky(widened(base, extra).covariance * widening(base))
        for extra in rows.new_extra[: last + 1]
    ]
    points = np.array(
        [
            solve_triangular(root, row - base.centre, lower=True)
            for root, row in zip(roots, rows.new[: last + 1], strict=True)
        ]
    )
    found = joint_beginning(points, level=level)
    now, first = roots[-1] @ found.now, int(part.visit[found.first])
    return Began(
        course=found.course, likelier=found.likelier, visit=int(part.visit[found.most_likely]), first=first,
        last=int(part.visit[found.last]), after=first - 1 if first > 0 else None,
        size=float(np.linalg.norm(found.size)), now=float(np.linalg.norm(found.now)),
        strength=float(np.linalg.norm(found.now)), level=level,
        changes=tuple((name, float(change)) for name, change in zip(names, now, strict=True)),
    )  # fmt: skip


def _largest(average: FloatArray, base: JointBase, names: tuple[str, ...]) -> tuple[str, ...]:
    """The sections whose averages lie at least half as far off as the farthest, farthest first."""
    alone = np.abs(average) / np.sqrt(np.diag(base.covariance))
    order = np.argsort(-alone)
    return tuple(names[i] for i in order if alone[i] >= alone.max() / 2)
