"""Staggered nested designs: how much of the scatter is rig, day or operator within a laboratory.

In: results of a staggered nested design as an array.  Out: one variance component per factor. Not here: fully nested
designs, gaps and unequal numbers (estimation, by analysis of variance or REML).

Factor 0 is the laboratory, the last factor is repeatability. The coefficients of the expected mean squares
are computed from the design, in exact fractions, not carried as a table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

Coefficients = tuple[tuple[Fraction, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedComponent:
    """One factor's row: mean square, degrees of freedom, expected mean square and the component from them.

    expected : multiplier of each factor's variance in this mean square, in the order of the factors.
    raw_variance : moment estimate, which may be negative; `sd` is then zero. There is no interval: the mean squares
        are not independent.
    """

    factor: str
    df: int
    mean_square: float
    expected: tuple[Fraction, ...]
    raw_variance: float

    @property
    def sd(self) -> float:
        return math.sqrt(max(0.0, self.raw_variance))


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedPrecision:
    """Components from the laboratory (first) to repeatability (last), in the unit of the result."""

    components: tuple[NestedComponent, ...]


def staggered_coefficients(factors: int) -> Coefficients:
    """Expected mean squares of the staggered nested design: row = mean square, column = variance component.

    Each laboratory gives `factors` results y_1, y_2, ...: y_1 and y_2 share everything but repeatability, y_3
    differs from them in the factor above as well, and so on up to the last, which shares the laboratory
    alone. The mean square of factor i belongs to the contrast of y_j with the mean of y_1 ... y_(j-1), j =
    factors - i + 1. A contrast with weights c has the expectation sum over factors of sigma^2 times sum over
    classes of (sum of c in the class)^2 / sum c^2.

    Raises
    ------
    EstimationError
        Fewer than two factors.

    References
    ----------
    ISO 5725-3:1994, 8.3 and annex C (tables for three to six factors); Bainbridge (1965), Ind. Qual. Control 22,
    12-20.
    """
    if factors < 2:
        raise EstimationError(f"staggered nested design: found {factors} factors, expected at least 2.")
    rows = [tuple(_contrast_coefficient([Fraction(1)] * factors, f) for f in range(factors))]
    for i in range(1, factors):
        before = factors - i
        weights = [Fraction(1, before)] * before + [Fraction(-1)] + [Fraction(0)] * (factors - before - 1)
        rows.append(tuple(_contrast_coefficient(weights, f) for f in range(factors)))
    return tuple(rows)


def _contrast_coefficient(weights: list[Fraction], factor: int) -> Fraction:
    """Multiplier of one factor's variance: the first results form one class, each of the last `factor` its
    own.
    """
    together = len(weights) - factor
    classes = [sum(weights[:together], Fraction(0)), *weights[together:]]
    return sum((c * c for c in classes), Fraction(0)) / sum((w * w for w in weights), Fraction(0))


def staggered_nested(results: FloatArray, factors: Sequence[str]) -> NestedPrecision:
    """Components of a staggered nested design of three to six factors (laboratory and repeatability
    included).

    Parameters
    ----------
    results : (laboratories, k), k = 3 to 6, columns y_1 ... y_k as in `staggered_coefficients`.
    factors : k names from the laboratory to repeatability.

    Raises
    ------
    EstimationError
        Another number of columns, fewer than two laboratories, names that do not fit, or results that are not
        finite.

    References
    ----------
    ISO 5725-3:1994, 8.3 and annex C.
    """
    y = np.asarray(results, dtype=np.float64)
    if y.ndim != 2 or not 3 <= y.shape[1] <= 6 or y.shape[0] < 2:
        raise EstimationError(
            f"staggered nested design: found results of shape {y.shape}, expected (laboratories, 3 "
            "to 6 results). "
            "A laboratory with a result missing cannot take part; the general fit of components can use it."
        )
    _refuse(y, factors, y.shape[1])
    p, k = y.shape
    centred = y - y.mean()
    squares = [k * float(np.sum(centred.mean(axis=1) ** 2))]
    for i in range(1, k):
        before = k - i
        w = centred[:, :before].mean(axis=1) - centred[:, before]
        squares.append(before / (before + 1) * float(np.sum(w**2)))
    df = [p - 1, *([p] * (k - 1))]
    return _precision(factors, squares, df, staggered_coefficients(k))


def _refuse(y: FloatArray, factors: Sequence[str], expected: int) -> None:
    if len(factors) != expected or len(set(factors)) != expected:
        raise EstimationError(
            f"nested design: found the factor names {list(factors)}, expected {expected} different ones."
        )
    if not np.all(np.isfinite(y)):
        raise EstimationError(
            "nested design: found a result that is not finite, expected a number in each place."
        )


def _precision(
    factors: Sequence[str], squares: list[float], df: list[int], expected: Coefficients
) -> NestedPrecision:
    ms = np.array(squares) / np.array(df)
    combination = np.array([[float(c) for c in row] for row in _inverse(expected)])
    variances = combination @ ms
    return NestedPrecision(
        components=tuple(
            NestedComponent(
                factor=factor,
                df=df[i],
                mean_square=float(ms[i]),
                expected=expected[i],
                raw_variance=float(variances[i]),
            )
            for i, factor in enumerate(factors)
        )
    )


def _inverse(upper: Coefficients) -> Coefficients:
    """Inverse of an upper triangular matrix of fractions, by back substitution."""
    n = len(upper)
    inverse = [[Fraction(0)] * n for _ in range(n)]
    for column in range(n):
        for row in range(column, -1, -1):
            known = sum((upper[row][j] * inverse[j][column] for j in range(row + 1, column + 1)), Fraction(0))
            inverse[row][column] = (Fraction(int(row == column)) - known) / upper[row][row]
    return tuple(tuple(row) for row in inverse)
