"""Intermediate precision: how much of the scatter is rig, day or operator within a laboratory (nested
designs).

In: results of a fully nested or a staggered nested design as an array.  Out: one variance component per
factor. Not here: designs with gaps or unequal numbers (estimation, by REML).

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
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.component_limits import component_combination_limits
from repeatab.estimation.intervals import chi_square_limits

Coefficients = tuple[tuple[Fraction, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedComponent:
    """One factor's row: mean square, degrees of freedom, expected mean square and the component from them.

    expected : multiplier of each factor's variance in this mean square, in the order of the factors.
    raw_variance : moment estimate, which may be negative; `variance` and `sd` are then zero.
    interval : of the standard deviation; None for staggered designs, whose mean squares are not independent.
    """

    factor: str
    df: int
    mean_square: float
    expected: tuple[Fraction, ...]
    raw_variance: float
    interval: Interval | None

    @property
    def variance(self) -> float:
        return max(0.0, self.raw_variance)

    @property
    def sd(self) -> float:
        return math.sqrt(self.variance)


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedPrecision:
    """Components from the laboratory (first) to repeatability (last), in the unit of the result."""

    mean: float
    components: tuple[NestedComponent, ...]

    @property
    def s_r(self) -> float:
        return self.components[-1].sd

    @property
    def s_R(self) -> float:
        return math.sqrt(sum(component.variance for component in self.components))

    def intermediate_sd(self, changed: Sequence[str]) -> float:
        """Intermediate precision standard deviation with the named factors changing, repeatability included.

        Raises
        ------
        EstimationError
            A name that is not a factor between laboratory and repeatability.
        """
        between = {component.factor: component for component in self.components[1:-1]}
        for name in changed:
            if name not in between:
                raise EstimationError(
                    f"intermediate precision: found '{name}', expected factors out of {list(between)}."
                )
        return math.sqrt(self.s_r**2 + sum(between[name].variance for name in set(changed)))


def fully_nested(results: FloatArray, factors: Sequence[str], *, confidence: float = 0.95) -> NestedPrecision:
    """Components of a fully nested design with equal numbers everywhere.

    Parameters
    ----------
    results : (a_0, a_1, ..., a_k): laboratories, levels of each factor within the one before, repeats; 2 to 4
        axes.
    factors : names of the axes, the last one for repeatability.
    confidence : of the intervals: exact chi-square for repeatability, modified large-sample for the others.

    Raises
    ------
    EstimationError
        Another number of axes, an axis with fewer than two levels, as many names as axes missing, or results
        that are not finite.

    References
    ----------
    ISO 5725-3:1994, 8.2 and annex B; intervals: Burdick & Graybill (1992), chapter 5.
    """
    y = np.asarray(results, dtype=np.float64)
    if y.ndim not in (2, 3, 4) or min(y.shape) < 2:
        raise EstimationError(
            f"fully nested design: found results of shape {y.shape}, expected 2 to 4 nested factors (repeats "
            "included) with at least two levels each. With gaps in the design use the general fit "
            "of components."
        )
    _refuse(y, factors, y.ndim)
    shape = y.shape
    squares, df = _nested_sums(y - y.mean())
    expected = tuple(
        tuple(Fraction(math.prod(shape[j + 1 :]) if j >= i else 0) for j in range(y.ndim))
        for i in range(y.ndim)
    )
    return _precision(float(y.mean()), factors, squares, df, expected, confidence=confidence)


def _nested_sums(centred: FloatArray) -> tuple[list[float], list[int]]:
    squares, df = [], []
    upper: FloatArray = np.zeros(())
    for axis in range(centred.ndim):
        below = tuple(range(axis + 1, centred.ndim))
        means = centred.mean(axis=below) if below else centred
        size = math.prod(centred.shape[axis + 1 :])
        squares.append(size * float(np.sum((means - upper[..., None]) ** 2)))
        df.append(math.prod(centred.shape[:axis]) * (centred.shape[axis] - 1))
        upper = means
    return squares, df


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

    References ---------- ISO 5725-3:1994, 8.3 and annex C (tables for three to six factors); Bainbridge
    (1965), Ind. Qual. Control 22, 12-20.
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
    return _precision(float(y.mean()), factors, squares, df, staggered_coefficients(k), confidence=None)


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
    mean: float,
    factors: Sequence[str],
    squares: list[float],
    df: list[int],
    expected: Coefficients,
    *,
    confidence: float | None,
) -> NestedPrecision:
    ms = np.array(squares) / np.array(df)
    combination = np.array([[float(c) for c in row] for row in _inverse(expected)])
    variances = combination @ ms
    components = []
    for i, factor in enumerate(factors):
        interval = None if confidence is None else _interval(combination[i], ms, df, confidence=confidence)
        components.append(
            NestedComponent(
                factor=factor,
                df=df[i],
                mean_square=float(ms[i]),
                expected=expected[i],
                raw_variance=float(variances[i]),
                interval=interval,
            )
        )
    return NestedPrecision(mean=mean, components=tuple(components))


def _inverse(upper: Coefficients) -> Coefficients:
    """Inverse of an upper triangular matrix of fractions, by back substitution."""
    n = len(upper)
    inverse = [[Fraction(0)] * n for _ in range(n)]
    for column in range(n):
        for row in range(column, -1, -1):
            known = sum((upper[row][j] * inverse[j][column] for j in range(row + 1, column + 1)), Fraction(0))
            inverse[row][column] = (Fraction(int(row == column)) - known) / upper[row][row]
    return tuple(tuple(row) for row in inverse)


def _interval(coefficients: FloatArray, ms: FloatArray, df: list[int], *, confidence: float) -> Interval:
    if np.count_nonzero(coefficients) == 1:
        lower, upper = chi_square_limits(ms[-1], df[-1], level=confidence)
        method = IntervalMethod.CHI_SQUARE
    else:
        lower, upper = component_combination_limits(
            coefficients, ms, np.array(df, dtype=np.float64), level=confidence
        )
        method = IntervalMethod.MODIFIED_LARGE_SAMPLE
    return Interval(
        lower=math.sqrt(max(0.0, float(lower))),
        upper=math.sqrt(max(0.0, float(upper))),
        level=confidence,
        method=method,
    )
