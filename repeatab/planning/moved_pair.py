"""Moved pair: a fitted pair whose means are shifted by a true offset.

In: a Pair fitted at no offset.  Out: the same at any offset. A true offset adds a constant to a level, which moves its
mean and leaves every residual as it is, so that one fit serves all offsets.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from repeatab.base.interval import IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.pairs import Pair


@dataclass(frozen=True, kw_only=True)
class MovedPair:
    """A pair that works out its precision at each ratio once; by_a, by_b : what its two levels have gained."""

    pair: Pair
    by_a: float = 0.0
    by_b: float = 0.0
    known: dict[float, tuple[FloatArray, FloatArray]] = field(default_factory=dict)

    @property
    def mean_a(self) -> FloatArray:
        return self.pair.mean_a + self.by_a

    @property
    def mean_b(self) -> FloatArray:
        return self.pair.mean_b + self.by_b

    @property
    def method(self) -> IntervalMethod:
        return self.pair.method

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        if np.ptp(ratio) > 0:
            return self.pair.precision(ratio)
        key = float(ratio[0])
        if key not in self.known:
            self.known[key] = self.pair.precision(ratio)
        return self.known[key]

    def moved(self, by_a: float, by_b: float) -> MovedPair:
        """The same fit at other true means."""
        return replace(self, by_a=by_a, by_b=by_b)
