"""The charts of all sections together as figures.

In: joint regimes of each rig, signals.  Out: JointHistory values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.history_figures import MOST_POINTS, places_of
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.signals import ChartSignal, GivenBy
from repeatab.jobs.charts.words import TOGETHER
from repeatab.jobs.wording import enumerated
from repeatab.outcome.figures import JointHistory
from repeatab.outcome.history_figures import (
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    PointUse,
)


def joint_figures(
    question: ControlChart,
    rigs: Sequence[str],
    joint: Mapping[str, tuple[JointRegime, ...]],
    signals: Sequence[ChartSignal],
    visits: Mapping[str, Visits],
) -> Iterator[JointHistory]:
    """The figures of the joint charts that the study asks for, a strip a rig."""
    if question.joint is None:
        return
    kinds = []
    if question.joint.false_alarm is not None:
        kinds.append((GivenBy.JOINT, "t2", "Do the sections of a visit fit together?", "T²"))
    if question.joint.weight is not None:
        kinds.append(
            (
                GivenBy.JOINT_EWMA,
                "mewma",
                "Small lasting changes of the sections together",
                "T² of moving averages",
            )
        )
    dated = all(visits[rig].dated for rig in rigs)
    for kind, key, title, unit in kinds:
        strips = tuple(_joint_strip(kind, rig, joint[rig], visits[rig]) for rig in rigs)
        strips = tuple(strip for strip in strips if strip.lines[0].points)
        if not strips:
            continue
        loud = sorted({one.rig for one in signals if one.given_by is kind})
        driven = dict.fromkeys(
            name for one in signals if one.given_by is kind and one.open for name in one.drivers
        )
        tail = f", driven by {enumerated(list(driven))}" if driven else ""
        yield JointHistory(
            key=f"joint-{key}",
            title=title,
            reading=f"{unit} passes its limit on {enumerated(loud)}{tail}."
            if loud
            else f"{unit} stays within its limit.",
            unit="",
            strips=strips,
            events=(),
            dated=dated,
        )


def _joint_strip(kind: GivenBy, rig: str, regimes: tuple[JointRegime, ...], visits: Visits) -> HistoryStrip:
    points: list[HistoryPoint] = []
    stretches: list[int] = []
    number = 0
    for regime in regimes:
        if regime.base is None:
            continue
        number += 1
        if kind is GivenBy.JOINT:
            used = dict(zip(regime.base_visits.tolist(), regime.base.values.tolist(), strict=True))
            out = {int(regime.complete[one.index]): one.value for one in regime.screened.removed}
            for visit in regime.complete[-MOST_POINTS:].tolist():
                use, value = (PointUse.LEFT_OUT, out[visit]) if visit in out else (PointUse.BASE, used[visit])
                points.append(_joint_point(visits, visit, value, regime.base.base_limit, use))
                stretches.append(number)
        for stretch in regime.stretches:
            number += 1
            if kind is GivenBy.JOINT:
                values, limit = stretch.t2, regime.base.new_limit
            elif stretch.mewma is not None:
                values, limit = stretch.mewma.t2, stretch.mewma.limit
            else:
                continue
            for visit, value in list(zip(stretch.visit, values, strict=True))[-MOST_POINTS:]:
                points.append(_joint_point(visits, int(visit), float(value), limit, PointUse.NEW))
                stretches.append(number)
    line = HistoryLine(name=TOGETHER, points=tuple(points), stretches=tuple(stretches))
    return HistoryStrip(label=rig, lines=(line,))


def _joint_point(visits: Visits, visit: int, value: float, limit: float, use: PointUse) -> HistoryPoint:
    return HistoryPoint(
        place=places_of(visits, np.array([visit]))[0], label=visits.labels[visit], value=value, centre=None, lower=None,
        upper=limit, use=use, signal=value > limit,
    )  # fmt: skip
