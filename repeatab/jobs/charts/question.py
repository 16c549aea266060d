"""The question of a control chart: which charts watch which rigs, on what base, and what restarts them.

In: the laboratory's choices as types.  Out: ControlChart.  No files, no TOML, no ledger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from repeatab.base.errors import StudyError
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.scatter import ScatterMethod
from repeatab.jobs.charts.past_corrections import RecordedStep, RecordedWear
from repeatab.jobs.questions import Analysis, check_confidence


class Reference(Enum):
    """What is run again and again; the value is the word in a study file."""

    LOT = "fresh sets of a lot"
    SET = "the same set again"


class Plotted(Enum):
    """How the runs of a visit become a point, and where its limits come from; the value is the word in a study."""

    SINGLE = "single results"
    """The mean of a visit as one result: limits from how the visits scatter (moving ranges unless stated)."""
    MEAN_AND_RANGE = "mean and range"
    """Mean and range of a visit; limits of both from the scatter within visits alone."""
    MEAN_AND_SD = "mean and standard deviation"
    """Mean and standard deviation of a visit; limits of both from the scatter within visits alone."""
    VISITS = "visits"
    """Visit-to-visit and within-visit scatter kept apart: limits of the mean from both, of the scatter from one."""


class Residuals(Enum):
    """When to chart what each point adds to what the one before made one expect."""

    WHEN_NEEDED = "when needed"
    ALWAYS = "always"
    NEVER = "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class BasePeriod:
    """Phase I: the visits from which the limits come.

    start, until: first and last day as ISO dates, None for no bound.  visits: no more than so many visits.
    after_restart: visits that form the base anew after an event that restarts the limits.
    """

    start: str | None = None
    until: str | None = None
    visits: int | None = None
    after_restart: int = 12

    def __post_init__(self) -> None:
        if self.until is None and self.visits is None:
            raise StudyError(
                "base: found no end of the base period. State until (a date) or visits (a number): the results up "
                "to then, from a time when the rigs were known to be sound, set the limits."
            )
        if self.visits is not None and self.visits < 3:
            raise StudyError(f"base.visits: found {self.visits}, expected at least 3 visits.")
        if self.after_restart < 3:
            raise StudyError(f"base.after_restart: found {self.after_restart}, expected at least 3 visits.")
        if self.start is not None and self.until is not None and self.start > self.until:
            raise StudyError(f"base: found {self.start} to {self.until}, expected the start before the end.")

    def holds(self, days: NDArray[np.datetime64]) -> NDArray[np.bool_]:
        """(days,) whether each lies between start and until; not-a-time does only where both are open."""
        inside = np.ones(days.size, dtype=np.bool_)
        if self.start is not None:
            inside &= days >= np.datetime64(self.start, "D")
        if self.until is not None:
            inside &= days <= np.datetime64(self.until, "D")
        return inside


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseOfLimits:
    """The base period behind recorded limits, so that later months judge by exactly these.

    first, last: labels of its first and last visit.  left_out: labels of the visits that the limits leave out.
    form: what is plotted.  runs: of a typical visit.  df: degrees of freedom of the standard deviation, None for moving
    ranges.  centre_variance: of the centre, over that of a point.  within_df, between_sd: of the scatter within visits
    and of the visits.  ratio_of_means: scatter of the means over what the scatter within explains.  carry: carry-over
    from visit to visit where residuals are charted.  quantity, analysis: of the results.  noted: where the limits are
    recorded, in words; it tells no limits apart.  wear: of a set that runs again and again, None for fresh sets of a
    lot.  steps: between references, over which the points run on.
    """

    first: str
    last: str
    form: Plotted
    runs: int
    df: float | None
    centre_variance: float
    left_out: tuple[str, ...] = ()
    within_df: float | None = None
    between_sd: float | None = None
    ratio_of_means: float | None = None
    carry: float | None = None
    quantity: str = ""
    analysis: Analysis = Analysis.DIFFERENCE
    noted: str = field(default="", compare=False)
    wear: RecordedWear | None = None
    steps: tuple[RecordedStep, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedLimits:
    """Frozen limits of one rig and section that were set before: centre and standard deviation of a plotted point.

    Both are on the scale of the analysis: natural logarithms where ratios are analysed.
    base: points they rest on, None if they are taken as known.  within_sd: of a run within a visit, if known.
    reference: the lot or set they hold for; None for the first in the results.  rests_on: the base period of limits
    that were recorded; None for limits that the study states.
    """

    rig: str
    section: str
    centre: float
    sd: float
    base: int | None = None
    within_sd: float | None = None
    reference: str | None = None
    rests_on: BaseOfLimits | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.centre) and math.isfinite(self.sd) and self.sd > 0):
            raise StudyError(
                f"limits of {self.rig}, {self.section}: found centre {self.centre} and sd {self.sd}, expected "
                "numbers, the standard deviation above 0."
            )
        if self.base is not None and self.base < 3:
            raise StudyError(
                f"limits of {self.rig}, {self.section}: found base = {self.base}, expected at least 3 points."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class JointWatch:
    """Charts across the sections of a run.

    false_alarm: of one point of the T² chart, None to leave that chart out.  weight: of the moving average of all
    sections, None to leave it out; its limit follows from `in_control`, points to a false alarm.
    """

    false_alarm: float | None = 0.0027
    weight: float | None = None
    in_control: float = 370.0

    def __post_init__(self) -> None:
        if self.false_alarm is not None and not 0 < self.false_alarm < 0.5:
            raise StudyError(
                f"joint.false_alarm: found {self.false_alarm}, expected a probability such as 0.0027."
            )
        if self.weight is not None and not 0.02 <= self.weight <= 1:
            raise StudyError(f"joint.weight: found {self.weight}, expected from 0.02 to 1 (0.1 is usual).")
        if not self.in_control > 2:
            raise StudyError(f"joint.in_control: found {self.in_control}, expected more than 2 points.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartedSection:
    """A section that is watched; one that does not decide is charted and signals without touching the verdict."""

    name: str
    decides: bool = True


RESTARTING = ("relocation", "rebuild", "recalibration")
CLOSING = ("signal closed",)
_THREE_SIGMA = Shewhart()


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlChart:
    """Is each rig still what it was, by its reference runs?

    rigs: those watched, () for all in the results.  ewma, cusum, joint: charts beside the Shewhart chart, None to
    leave them out.  shift: the change in standard deviations of the points that the run lengths are printed for.
    restart_at: kinds of event after which a rig's limits are formed anew.  closing: kinds of event that close the
    signals given until then.  limits: frozen ones; stated ones hold until the first event that restarts the limits,
    recorded ones where their base period lies; others come from the base period.
    """

    sections: tuple[ChartedSection, ...]
    base: BasePeriod | None
    rigs: tuple[str, ...] = ()
    reference: Reference = Reference.LOT
    plotted: Plotted | None = None
    shewhart: Shewhart = _THREE_SIGMA
    ewma: Ewma | None = None
    cusum: Cusum | None = None
    joint: JointWatch | None = None
    shift: float = 1.0
    scatter: ScatterMethod = ScatterMethod.MOVING_RANGE
    robust: bool = False
    screening: bool = False
    residuals: Residuals = Residuals.WHEN_NEEDED
    limits: tuple[StatedLimits, ...] = ()
    restart_at: tuple[str, ...] = RESTARTING
    closing: tuple[str, ...] = CLOSING
    confidence: float = 0.95
    analysis: Analysis = Analysis.DIFFERENCE
    seed: int | None = None

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        if not self.sections:
            raise StudyError("sections: none is named; expected at least one section to watch.")
        if self.base is None and not self.limits:
            raise StudyError(
                "base: is missing. State a base period, or the limits themselves where they were set before."
            )
        if not (math.isfinite(self.shift) and self.shift > 0):
            raise StudyError(
                f"shift: found {self.shift}, expected above 0, in standard deviations of the points."
            )
        pairs = [
            (stated.rig, stated.section, stated.reference)
            for stated in self.limits
            if stated.rests_on is None
        ]
        if len(set(pairs)) < len(pairs):
            raise StudyError(
                "limits: a rig and section has limits stated twice for one reference; expected once."
            )
