"""The definitions of the estimators in 50 digits (mpmath) or in fractions, from the doubles as they stand.

In: a table and its terms.  Out: the REML criterion, its derivatives, optimum, Kenward-Roger precision, mean squares
and limits of variances, from n x n matrices and the distribution functions themselves. Nothing of the package is used.

Sources: Patterson & Thompson (1971), Biometrika 58, 545-554; Harville (1977), JASA 72, 320-338; Kenward & Roger (1997),
Biometrics 53, 983-997; Ting, Burdick, Graybill, Jeyaratnam & Lu (1990), J. Stat. Comput. Simul. 35, 135-143.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import mpmath as mp
from scipy import special

DIGITS = 50


def matrix(rows: Sequence[Sequence[Any]]) -> mp.matrix:
    return mp.matrix([[mp.mpf(value) for value in row] for row in rows])


def trace_of_product(a: mp.matrix, b: mp.matrix) -> mp.mpf:
    return mp.fsum(a[i, j] * b[j, i] for i in range(a.rows) for j in range(a.cols))


@dataclass(frozen=True)
class Exact:
    """y = X b + sum_k Z_k u_k + e, its covariance being sum_k theta_k V_k, the residual last."""

    y: mp.matrix
    x: mp.matrix
    patterns: tuple[mp.matrix, ...]

    @classmethod
    def of(
        cls,
        frame: Any,
        *,
        random: Sequence[Sequence[str]],
        fixed: Sequence[str] = (),
        covariates: Sequence[str] = (),
    ) -> Exact:
        """Columns: intercept, indicators of every level but the first, covariates as they stand; result `mu`."""
        n = len(frame)
        patterns = []
        for term in random:
            keys = [tuple(row) for row in frame[list(term)].itertuples(index=False)]
            patterns.append(matrix([[int(a == b) for b in keys] for a in keys]))
        columns: list[list[Any]] = [[1] * n]
        for name in fixed:
            levels = sorted(set(frame[name]))
            columns += [[int(value == level) for value in frame[name]] for level in levels[1:]]
        columns += [[float(value) for value in frame[name]] for name in covariates]
        y = matrix([[float(value)] for value in frame["mu"]])
        return cls(y=y, x=matrix(columns).T, patterns=(*patterns, mp.eye(n)))

    @property
    def df(self) -> int:
        return self.x.rows - self.x.cols

    def at(self, theta: Sequence[Any]) -> Point:
        v = mp.zeros(self.x.rows)
        for value, pattern in zip(theta, self.patterns, strict=True):
            v += mp.mpf(value) * pattern
        inverse = v**-1
        through = inverse * self.x
        information = self.x.T * through
        covariance = information**-1
        p = inverse - through * covariance * through.T
        return Point(
            of=self, inverse=inverse, p=p, covariance=covariance,
            log_det=mp.log(mp.det(v)) + mp.log(mp.det(information)), py=p * self.y,
        )  # fmt: skip

    def optimum(self, start: Sequence[Any], *, zero: Sequence[int] = ()) -> list[mp.mpf]:
        """Where the derivatives in all components but those held at zero vanish: Newton steps from `start`."""
        theta = [mp.mpf(float(value)) for value in start]
        free = [k for k in range(len(theta)) if k not in zero]
        for k in zero:
            theta[k] = mp.mpf(0)
        for _ in range(60):
            here = self.at(theta)
            gradient = here.gradient()
            hessian = here.hessian()
            step = mp.lu_solve(
                mp.matrix([[hessian[j, k] for k in free] for j in free]),
                mp.matrix([gradient[k] for k in free]),
            )
            moved = max(abs(step[i]) / abs(theta[k]) for i, k in enumerate(free))
            for i, k in enumerate(free):
                theta[k] -= step[i]
            if moved < mp.mpf(10) ** (-DIGITS // 2):
                return theta
        raise AssertionError("the 50-digit search does not settle")

    def profile_limit(self, best: Sequence[mp.mpf], which: int, start: Sequence[Any], rise: Any) -> mp.mpf:
        """The value of component `which` at which the profiled criterion stands `rise` above its minimum."""
        bound = self.at(best).criterion() + mp.mpf(rise)

        def equations(*theta: mp.mpf) -> list[mp.mpf]:
            here = self.at(theta)
            slopes = here.gradient()
            return [here.criterion() - bound if k == which else slopes[k] for k in range(len(theta))]

        found = mp.findroot(equations, [mp.mpf(float(v)) for v in start], tol=mp.mpf(10) ** -40, maxsteps=40)
        return found[which]


@dataclass(frozen=True)
class Point:
    """Everything at given variances."""

    of: Exact
    inverse: mp.matrix
    p: mp.matrix
    covariance: mp.matrix
    log_det: mp.mpf
    py: mp.matrix

    def criterion(self) -> mp.mpf:
        """-2 log restricted likelihood, all constants."""
        return self.log_det + (self.of.y.T * self.py)[0] + self.of.df * mp.log(2 * mp.pi)

    def gradient(self) -> list[mp.mpf]:
        return [trace_of_product(self.p, v) - (self.py.T * v * self.py)[0] for v in self.of.patterns]

    def expected(self) -> mp.matrix:
        """tr(P V_j P V_k)."""
        products = [self.p * v for v in self.of.patterns]
        return matrix([[trace_of_product(a, b) for b in products] for a in products])

    def hessian(self) -> mp.matrix:
        through = [v * self.py for v in self.of.patterns]
        average = matrix([[(a.T * self.p * b)[0] for b in through] for a in through])
        return 2 * average - self.expected()

    def coefficients(self) -> mp.matrix:
        return self.covariance * (self.of.x.T * self.inverse * self.of.y)

    def kenward_roger(self, weights: Sequence[Any]) -> tuple[mp.mpf, mp.mpf]:
        """Standard error and degrees of freedom of one contrast of the coefficients."""
        w = 2 * self.expected() ** -1
        through = self.inverse * self.of.x
        first = [through.T * v * through for v in self.of.patterns]
        contrast = matrix([weights]).T
        projected = self.covariance * contrast
        spread = (contrast.T * projected)[0]
        a = [(projected.T * piece * projected)[0] / spread for piece in first]
        k = len(first)
        a2 = mp.fsum(w[i, j] * a[i] * a[j] for i in range(k) for j in range(k))
        more = mp.zeros(len(projected))
        for i, v in enumerate(self.of.patterns):
            for j, u in enumerate(self.of.patterns):
                more += w[i, j] * (through.T * v * self.p * u * through)
        return mp.sqrt(spread + 2 * (projected.T * more * projected)[0]), 2 / a2


def chi_square_quantile(probability: Any, df: Any) -> mp.mpf:
    """To 40 digits; the search starts from the double-precision quantile, on the scale of logarithms."""
    df, probability = mp.mpf(df), mp.mpf(probability)

    def beyond(u: mp.mpf) -> mp.mpf:
        return mp.gammainc(df / 2, 0, mp.exp(u) / 2, regularized=True) - probability

    return mp.exp(mp.findroot(beyond, mp.log(special.chdtri(float(df), float(1 - probability)))))


def f_quantile(probability: Any, n: Any, m: Any) -> mp.mpf:
    n, m = mp.mpf(n), mp.mpf(m)

    def beyond(u: mp.mpf) -> mp.mpf:
        x = n * mp.exp(u) / (n * mp.exp(u) + m)
        return mp.betainc(n / 2, m / 2, 0, x, regularized=True) - probability

    return mp.exp(mp.findroot(beyond, mp.log(special.fdtri(float(n), float(m), float(probability)))))


def difference_limits(
    top: Fraction, n: int, bottom: Fraction, m: int, times: int, level: str
) -> tuple[Any, Any]:
    """Modified large-sample limits of (top - bottom) / times, two independent mean squares (Ting et al. 1990)."""
    tail = (1 - mp.mpf(level)) / 2
    s1, s2 = (mp.mpf(v.numerator) / v.denominator / times for v in (top, bottom))

    def squared(one: mp.mpf, a: int, other: mp.mpf, b: int) -> mp.mpf:
        """Half width on the side on which `one` shrinks and `other` grows, squared."""
        g = 1 - a / chi_square_quantile(1 - tail, a)
        h = b / chi_square_quantile(tail, b) - 1
        f = f_quantile(1 - tail, a, b)
        return g**2 * one**2 + h**2 * other**2 + ((f - 1) ** 2 - g**2 * f**2 - h**2) / f * one * other

    estimate = s1 - s2
    return estimate - mp.sqrt(squared(s1, n, s2, m)), estimate + mp.sqrt(squared(s2, m, s1, n))


def exact_means(frame: Any, terms: Sequence[str]) -> Callable[[Any], Fraction]:
    """The mean of `mu` over a row's class, in fractions of the doubles as they stand."""
    sums: dict[Any, tuple[Fraction, int]] = {}
    for row in frame.itertuples(index=False):
        key = tuple(getattr(row, name) for name in terms)
        total, count = sums.get(key, (Fraction(0), 0))
        sums[key] = (total + Fraction(float(row.mu)), count + 1)

    def mean(row: Any) -> Fraction:
        total, count = sums[tuple(getattr(row, name) for name in terms)]
        return total / count

    return mean


def crossed_mean_squares(frame: Any, first: str, second: str) -> dict[str, tuple[Fraction, int]]:
    """Sum of squares and degrees of freedom of a balanced crossed table with repeats, in fractions."""
    a, b, ab, every = (exact_means(frame, names) for names in ((first,), (second,), (first, second), ()))
    rows = list(frame.itertuples(index=False))
    parts = {
        first: [a(row) - every(row) for row in rows],
        second: [b(row) - every(row) for row in rows],
        f"{first} × {second}": [ab(row) - a(row) - b(row) + every(row) for row in rows],
        "repeatability": [Fraction(float(row.mu)) - ab(row) for row in rows],
    }
    p, q = frame[first].nunique(), frame[second].nunique()
    df = [p - 1, q - 1, (p - 1) * (q - 1), len(rows) - p * q]
    return {
        name: (sum((v * v for v in values), Fraction(0)), n)
        for (name, values), n in zip(parts.items(), df, strict=True)
    }
