"""Figures as data: each class holds exactly what one kind of figure shows; report/ draws them.

Every figure has a stable key, a title that states the question it answers, and `reading`: one sentence that
tells what to see in it, which also serves as the text alternative of the picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from repeatab.outcome.figure_base import FigureBase as FigureBase
from repeatab.outcome.history_figures import JointHistory as JointHistory
from repeatab.outcome.history_figures import ReferenceHistory as ReferenceHistory
from repeatab.outcome.history_figures import RigStates as RigStates
from repeatab.outcome.history_figures import SmoothedHistory as SmoothedHistory
from repeatab.outcome.plan_figures import HoursAgainstGain as HoursAgainstGain
from repeatab.outcome.plan_figures import VerdictAgainstOffset as VerdictAgainstOffset


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A labelled point with its interval; None where the design gives no such limit."""

    label: str
    value: float
    lower: float | None
    upper: float | None


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
    """One thin line per set that ran on several rigs, points for sets that ran once.

    `level` is what the rows are: rigs, or whatever else is compared.
    """

    points: tuple[SetPoint, ...]
    rigs: tuple[str, ...]
    sections: tuple[str, ...]
    level: str = "rig"


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
    """Results in the order of the runs, one series per rig, so that drift and wear can be seen.

    `removed` says whose means were taken out.
    """

    points: tuple[OrderPoint, ...]
    removed: str = "rig and pad set"


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
    """Probability of a verdict and interval width against the number of sets per arm; `level` is what an arm is."""

    rows: tuple[MoreRunsRow, ...]
    target: float
    margin: float | None
    level: str = "rig"


class Beyond(Enum):
    """Which indicator value a consistency statistic lies beyond."""

    NEITHER = ""
    FIVE_PERCENT = "5 %"
    ONE_PERCENT = "1 %"


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsistencyPoint:
    """h and k of one cell; None where a statistic is not defined."""

    laboratory: str
    level: str
    h: float | None
    k: float | None
    h_beyond: Beyond
    k_beyond: Beyond


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsistencyByLaboratory(FigureBase):
    """Mandel's h and k, a lane per laboratory and a mark per level.

    The indicator values are those of most cells; whether a point lies beyond its own is said by the point.
    `highlight` names the laboratory the figure is made for, empty for none.
    """

    laboratories: tuple[str, ...]
    levels: tuple[str, ...]
    points: tuple[ConsistencyPoint, ...]
    h_5: float | None
    h_1: float | None
    k_5: float | None
    k_1: float | None
    highlight: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryResults:
    """One cell: its results where they are known (else none), its mean and scatter, and what tests call it."""

    laboratory: str
    level: str
    values: tuple[float, ...]
    mean: float
    sd: float | None
    flag: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLine:
    """What the results of a level are seen against: a value and a band about it."""

    level: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultsByLaboratory(FigureBase):
    """Results of every laboratory, one panel per level; the labels say what line and band are."""

    laboratories: tuple[str, ...]
    rows: tuple[LaboratoryResults, ...]
    lines: tuple[LevelLine, ...]
    line_label: str
    band_label: str
    highlight: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairPoint:
    """One laboratory's deviation from the middle of two levels."""

    laboratory: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPair:
    first: str
    second: str
    points: tuple[PairPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairsOfLevels(FigureBase):
    """Each laboratory's mean at one level against that at another: along the diagonal it is the laboratory."""

    pairs: tuple[LevelPair, ...]
    highlight: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionPoint:
    """Standard deviations of one level at its mean; s_r is None where nothing was repeated."""

    level: str
    mean: float
    repeatability: Estimate | None
    reproducibility: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionCurve:
    """A recommended form: which standard deviation it gives, the form in words, and points on it (mean, s)."""

    label: str
    form: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionByLevel(FigureBase):
    """Repeatability and reproducibility standard deviation against the level."""

    rows: tuple[PrecisionPoint, ...]
    curves: tuple[PrecisionCurve, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnRun:
    """Runs of one set on one visit to the pilot laboratory, as the deviation from the set's own level."""

    pad_set: str
    position: float
    value: float
    takes_part: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftLine:
    """The fitted change at a position, with its limits."""

    position: float
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelWear:
    """One level's return runs, the line through them, and where each laboratory's runs stand."""

    level: str
    runs: tuple[ReturnRun, ...]
    line: tuple[DriftLine, ...]
    places: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WearOfSets(FigureBase):
    """Drift of travelling sets, one strip per level, against the run of the set."""

    levels: tuple[LevelWear, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetMonth:
    """The offset that one check found, on the day it stood for, with its own interval."""

    day: str
    value: float
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetSeries:
    """The offsets of one section in the order of their days, the latest last, with today's margin."""

    label: str
    months: tuple[OffsetMonth, ...]
    margin_low: float | None
    margin_high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetHistory(FigureBase):
    """Offsets month by month, one strip per section; `events` are days with what happened then."""

    series: tuple[OffsetSeries, ...]
    events: tuple[tuple[str, str], ...]


Figure = (
    ScatterSources
    | OffsetsBySection
    | SetsAcrossRigs
    | RepeatabilityByRig
    | OrderOfRuns
    | WhatMoreRunsBuy
    | ConsistencyByLaboratory
    | ResultsByLaboratory
    | PairsOfLevels
    | PrecisionByLevel
    | WearOfSets
    | OffsetHistory
    | ReferenceHistory
    | SmoothedHistory
    | JointHistory
    | RigStates
    | VerdictAgainstOffset
    | HoursAgainstGain
)
