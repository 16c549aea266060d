"""Full digits: results whose text holds more of their differences than a number in double precision does.

In: the results of all rows as numbers, and their text where they came as text.  Out: whether digits would be lost, the
nominal value that is taken off, and the results less that value, each taken off in decimal and rounded once.

A double holds 16 digits: of 1000000000000.4 it holds the tenths to four digits, and every sum of squares about a mean
inherits that. Less 1000000000000 nothing is lost. It costs time, so it is done only where digits would be lost.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Context, Decimal
from math import floor, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from repeatab.outcome.outcome import DataFinding

FINE = "result_less_nominal"
"""Column of a checked table: the result less the nominal value of `Results.nominal`."""

# Digits of the differences that double precision has to leave; with fewer it is said, and mended where it can be.
_ENOUGH = 11
# Enough for the exact decimal value of any double that a nominal value is made of.
_EXACT = Context(prec=400)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DigitsLost:
    """What double precision leaves of results.

    level : largest size of a result; step : what one result typically differs by from the next; kept : digits of
    that step which double precision holds.
    """

    level: float
    step: float
    kept: int

    def finding(self, *, nominal: float | None, text: bool) -> DataFinding:
        """What was seen and what was done; `text`: the results came as text."""
        seen = (
            f"The results lie near {self.level:.6g} and differ by about {self.step:.2g} from one to the next. As "
            f"numbers in double precision they keep {self.kept} digits of these differences"
        )
        if nominal is not None:
            mended = f"; they are read from their text less {nominal:.17g}, which keeps all."
            return DataFinding(check="digits of the result", text=seen + mended)
        remedy = (
            "a table that is read piece by piece gives no more. Give fewer files at a time."
            if text
            else "the table holds no more. Results given as text (CSV) are read in full."
        )
        return DataFinding(check="digits of the result", text=f"{seen}; {remedy}")


def digits_lost(values: FloatArray) -> DigitsLost | None:
    """What double precision leaves of these results, in the order of the rows; None where that is enough."""
    # Near the end of the range even a mean of two has no number; the checks refuse such results.
    values = values[np.abs(values) < 1e300]
    if values.size < 2:
        return None
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    if steps.size == 0:
        return None
    return digits_left(float(np.abs(values).max()), float(np.median(steps)))


def digits_left(level: float, step: float) -> DigitsLost | None:
    """The same from the size of the results and a typical difference of two."""
    if not (level > 0 and step > 0):
        return None
    rounding = float(np.spacing(level)) / 2
    kept = floor(log10(step / rounding)) if step > rounding else 0
    return DigitsLost(level=level, step=step, kept=kept) if kept < _ENOUGH else None


def nominal_near(value: float) -> float:
    """A value that doubles hold exactly, for results near this one."""
    return float(round(value)) if 1 <= abs(value) < 2.0**53 else value


def less_nominal(texts: Iterable[str | None], nominal: float) -> Any:
    """The numbers of texts (a decimal point, no grouping) less a nominal value, as a pyarrow array.

    None and what is no finite number become null.
    """
    import pyarrow as pa

    taken_off = Decimal(nominal)
    known: dict[str, float | None] = {}

    def rest(text: str) -> float | None:
        if text not in known:
            value = Decimal(text)
            known[text] = float(_EXACT.subtract(value, taken_off)) if value.is_finite() else None
        return known[text]

    return pa.array([None if text is None else rest(text) for text in texts], pa.float64())
