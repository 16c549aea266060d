"""The question of a requalification: is a rig, after it was moved, the rig it was before?

In: what a lab states.  Out: Requalification, a frozen question. No files, no TOML.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from repeatab.base.errors import StudyError, listed
from repeatab.base.margin import Margin
from repeatab.jobs.questions import Analysis, RunCost, check_confidence


class Burden(Enum):
    """Who carries the burden of proof on a question.

    MUST_BE_SHOWN : the evidence has to show that all is well. MUST_NOT_BE_CONTRADICTED : it is enough that the
    evidence does not show the opposite, as a lab may choose where few sets can never show it.
    """

    MUST_BE_SHOWN = "must be shown"
    MUST_NOT_BE_CONTRADICTED = "must not be contradicted"


class CheckResult(Enum):
    """How a check of the rig ended, as the lab states it."""

    PASSED = "passed"
    FAILED = "failed"


CHECKS = (
    "torque",
    "pressure",
    "speed",
    "temperature channels",
    "inertia verification",
    "cooling air",
    "residual drag",
)
"""What is verified on a rig after a move (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One item of the checklist: what was found, when, and how it ended; None where the lab states nothing."""

    item: str
    value: str | None = None
    date: str | None = None
    result: CheckResult | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedDrift:
    """Ordinary drift of a rig between visits, known to the lab from its own records.

    It takes the place of an estimate, unless the data show more drift for sure. Without controls it is used only where
    the design shows no drift, since visits then hold what the lot and the season do as well.

    sd : standard deviation, in the unit of the result. df : its degrees of freedom; None: taken as known.
    """

    sd: float
    df: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sd) and self.sd >= 0):
            raise StudyError(f"ordinary_drift: found {self.sd}, expected a standard deviation, zero or more.")
        if self.df is not None and not self.df > 0:
            raise StudyError(f"ordinary_drift_df: found {self.df}, expected degrees of freedom above zero.")


@dataclass(frozen=True, slots=True, kw_only=True)
class RequalSection:
    """A section with the margin of the shift, that of the offset to the sister rig, and the stated drift."""

    name: str
    margin: Margin | None = None
    sister_margin: Margin | None = None
    decides: bool = True
    drift: StatedDrift | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Burdens:
    """The burden of each question; `sister` is None where no sister rig is named."""

    level: Burden
    repeatability: Burden
    sister: Burden | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Requalification:
    """Has the level shifted, has the repeatability worsened, does the rig still agree with its sister?

    moved_rig : the rig that was moved, rebuilt or recalibrated.
    control_rigs : rigs that stayed and ran in both phases; () if there are none.
    before, after : the labels of the two phases.
    repeatability_limit : the largest ratio of standard deviations after / before that would do.
    sister_rig : the rig it is compared with after the move; None if the third question is not asked.
    nothing_else_changed : without controls, why the lab holds that only the move can have changed the level.
    looks : declared numbers of sets on the moved rig after the move at which there may be a verdict; () for one.
    """

    moved_rig: Any
    control_rigs: tuple[Any, ...]
    before: Any
    after: Any
    sections: tuple[RequalSection, ...]
    repeatability_limit: float
    burdens: Burdens
    sister_rig: Any | None = None
    nothing_else_changed: str = ""
    looks: tuple[int, ...] = ()
    checklist: tuple[Check, ...] = ()
    confidence: float = 0.95
    analysis: Analysis = Analysis.DIFFERENCE
    cost: RunCost = field(default_factory=RunCost)
    covariates: tuple[str, ...] = ()
    seed: int = 20260101

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        self._check_rigs()
        self._check_looks()
        if self.before == self.after:
            raise StudyError(
                f"before, after: both are '{self.before}', expected the labels of two different phases."
            )
        if not (math.isfinite(self.repeatability_limit) and self.repeatability_limit > 1):
            raise StudyError(
                f"repeatability_limit: found {self.repeatability_limit}, expected a ratio of standard deviations "
                "above 1, such as 2: how many times worse than before the rig may repeat and still do."
            )

    def _check_rigs(self) -> None:
        if len(set(self.control_rigs)) < len(self.control_rigs):
            raise StudyError(f"control_rigs: {listed(self.control_rigs)} names a rig twice.")
        if self.moved_rig in self.control_rigs:
            raise StudyError(
                f"control_rigs: '{self.moved_rig}' is the moved rig. A control is a rig that stayed."
            )
        if self.sister_rig is not None and self.sister_rig == self.moved_rig:
            raise StudyError(f"sister_rig: '{self.sister_rig}' is the moved rig; expected another one.")
        if self.control_rigs and self.nothing_else_changed.strip():
            raise StudyError(
                "nothing_else_changed: control rigs are named, and what changed on them is taken out, so this "
                "statement has no use. Leave one of the two out."
            )
        if self.sister_rig is None and self.burdens.sister is not None:
            raise StudyError("burdens.sister: no sister_rig is named. Name it, or leave the burden out.")
        if self.sister_rig is not None and self.burdens.sister is None:
            raise StudyError(
                "burdens.sister: is missing. Say which burden the agreement with the sister rig carries: "
                "'must be shown' or 'must not be contradicted'."
            )

    def _check_looks(self) -> None:
        if any(look < 2 for look in self.looks) or list(self.looks) != sorted(set(self.looks)):
            raise StudyError(
                f"looks: found {list(self.looks)}, expected rising numbers of sets on the moved rig after the "
                "move, from 2, such as [3, 6, 9]."
            )
