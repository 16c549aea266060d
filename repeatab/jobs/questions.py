"""Questions: what a lab asks of its run results, as frozen values. No files, no TOML, no ledger.

Every number that is an engineering decision (margins, tolerance, confidence, bands) is stated by the caller;
none has a silent default except the customary confidence of 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import combinations
from typing import Any

from repeatab.base.errors import StudyError, listed
from repeatab.base.margin import Margin


class Analysis(Enum):
    """On which scale effects add up: the result itself, or its logarithm (effects are then ratios)."""

    DIFFERENCE = "difference"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section of the programme as the study sees it: its margin, and whether it decides or only informs."""

    name: str
    margin: Margin | None = None
    decides: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCost:
    """What more runs cost and how many there can be: used by "what to run next".

    hours_per_set : rig hours for one pad set on one rig; None if not stated.
    sets_at_hand : pad sets that can still be run in all; None if not stated.
    target : the probability of a verdict that is wanted.
    """

    hours_per_set: float | None = None
    sets_at_hand: int | None = None
    target: float = 0.80


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelationCheck:
    """Do rigs agree? An offset is a rig against the reference rig, or their ratio for percent margins.

    rigs : the rigs that are checked against `reference_rig`; without a reference, every pair of them.
    looks : the declared numbers of sets per rig at which there may be a verdict; () for one look.
    overall_margin : of the offset formed over all sections; None for the margin that all sections share.
    correction_valid_days, as_of : how long a correction holds, as the laboratory states it, and the day (ISO) from
        which that counts; None where no correction is to be given.
    """

    rigs: tuple[Any, ...]
    reference_rig: Any | None
    sections: tuple[Section, ...]
    confidence: float = 0.95
    analysis: Analysis = Analysis.DIFFERENCE
    looks: tuple[int, ...] = ()
    overall_margin: Margin | None = None
    correction_valid_days: int | None = None
    as_of: str | None = None
    cost: RunCost = RunCost()
    covariates: tuple[str, ...] = ()
    seed: int = 20260101

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        if any(look < 2 for look in self.looks) or list(self.looks) != sorted(set(self.looks)):
            raise StudyError(
                f"looks: found {list(self.looks)}, expected rising numbers of sets per rig from 2, such as "
                "[4, 6, 8]."
            )
        if self.correction_valid_days is not None and self.as_of is None:
            raise StudyError(
                "correction_valid_days: needs as_of, the day from which a correction counts, such as "
                "as_of = 2026-03-31. Nothing is taken from the clock of the computer."
            )
        if self.correction_valid_days is not None and self.correction_valid_days < 1:
            raise StudyError(
                f"correction_valid_days: found {self.correction_valid_days}, expected a number of days from 1, such "
                "as the days until the next correlation check."
            )
        named = [*self.rigs, *([] if self.reference_rig is None else [self.reference_rig])]
        if len(set(named)) < len(named):
            raise StudyError(f"rigs: {listed(named)} names a rig twice; expected different rigs.")
        if len(named) < 2:
            raise StudyError(f"rigs: found {listed(named)}, expected at least two rigs to compare.")

    @property
    def pairs(self) -> tuple[tuple[Any, Any], ...]:
        """The comparisons: each rig against the reference, or every pair."""
        if self.reference_rig is not None:
            return tuple((rig, self.reference_rig) for rig in self.rigs)
        return tuple((later, earlier) for earlier, later in combinations(self.rigs, 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptanceBands:
    """Percent of R&R (of total variation or of tolerance) up to which a system is acceptable or conditional.

    10 and 30 percent are the automotive measurement-systems handbook's; the customer or the lab may set
    others. system, process : limits of Q_MS and Q_MP in percent; 15 and 30 are ISO 22514-7's.
    """

    acceptable: float = 10.0
    conditional: float = 30.0
    system: float = 15.0
    process: float = 30.0

    def __post_init__(self) -> None:
        if not (self.system > 0 and self.process > 0):
            raise StudyError(
                f"bands: found system {self.system} and process {self.process}, expected positive percentages."
            )
        if not 0 < self.acceptable < self.conditional:
            raise StudyError(
                f"bands: found acceptable {self.acceptable} and conditional {self.conditional}, expected "
                "0 < acceptable < conditional (percent)."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Specification limits of the result; one of them may be absent (None)."""

    lower: float | None
    upper: float | None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise StudyError("tolerance: found no limit, expected a lower or an upper one, or both.")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise StudyError(f"tolerance: found {self.lower} to {self.upper}, expected lower < upper.")

    @property
    def width(self) -> float | None:
        """Upper less lower limit; None for a one-sided tolerance."""
        return None if self.lower is None or self.upper is None else self.upper - self.lower


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessUncertainty:
    """What the measurement process holds beside the study itself (ISO 22514-7), standard uncertainties in the
    unit of the result; None where the lab states nothing.

    resolution : smallest step of the indication. calibration : of the reference. linearity : of the
    indication. bias : estimated systematic error. reference_repeatability : standard deviation of repeated
    readings of a reference. drift, other : further components.
    """

    resolution: float | None = None
    calibration: float | None = None
    linearity: float | None = None
    reference_repeatability: float | None = None
    bias: float | None = None
    drift: float | None = None
    other: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudySection:
    """A section of a gauge study with its tolerance, if it has one."""

    name: str
    tolerance: Tolerance | None = None
    decides: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """How much of the scatter is the measurement (repeatability, rigs, operators) and how much the pad sets?

    multiplier : how many standard deviations make a spread: 6, or 5.15 in older handbooks.
    remove_wear : take a trend with run order within sets out before the components are estimated.
    """

    sections: tuple[GaugeStudySection, ...]
    confidence: float = 0.95
    multiplier: float = 6.0
    bands: AcceptanceBands = AcceptanceBands()
    process: ProcessUncertainty = ProcessUncertainty()
    remove_wear: bool = False
    analysis: Analysis = Analysis.DIFFERENCE
    covariates: tuple[str, ...] = ()
    seed: int = 20260101

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        if self.multiplier <= 0:
            raise StudyError(
                f"multiplier: found {self.multiplier}, expected a positive number such as 6 or 5.15."
            )


def check_confidence(confidence: float) -> None:
    """Refuse a confidence outside what a verdict can rest on.

    Raises
    ------
    StudyError
    """
    if not 0.5 < confidence < 1:
        raise StudyError(
            f"confidence: found {confidence}, expected a value above 0.5 and below 1, such as 0.95. "
            "Give it as a fraction, not in percent."
        )
