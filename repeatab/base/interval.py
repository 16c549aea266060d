"""An interval with its confidence and the method that made it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class IntervalMethod(Enum):
    """How an interval was formed; the value is what the report prints."""

    CHI_SQUARE = "exact chi-square"
    MODIFIED_LARGE_SAMPLE = "modified large-sample"
    WEIGHTED_MEAN_SQUARES = "modified large-sample on weighted mean squares"
    PROFILE = "profile likelihood"
    BOOTSTRAP = "parametric bootstrap"
    GENERALISED = "generalised pivotal"
    F_RATIO = "exact F"
    SATTERTHWAITE_F = "F with Satterthwaite's degrees of freedom"
    KENWARD_ROGER = "Kenward-Roger t"
    WELCH = "Welch t"
    FEW_SETS = "Welch t, cautious for two sets"
    STUDENT = "Student t"
    PITMAN_MORGAN = "Pitman-Morgan"
    NONCENTRAL_T = "exact noncentral t"
    LIMIT_APPROXIMATE = "t with an approximate standard error of the limit"
    FEW_PAIRS = "the wider of studentised bootstrap and generalised pivotal"
    JACKKNIFE = "jackknife over whole sets, t"
    SET_BOOTSTRAP = "bootstrap of whole sets"
    SET_SUMS = "t of the sums of squares of whole sets"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A two-sided interval `lower` to `upper` at confidence `level`, in the unit of what it brackets."""

    lower: float
    upper: float
    level: float
    method: IntervalMethod

    def inside(self, low: float, high: float) -> bool:
        """Whether the whole interval lies strictly between `low` and `high`."""
        return low < self.lower and self.upper < high

    def excludes(self, value: float) -> bool:
        """Whether `value` lies outside the interval."""
        return value < self.lower or value > self.upper

    def __str__(self) -> str:
        return f"{self.lower:.4g} to {self.upper:.4g} ({self.level:.0%}, {self.method.value})"
