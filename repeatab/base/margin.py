"""Margins: the difference a laboratory has decided to call too small to matter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from repeatab.base.errors import StudyError


class MarginUnit(Enum):
    """Absolute margins are in the unit of the result; percent margins bound the ratio to the reference."""

    ABSOLUTE = "absolute"
    PERCENT = "percent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """A symmetric margin: ± `size` in the unit of the result, or ± `size` percent of the reference.

    ± 5 percent means that the ratio to the reference lies between 0.95 and 1.05.
    """

    size: float
    unit: MarginUnit

    def __post_init__(self) -> None:
        if not (math.isfinite(self.size) and self.size > 0):
            raise StudyError(f"margin: found {self.size}, expected a positive number.")
        if self.unit is MarginUnit.PERCENT and self.size >= 100:
            raise StudyError(f"margin: found {self.size} percent, expected less than 100 percent.")

    @property
    def ratio_bounds(self) -> tuple[float, float]:
        """The bounds on the ratio to the reference that a percent margin stands for."""
        if self.unit is not MarginUnit.PERCENT:
            raise StudyError(f"margin ± {self.size}: an absolute margin has no bounds as a ratio.")
        return 1 - self.size / 100, 1 + self.size / 100

    def __str__(self) -> str:
        return f"± {self.size:g} %" if self.unit is MarginUnit.PERCENT else f"± {self.size:g}"
