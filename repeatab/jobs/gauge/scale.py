"""How standard deviations and slopes of a gauge study are shown, and the columns that hold them.

In: values on the scale of the analysis.  Out: numbers and columns; in a ratio analysis in percent of the level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from repeatab.base.interval import Interval
from repeatab.base.quantity import Quantity
from repeatab.jobs.questions import Analysis
from repeatab.judgement.capability import Scatter
from repeatab.outcome.tables import Column, ColumnKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How standard deviations and slopes are shown."""

    analysis: Analysis
    quantity: Quantity

    @property
    def unit(self) -> str:
        """The unit of what is shown."""
        return self.quantity.unit if self.analysis is Analysis.DIFFERENCE else "%"

    @property
    def factor(self) -> float:
        """What a value on the scale of the analysis is multiplied by."""
        return 1.0 if self.analysis is Analysis.DIFFERENCE else 100.0

    def column(self, key: str, caption: str) -> Column:
        """A column of standard deviations or slopes."""
        if self.analysis is Analysis.RATIO:
            return Column(key=key, caption=caption, kind=ColumnKind.RATIO, unit="% of level")
        return Column(key=key, caption=caption, kind=ColumnKind.RESULT, unit=self.quantity.unit)

    def shown(self, value: float | None) -> float | None:
        """On the scale shown; None for what is absent or has no finite value."""
        return None if value is None or not math.isfinite(value) else self.factor * value


def text_column(key: str, caption: str) -> Column:
    """A column of words."""
    return Column(key=key, caption=caption, kind=ColumnKind.TEXT)


def number_column(key: str, caption: str, kind: ColumnKind = ColumnKind.NUMBER) -> Column:
    """A column of numbers without the unit of the result."""
    return Column(key=key, caption=caption, kind=kind)


def sd_with_limits(scatter: Scatter, scale: Scale) -> tuple[float | None, float | None, float | None]:
    """Standard deviation with lower and upper limit as shown; no limits without an interval."""
    interval = scatter.interval
    low, high = (None, None) if interval is None else (interval.lower, interval.upper)
    return scale.shown(scatter.sd), scale.shown(low), scale.shown(high)


def method_of(interval: Interval | None) -> str:
    """How an interval was formed, in words."""
    return "" if interval is None else interval.method.value
