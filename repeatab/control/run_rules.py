"""Run rules applied to a series.

In: points in standard deviations from the centre, in order, and a Shewhart chart.  Out: signals.

A pattern that goes on (the tenth point of a run on one side) prolongs its signal and does not give a new one.
A point on a line or equal to the one before lies on neither side and ends a run.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from repeatab.control.arrays import BoolArray, FloatArray, series
from repeatab.control.charts import Shewhart
from repeatab.control.rules import Pattern, RunRule
from repeatab.control.signals import Side, Signal, limit_signals, stretches


def shewhart_signals(points: ArrayLike, chart: Shewhart) -> tuple[Signal, ...]:
    """Return the signals of a chart and its rules, in order of the point at which each was first given.

    Parameters
    ----------
    points : (points,) plotted values less the centre, over their standard deviation.

    Raises
    ------
    InputError
        A point is missing or infinite.
    """
    z = series(points, what="chart points", least=0)
    found = list(limit_signals(chart, z > chart.limit, z < -chart.limit))
    for rule in chart.rules:
        found.extend(rule_signals(z, rule))
    return tuple(sorted(found, key=lambda signal: signal.at))


def rule_signals(z: FloatArray, rule: RunRule) -> list[Signal]:
    """Return the signals of one rule over points in standard deviations from the centre."""
    match rule.pattern:
        case Pattern.ONE_SIDE:
            return _counted(rule, z > rule.sigmas, Side.UP) + _counted(rule, z < -rule.sigmas, Side.DOWN)
        case Pattern.CLOSE:
            return _counted(rule, np.abs(z) < rule.sigmas, Side.EITHER)
        case Pattern.AWAY:
            return _counted(rule, np.abs(z) > rule.sigmas, Side.EITHER)
        case Pattern.TREND:
            step = np.sign(np.diff(z))
            return _steps(rule, step > 0, Side.UP) + _steps(rule, step < 0, Side.DOWN)
        case Pattern.ALTERNATING:
            return _alternating(rule, np.sign(np.diff(z)))


def _counted(rule: RunRule, hit: BoolArray, side: Side) -> list[Signal]:
    """Signals where the point itself and enough of the last points are hits."""
    total = np.concatenate([[0], np.cumsum(hit)])
    ends = np.arange(1, hit.size + 1)
    recent = total[ends] - total[np.maximum(ends - rule.of, 0)]
    found = []
    for first, last in stretches(hit & (recent >= rule.points)):
        start = max(0, first - rule.of + 1)
        points = tuple(int(i) + start for i in np.flatnonzero(hit[start : first + 1]))
        found.append(Signal(given_by=rule, side=side, at=first, points=points[-rule.points :], until=last))
    return found


def _steps(rule: RunRule, step: BoolArray, side: Side) -> list[Signal]:
    return [
        _run(rule, side, first, last + 1)
        for first, last in stretches(step)
        if last - first + 2 >= rule.points
    ]


def _alternating(rule: RunRule, step: FloatArray) -> list[Signal]:
    turn = step[1:] * step[:-1] < 0
    return [
        _run(rule, Side.EITHER, first, last + 2)
        for first, last in stretches(turn)
        if last - first + 3 >= rule.points
    ]


def _run(rule: RunRule, side: Side, begin: int, until: int) -> Signal:
    at = begin + rule.points - 1
    return Signal(given_by=rule, side=side, at=at, points=tuple(range(begin, at + 1)), until=until)
