"""The charts as small values: what is plotted is in standard deviations of the plotted points from the
centre.

In: the numbers that define a chart.  Out: Shewhart, Ewma, Cusum, which say themselves in words.
Not here: their limits for a series (limits, ewma, cusum), how long they run (run_length).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

from repeatab.base.errors import StudyError
from repeatab.control.rules import RunRule


@dataclass(frozen=True, slots=True, kw_only=True)
class Shewhart:
    """Each point on its own against limits at ± `limit`, with run rules beside it (ISO 7870-2)."""

    limit: float = 3.0
    rules: tuple[RunRule, ...] = ()

    def __post_init__(self) -> None:
        _positive("limit", self.limit)
        object.__setattr__(self, "rules", tuple(self.rules))
        for rule in self.rules:
            if not isinstance(rule, RunRule):
                raise StudyError(f"rules: found {rule!r}, expected run rules such as RunRule.same_side(9).")
            if rule.sigmas >= self.limit:
                raise StudyError(
                    f"rules: '{rule}' has its line at or beyond the limit of {self.limit:g} standard "
                    "deviations, "
                    "where one point already signals. Choose a nearer line."
                )

    def __str__(self) -> str:
        rules = "".join(f"; {rule}" for rule in self.rules)
        return f"one point more than {self.limit:g} standard deviations from the centre{rules}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    """Exponentially weighted moving average z = weight × x + (1 − weight) × z before (ISO 7870-6).

    Limits at ± `limit` standard deviations of z: of its final scatter √(weight / (2 − weight)) from the first
    point on, or, with `starting_limits`, of its scatter at each point, which is smaller at first.
    """

    weight: float
    limit: float
    starting_limits: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.weight <= 1:
            raise StudyError(
                f"weight: found {self.weight}, expected above 0 and at most 1 (0.05 to 0.3 is usual)."
            )
        _positive("limit", self.limit)

    @property
    def half_width(self) -> float:
        """The final limit in standard deviations of the plotted points."""
        return self.limit * math.sqrt(self.weight / (2 - self.weight))

    def half_width_at(self, point: int) -> float:
        """The limit at the given point (1 is the first), in standard deviations of the plotted points."""
        if not self.starting_limits or self.weight == 1:
            return self.half_width
        return self.half_width * math.sqrt(-math.expm1(2 * point * math.log1p(-self.weight)))

    def __str__(self) -> str:
        kind = "limits that widen from the start" if self.starting_limits else "constant limits"
        return (
            f"moving average with weight {self.weight:g}, {kind} at {self.limit:g} of its standard deviations"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Tabular cumulative sums of what exceeds `reference` up and down; signal beyond `decision` (ISO 7870-4).

    Both in standard deviations of the plotted points. `head_start` is where both sums begin (0 unless
    stated).
    """

    reference: float
    decision: float
    head_start: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.reference) and self.reference >= 0):
            raise StudyError(
                f"reference: found {self.reference}, expected 0 or more (half the shift to be found)."
            )
        _positive("decision", self.decision)
        if not 0 <= self.head_start <= self.decision / 2:
            raise StudyError(
                f"head_start: found {self.head_start}, expected from 0 to half the decision value, "
                f"{self.decision / 2:g} (half is usual)."
            )

    def __str__(self) -> str:
        start = f", starting at {self.head_start:g}" if self.head_start else ""
        return f"cumulative sums with reference {self.reference:g} and decision {self.decision:g}{start}"


Chart: TypeAlias = Shewhart | Ewma | Cusum


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise StudyError(f"{name}: found {value}, expected a number above 0, in standard deviations.")
