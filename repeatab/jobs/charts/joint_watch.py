"""The sections of a visit watched together on one rig: T² and its moving-average form.

In: the series of a rig with their limits.  Out: JointRegime per regime, and the signals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from repeatab.base.errors import EstimationError, RepeatabError
from repeatab.control.arrays import BoolArray, IntArray
from repeatab.control.mewma import mewma_limit, mewma_series
from repeatab.control.multivariate import JointBase, joint_base
from repeatab.control.screening import Judged, Screening, screen
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.joint import (
    JointRegime,
    JointRows,
    JointStretch,
    joint_rows,
    no_regime,
    span_of,
    widened,
    widening,
)
from repeatab.jobs.charts.joint_signals import joint_signals
from repeatab.jobs.charts.question import ControlChart, JointWatch
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.signals import ChartSignal
from repeatab.jobs.charts.watch import Watched

_DEFAULT_RATE = 0.0027


def watch_jointly(
    question: ControlChart,
    rig: str,
    series: Mapping[str, Series],
    watched: Mapping[str, tuple[Watched, ...]],
    visits: Visits,
    events: Sequence[Event],
) -> tuple[tuple[JointRegime, ...], tuple[ChartSignal, ...]]:
    """Chart the sections of one rig together, regime by regime of its first section."""
    joint = question.joint
    assert joint is not None
    names = tuple(section.name for section in question.sections)
    if any(name not in series for name in names):
        lacking = next(name for name in names if name not in series)
        return (no_regime(rig, 0, "", f"{rig} has no results in section {lacking}."),), ()
    regimes: list[JointRegime] = []
    signals: list[ChartSignal] = []
    first = series[names[0]]
    for regime in first.regimes:
        rows = joint_rows(series, watched, names, span_of(first, regime.start, regime.stop), regime.number)
        try:
            rows = _usable(rows, names)
            base, found = _base(question, joint, rows)
        except RepeatabError as error:
            regimes.append(no_regime(rig, regime.number, regime.cause, str(error)))
            continue
        later = regime.number < len(first.regimes) - 1
        ended = first.regimes[regime.number + 1].cause if later else ""
        parts = tuple(_charted(question, joint, base, rows, rig, visits, events))
        regimes.append(
            JointRegime(
                rig=rig, number=regime.number, cause=regime.cause, base=base,
                base_visits=rows.base_visits[found.kept], trouble="", stretches=tuple(part for part, _ in parts),
                left_out=rows.left_out, screened=found, complete=rows.base_visits,
            )
        )  # fmt: skip
        for part, vectors in parts:
            closed = part.closed_by or ended
            signals += joint_signals(
                joint, rig, names, base, part, vectors, closed, visits, events, question.confidence
            )
    return tuple(regimes), tuple(signals)


def _usable(rows: JointRows | None, names: tuple[str, ...]) -> JointRows:
    """The vectors, where they have one base period and visits enough for a covariance."""
    if rows is None:
        raise EstimationError(
            "the sections do not have their limits from one base period, which the covariance needs."
        )
    visits, sections = rows.base_visits.size, len(names)
    if visits < 2 * sections:
        raise EstimationError(
            f"found {visits} complete base visits for {sections} sections; below {2 * sections} the limit "
            "would be so wide "
            "that hardly anything passes it. Extend the base, or chart fewer sections together."
        )
    return rows


def _base(question: ControlChart, joint: JointWatch, rows: JointRows) -> tuple[JointBase, Screening]:
    """Centre and covariance, robust or plain, without the base visits that screening leaves out one at a time."""
    rate, count = joint.false_alarm or _DEFAULT_RATE, rows.base_visits.size

    def formed(kept: BoolArray) -> JointBase:
        return joint_base(rows.base[kept], false_alarm=rate, robust=question.robust)

    def judged(kept: BoolArray) -> tuple[Judged, ...]:
        base, nothing = formed(kept), np.zeros(count)
        top = np.full(count, base.base_limit)
        return (
            Judged(values=base.t2(rows.base), lower=nothing, upper=top, what="T² of the sections together"),
        )

    every = Screening(kept=np.ones(count, dtype=np.bool_), removed=(), stopped=False)
    found = screen(count, judged, least=2 * rows.base.shape[1]) if question.screening else every
    return formed(found.kept), found


def _charted(
    question: ControlChart,
    joint: JointWatch,
    base: JointBase,
    rows: JointRows,
    rig: str,
    visits: Visits,
    events: Sequence[Event],
) -> Iterator[tuple[JointStretch, JointRows]]:
    left = np.arange(rows.new_visits.size)
    closings = [event for event in events if event.kind in question.closing and event.concerns(rig)]
    for event in closings:
        days = [visits.days[rows.new_visits[i]] for i in left]
        done = left[[bool(day) and day < event.day for day in days]] if left.size else left
        if done.size:
            yield _one(joint, base, rows, done, str(event))
            left = left[done.size :]
    if left.size:
        yield _one(joint, base, rows, left, "")


def _one(
    joint: JointWatch, base: JointBase, rows: JointRows, chosen: IntArray, closed_by: str
) -> tuple[JointStretch, JointRows]:
    part = replace(
        rows,
        new=rows.new[chosen],
        new_extra=rows.new_extra[chosen],
        new_visits=rows.new_visits[chosen],
    )
    t2 = np.array(
        [
            float(widened(base, extra).t2(row[None, :])[0])
            for row, extra in zip(part.new, part.new_extra, strict=True)
        ]
    )
    mewma = None
    if joint.weight is not None:
        p = base.centre.size
        limit = mewma_limit(p, weight=joint.weight, in_control=joint.in_control)
        # Few base visits: widen as the T² limit of so few is wider than that of a known covariance.
        wide = widened(base, part.new_extra.mean(axis=0)).covariance * widening(base)
        mewma = mewma_series(part.new, centre=base.centre, covariance=wide, weight=joint.weight, limit=limit)
    return JointStretch(visit=part.new_visits, t2=t2, mewma=mewma, closed_by=closed_by), part
