"""Concordance limits: the interval of Lin's coefficient from few sets.

In: moments of paired results of two rigs.  Out: limits of 2 s_ab / (s_aa + s_bb + shift^2).

The large-sample interval on Fisher's scale holds 95 % in only 82 to 92 % of studies with five to ten sets. Two better
ones err in opposite places: a bootstrap of the studentised coefficient is right for rigs that agree well and short for
those that do not; the generalised pivot is right for those and lies too low for rigs that agree well. The limits here
reach as far as the wider of the two on each side; tests/assurance/direct_intervals.md has the coverage.
Both draw the moments from their known distribution (Wishart, by Bartlett 1933, Proc. R. Soc. Edinburgh 53, 260-283),
evenly spread, so that no seed is needed.
Sources: Lin (1989), Biometrics 45, 255-268; Hall (1988), Ann. Statist. 16, 927-953, for studentised bootstraps;
Weerahandi (1993), JASA 88, 899-905.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from repeatab.cells import FloatArray
from repeatab.estimation.even_draws import EvenDraws

DRAWS = 2_048
_EDGE = 1 - 1e-12


def concordance_limits(
    covariance: FloatArray, shift: float, sets: int, *, level: float
) -> tuple[float, float]:
    """Limits of the coefficient.

    Parameters
    ----------
    covariance : (2, 2) of the two rigs' results, divisor sets - 1; shift : difference of the two means.
    """
    # The pivot depends a little on which rig comes first; the one that scatters more does, so names play no part.
    if covariance[0, 0] < covariance[1, 1]:
        covariance = covariance[::-1, ::-1]
    # Only the square of the shift counts: its sign says which rig is named first.
    shift = abs(shift)
    source = EvenDraws()
    first, second = (np.sqrt(source.chisquare(sets - k, DRAWS)) for k in (1, 2))
    mixed, moved = (_normal(source) for _ in range(2))
    tails = [(1 - level) / 2, (1 + level) / 2]
    root = _root(covariance)
    drawn = _product(root / np.sqrt(sets - 1), first, mixed, second)
    low, high = _bootstrap(covariance, drawn, shift, moved, sets, tails)
    # The inverse of the triangular root of a Wishart draw turns the observed root into a draw of the true one.
    pivot = _product(root * np.sqrt(sets - 1), 1 / first, -mixed / (first * second), 1 / second)
    there = shift - moved * np.sqrt(_of_difference(pivot) / sets)
    pivotal = np.quantile(_coefficient(pivot, there), tails)
    return min(low, float(pivotal[0])), max(high, float(pivotal[1]))


def _bootstrap(
    covariance: FloatArray, drawn: FloatArray, shift: float, moved: FloatArray, sets: int, tails: list[float]
) -> tuple[float, float]:
    seen = np.array([covariance[0, 0], covariance[1, 1], covariance[0, 1]])
    error = _of_difference(seen) / sets
    # The square of the shift seen holds its error as well, which the drawn worlds would add once more.
    true_shift = np.sqrt(np.maximum(shift**2 - error, 0.0))
    truth = np.arctanh(np.clip(_coefficient(seen, true_shift), -_EDGE, _EDGE))
    divisor = (sets - 1) / sets
    z, se = fisher_scale(seen * divisor, shift, sets)
    drawn_z, drawn_se = fisher_scale(drawn * divisor, true_shift + moved * np.sqrt(error), sets)
    low, high = np.quantile((drawn_z - truth) / drawn_se, tails)
    return float(np.tanh(z - high * se)), float(np.tanh(z - low * se))


def fisher_scale(moments: FloatArray, shift: FloatArray | float, sets: int) -> tuple[FloatArray, FloatArray]:
    """The coefficient on Fisher's scale and its large-sample standard error there.

    Parameters
    ----------
    moments : (3, ...) the two variances and the covariance, divisor n.

    Notes
    -----
    The first-order variance of a ratio from the variances of its parts, which is what Lin's formula (as corrected in
    2000, Biometrics 56, 324-325) comes to.
    """
    aa, bb, ab = moments
    spread = aa + bb + shift**2
    coefficient = np.clip(2 * ab / spread, -_EDGE, _EDGE)
    top = 4 * (aa * bb + ab**2)
    bottom = 2 * aa**2 + 2 * bb**2 + 4 * ab**2 + 4 * shift**2 * (aa + bb - 2 * ab)
    both = 4 * (aa + bb) * ab
    variance = (top - 2 * coefficient * both + coefficient**2 * bottom) / spread**2 / (sets - 2)
    return np.arctanh(coefficient), np.sqrt(np.maximum(variance, 1e-300)) / (1 - coefficient**2)


def _root(covariance: FloatArray) -> FloatArray:
    """The lower triangular root; rigs that read exactly alike but for a shift have one too."""
    first = np.sqrt(covariance[0, 0])
    across = covariance[0, 1] / first
    return np.array([[first, 0.0], [across, np.sqrt(max(covariance[1, 1] - across**2, 0.0))]])


def _normal(source: EvenDraws) -> FloatArray:
    """(draws,) standard normal values from one more variable of the sequence."""
    return np.asarray(special.ndtri(special.chdtr(1, source.chisquare(1, DRAWS))), np.float64)


def _product(root: FloatArray, first: FloatArray, mixed: FloatArray, second: FloatArray) -> FloatArray:
    """(3, draws) variances and covariance of root T (root T)' for lower triangular T."""
    left, cross, right = root[0, 0] * first, root[1, 0] * first + root[1, 1] * mixed, root[1, 1] * second
    return np.stack([left**2, cross**2 + right**2, left * cross])


def _coefficient(moments: FloatArray, shift: FloatArray | float) -> FloatArray:
    aa, bb, ab = moments
    return np.asarray(2 * ab / (aa + bb + shift**2), np.float64)


def _of_difference(moments: FloatArray) -> FloatArray:
    """Variance of a difference between the rigs."""
    aa, bb, ab = moments
    return np.asarray(np.maximum(aa + bb - 2 * ab, 0.0), np.float64)
