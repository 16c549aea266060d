"""Family rule: the error rates of difference claims over several sections and pairs, for many simulated studies.

In: the probabilities of each claim, the correlation of the pairs' contrasts.  Out: the rate of each claim.
The rule is the study's own: Holm's steps over the sections (Holm 1979, Scand. J. Statist. 6, 65-70), each section
entering with its largest difference, and within a section the multivariate t distribution of its pairs (Dunnett 1955,
J. Am. Stat. Assoc. 50, 1096-1121). The study works it out claim by claim; here it is tabulated over degrees of freedom
and read off between the tabulated values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import interpolate, special

from repeatab.cells import FloatArray
from repeatab.estimation.simultaneous import adjusted_p, simultaneous_point

# Beyond the twelfth decimal no rate is compared; rates change smoothly with one over the degrees of freedom.
_SMALLEST, _STEPS, _PLACES = 1e-12, 49, 7


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRule:
    """correlation : (pairs, pairs) of the contrasts of one section."""

    correlation: FloatArray

    @property
    def single(self) -> bool:
        """Whether there is one pair, so that nothing is adjusted within a section."""
        return len(self.correlation) == 1

    def section_p(self, smallest: FloatArray, df: FloatArray) -> FloatArray:
        """(draws,) probability of a section's largest difference, adjusted for the number of its pairs.

        smallest : (draws,) the smallest probability of the pairs; df : (draws,) the smallest degrees of freedom.
        """
        if self.single:
            return smallest
        places = _places(df)
        steps = np.linspace(np.log(_SMALLEST), 0.0, _STEPS)
        table = np.empty((len(places), _STEPS))
        for row, place in enumerate(places):
            t = special.stdtrit(1 / place, 1 - np.exp(steps) / 2)
            table[row] = np.log(np.maximum(adjusted_p(t, self.correlation, 1 / place), _SMALLEST))
        read = interpolate.RegularGridInterpolator((places, steps), table)
        log_p = np.log(np.clip(smallest, _SMALLEST, 1.0))
        return np.asarray(np.exp(read(np.stack([_within(1 / df, places), log_p], axis=1))))

    def pair_rate(self, rate: FloatArray, df: FloatArray) -> FloatArray:
        """(draws,) rate of each pair that keeps `rate` (draws,) over all pairs of the section."""
        if self.single:
            return rate
        places, found = _places(df), np.empty(len(rate))
        for value in np.unique(rate):
            own = rate == value
            table = [self.rate_at(float(value), 1 / place) for place in places]
            found[own] = np.exp(np.interp(_within(1 / df[own], places), places, np.log(table)))
        return found

    def rate_at(self, rate: float, df: float) -> float:
        """The rate of each pair that keeps `rate` over all of them, at these degrees of freedom."""
        if self.single:
            return rate
        point = simultaneous_point(self.correlation, df, 1 - rate)
        return float(2 * special.stdtr(df, -point))


def _places(df: FloatArray) -> FloatArray:
    """(places,) rising values of one over the degrees of freedom that cover those found."""
    low, high = 1 / float(df.max()), 1 / float(df.min())
    return np.linspace(low, max(high, low * (1 + 1e-6)), _PLACES)


def _within(value: FloatArray, places: FloatArray) -> FloatArray:
    return np.asarray(np.clip(value, places[0], places[-1]))


def holm_rates(p: FloatArray, alpha: float) -> FloatArray:
    """`holm_levels` for many studies at once: (claims, draws) probabilities to error rates."""
    order = np.argsort(p, axis=0, kind="stable")
    steps = alpha / (len(p) - np.arange(len(p)))[:, None]
    failed = np.take_along_axis(p, order, axis=0) >= steps
    # The step of the first that fails; all later ones keep its rate.
    first = np.where(failed.any(axis=0), failed.argmax(axis=0), len(p) - 1)
    rank = np.argsort(order, axis=0, kind="stable")
    return np.asarray(steps[np.minimum(rank, first), 0])
