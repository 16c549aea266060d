"""What a chart says about a series: signals, with the points that gave them.

Out: Signal and Side, shared by all charts.  Point numbers are indices into the series, from 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

import numpy as np

from repeatab.control.arrays import BoolArray
from repeatab.control.charts import Chart
from repeatab.control.rules import RunRule


class Side(Enum):
    """The side of the centre, or the direction, of a signal."""

    UP = "up"
    DOWN = "down"
    EITHER = "either"


GivenBy: TypeAlias = RunRule | Chart
"""What gave a signal: a run rule, or the chart's own limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One signal: given first at point `at` by `points`, and still given at each point up to `until`."""

    given_by: GivenBy
    side: Side
    at: int
    points: tuple[int, ...]
    until: int


def stretches(given: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield first and last index of each uninterrupted stretch of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], given, [False]]).astype(np.int8)))
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        yield int(first), int(after) - 1


def limit_signals(chart: Chart, above: BoolArray, below: BoolArray) -> tuple[Signal, ...]:
    """Return a signal for each stretch of points beyond a chart's own upper or lower limit."""
    found = [
        Signal(given_by=chart, side=side, at=first, points=(first,), until=last)
        for given, side in ((above, Side.UP), (below, Side.DOWN))
        for first, last in stretches(given)
    ]
    return tuple(sorted(found, key=lambda signal: (signal.at, signal.side.value)))
