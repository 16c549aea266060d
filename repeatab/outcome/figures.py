"""Figures as data: each class holds exactly what one kind of figure shows; report/ draws them.

Every figure has a stable key, a title that states the question it answers, and `reading`: one sentence that
tells what to see in it, which also serves as the text alternative of the picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A labelled point with its interval; None where the design gives no such limit."""

    label: str
    value: float
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBase:
    key: str
    title: str
    reading: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterSources(FigureBase):
    """Where the scatter comes from: one bar per source as a standard deviation, with the margin as a line.

    `margin_label` says what the line is, where it is not a margin (a share of the tolerance).
    """

    sources: tuple[Estimate, ...]
    margin: float | None
    margin_label: str = "margin"


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetRow:
    """One section's offset: the interval for the difference claim and the one for the equivalence claim."""

    label: str
    value: float
    lower: float
    upper: float
    inner_lower: float
    inner_upper: float
    margin_low: float
    margin_high: float
    decides: bool
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetsBySection(FigureBase):
    """Offset and interval per section against the margin band; `from_label` minus or over `to_label`."""

    rows: tuple[OffsetRow, ...]
    first: str
    second: str


class Panel(Enum):
    """Whether sections share one scale or have their own."""

    SHARED = "shared"
    OWN = "own"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPoint:
    """One run result of a pad set on a rig, in run order."""

    section: str
    rig: str
    pad_set: str
    order: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SetsAcrossRigs(FigureBase):
    """One thin line per set that ran on several rigs, points for sets that ran once."""

    points: tuple[SetPoint, ...]
    rigs: tuple[str, ...]
    sections: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatabilityByRig(FigureBase):
    """Repeatability standard deviation per rig (and section) with its interval."""

    sections: tuple[str, ...]
    rigs: tuple[str, ...]
    estimates: tuple[tuple[Estimate, ...], ...]
    """[section][rig], in the order of `sections` and `rigs`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderPoint:
    """One run in its order, with what remains after set and rig are taken out."""

    section: str
    series: str
    order: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderOfRuns(FigureBase):
    """Results in the order of the runs, one series per rig, so that drift and wear can be seen."""

    points: tuple[OrderPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreRunsRow:
    """What a number of sets per rig would buy: the probability of each verdict, the rig hours if stated."""

    sets_per_arm: int
    rig_hours: float | None
    probability_no_difference: float
    probability_observed: float
    interval_half_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatMoreRunsBuy(FigureBase):
    """Probability of a verdict and interval width against the number of sets per arm."""

    rows: tuple[MoreRunsRow, ...]
    target: float
    margin: float | None


Figure = (
    ScatterSources | OffsetsBySection | SetsAcrossRigs | RepeatabilityByRig | OrderOfRuns | WhatMoreRunsBuy
)
