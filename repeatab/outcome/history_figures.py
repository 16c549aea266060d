"""Figures of control charts as data: what was run on a reference over time, with limits, events and signals."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from repeatab.outcome.figure_base import FigureBase


class PointUse(Enum):
    """What a charted point is for."""

    BASE = "base"
    """The limits rest on it."""
    NEW = "new"
    """It is judged by them."""
    LEFT_OUT = "left out"
    """Screened out of the base, or outside any period that is judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPoint:
    """One visit on a chart: `place` counts days (dated charts) or visits; limits are None where there are none."""

    place: float
    label: str
    value: float
    centre: float | None
    lower: float | None
    upper: float | None
    use: PointUse
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """Points that belong together, in order; a change of `stretch` starts a new line (limits began anew)."""

    name: str
    points: tuple[HistoryPoint, ...]
    stretches: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryStrip:
    """One strip of a chart: a section, a rig, or a chart of several sections together."""

    label: str
    lines: tuple[HistoryLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEvent:
    """What happened at a place of the chart; `restarts` if the limits begin anew there."""

    place: float
    label: str
    restarts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class History(FigureBase):
    """Strips over one axis of time; `dated` if places are days (1 is 0001-01-01), else they count visits."""

    strips: tuple[HistoryStrip, ...]
    events: tuple[HistoryEvent, ...]
    dated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceHistory(History):
    """The reference results of one rig with their limits and the rig's events, a strip per section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothedHistory(History):
    """Moving averages or cumulative sums of one rig, in standard deviations of the points, a strip per section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointHistory(History):
    """All sections of a visit as one distance from the centre, a strip per rig."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSectionState:
    """The state of one section on one rig: a verdict's word, and since when."""

    rig: str
    section: str
    state: str
    since: str
    decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RigStates(FigureBase):
    """The state of every rig of a laboratory at a glance: rigs down, sections across; `verdicts` by rig."""

    rigs: tuple[str, ...]
    verdicts: tuple[str, ...]
    sections: tuple[str, ...]
    states: tuple[RigSectionState, ...]
