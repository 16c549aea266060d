"""How levels and changes of a control chart are shown.

In: a value on the scale of the analysis.  Out: the same in the unit of the result, or in percent, as number or text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from repeatab.base.quantity import Quantity
from repeatab.control.arrays import FloatArray
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import percent, result


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How levels and changes on the scale of the analysis are shown."""

    analysis: Analysis
    quantity: Quantity

    @property
    def ratio(self) -> bool:
        """Whether changes are ratios, shown in percent."""
        return self.analysis is Analysis.RATIO

    @property
    def change_unit(self) -> str:
        """The unit of `change`."""
        return "%" if self.ratio else self.quantity.unit

    def level(self, value: float) -> float:
        """A level in the unit of the result."""
        return math.exp(value) if self.ratio else value

    def levels(self, values: FloatArray) -> FloatArray:
        """Levels in the unit of the result."""
        return np.exp(values) if self.ratio else values

    def change(self, value: float) -> float:
        """A change: in the unit of the result, or in percent."""
        return 100 * math.expm1(value) if self.ratio else value

    def change_text(self, value: float) -> str:
        """A change with its sign and unit."""
        shown = self.change(value)
        if self.ratio:
            return percent(shown, sign=True)
        unit = f" {self.quantity.unit}" if self.quantity.unit else ""
        return f"{result(shown, sign=True)}{unit}"
