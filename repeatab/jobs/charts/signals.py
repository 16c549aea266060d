"""Signals of the charts: which chart gave it, since when, when the change behind it probably began, what else happened.

In: nothing; `series_signals` and `joint_signals` make them.  Out: ChartSignal, Began, ScatterBegan; nearby events.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from repeatab.control.beginning import Course
from repeatab.control.signals import Side
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits


class GivenBy(Enum):
    """Which chart gave a signal; the value is the report's word."""

    LIMIT = "one point beyond the limits"
    RULE = "run rule"
    EWMA = "moving average"
    CUSUM = "cumulative sum"
    SCATTER = "scatter within the visit"
    JOINT = "sections together"
    JOINT_EWMA = "moving average of the sections together"


@dataclass(frozen=True, slots=True, kw_only=True)
class Began:
    """When a signal probably began, by visits of the rig: the likeliest, the first and last that may be.

    after: the visit before the first, the last one known unchanged (None at the very beginning).  size: of a step, or
    per visit of a drift; now: change at the last point; both in the unit of the analysis, or lengths in the metric of
    the covariance for the sections together, whose own changes by now are `changes`.
    """

    course: Course
    likelier: Course
    visit: int
    first: int
    last: int
    after: int | None
    size: float
    now: float
    strength: float
    level: float
    changes: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterBegan:
    """When the scatter within visits probably stepped to another value; visits as in Began.

    ratio: standard deviation since then over that before, with the lower and upper one that the data do not rule out.
    """

    visit: int
    first: int
    last: int
    after: int | None
    ratio: float
    lower: float
    upper: float
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignal:
    """A signal of one rig: in a section, or (section "") in the sections together.

    rule: the chart or rule in words.  at, until, points: indices of the rig's visits.  closed: what closed it, "" for
    an open one.  nearby: events between the last visit known unchanged and the last at which it may have begun.
    drivers: the sections that drive a joint signal.  began: of a change of the level, scatter_began: of the scatter
    within visits, each None for signals of the other.
    """

    rig: str
    section: str
    given_by: GivenBy
    rule: str
    side: Side
    at: int
    until: int
    points: tuple[int, ...]
    began: Began | None
    closed: str
    nearby: tuple[Event, ...]
    drivers: tuple[str, ...] = ()
    scatter_began: ScatterBegan | None = None

    @property
    def open(self) -> bool:
        return not self.closed


def nearby(
    events: Sequence[Event], rig: str, visits: Visits, began: Began | ScatterBegan | None, at: int
) -> tuple[Event, ...]:
    """Events of the rig after the last visit known unchanged, up to the last at which the change may have begun."""
    first, last = (began.after, began.last) if began else (at - 1 if at else None, at)
    low = visits.days[first] if first is not None else ""
    high = visits.days[last]
    if not high:
        return ()
    return tuple(event for event in events if event.concerns(rig) and low < event.day <= high)
