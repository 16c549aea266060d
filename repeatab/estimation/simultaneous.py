"""Simultaneous: several contrasts of one fit judged together, by the distribution of the largest |t| among them.

In: the correlation of the contrasts and their common degrees of freedom.  Out: the critical value that all of
them keep together, and adjusted probabilities.

The estimates are a point in as many directions as the correlation has rank: its distance from the truth, over
the estimated scale, follows an F distribution, its direction is uniform on the sphere, and the two are
independent. So the probability that the largest |t| exceeds c is the mean over directions u of the F tail at
(c / m(u))^2 / rank, where m(u) is the largest |projection| of u on a contrast. Ranks below full (all pairs of
levels) need no care. Rank 1 is Student's t; rank 2 (two contrasts, or all pairs of three levels) is an integral
over a half circle between known kinks; where the contrasts share one common part (levels against a reference,
balanced) it is the integral of Dunnett over that part; everything else goes by fixed, evenly spread
directions (no chance in it: the same numbers every time; within 1e-4 for probabilities below 0.1 and up to
45 contrasts, against the studentised range).
Sources: Dunnett (1955), JASA 50, 1096-1121; Dunnett & Sobel (1955), Biometrika 42, 258-260 (product
correlation); Genz & Bretz (2009), Computation of Multivariate Normal and t Probabilities, Springer, sections
2.1 and 4.1 (the spherical-radial form; quasi-random directions).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray

_RANK = 1e-9
_SAME = 1e-9
# Comparisons between contrasts (a few hundredths of a second), sides per contrast, panels of the angle.
_WORK, _SIDES, _PANELS = 2**20, (256, 2**12), 512
# Square roots of these, in turn, spread the directions (Richtmyer's sequence).
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)

Tail = Callable[[float], float]


def simultaneous_point(correlation: FloatArray, df: float, level: float) -> float:
    """The value that no |t| of the contrasts exceeds with probability `level` if all true contrasts are zero.

    Parameters
    ----------
    correlation : (contrasts, contrasts) correlation matrix of the contrasts; may be singular.
    df : degrees of freedom of their common scale, the smallest where they differ; infinite for normal values.
    level : joint confidence of the two-sided intervals, between 0 and 1.

    Raises
    ------
    EstimationError
        The matrix is no correlation matrix, or there are no degrees of freedom.
    """
    tail = _tail_of(_checked(correlation, df), df)
    alpha = 1 - level
    lowest = _t_point(df, alpha)
    highest = _t_point(df, alpha / len(correlation))
    if highest - lowest <= 1e-12 * highest or tail(lowest) <= alpha:
        return lowest
    if tail(highest) >= alpha:
        return highest
    from scipy import optimize

    return float(optimize.brentq(lambda c: np.log(tail(c) / alpha), lowest, highest, xtol=1e-9, rtol=1e-12))


def adjusted_p(t: FloatArray, correlation: FloatArray, df: float) -> FloatArray:
    """Two-sided probabilities of the largest |t| of all contrasts being as large as each given one.

    A contrast is declared different at joint error rate alpha where its adjusted probability is below alpha
    (single-step adjustment).

    Parameters
    ----------
    t : any number of t values; a missing value stays missing.
    correlation, df : as for `simultaneous_point`.
    """
    tail = _tail_of(_checked(correlation, df), df)
    return np.array([np.nan if np.isnan(value) else tail(abs(float(value))) for value in np.ravel(t)])


def _checked(correlation: FloatArray, df: float) -> FloatArray:
    matrix = np.asarray(correlation, np.float64)
    square = matrix.ndim == 2 and matrix.shape[0] == matrix.shape[1] > 0
    if not square or not np.isfinite(matrix).all() or not np.allclose(np.diag(matrix), 1, atol=1e-6):
        raise EstimationError(
            "the contrasts that are judged together have no correlation matrix: found "
            f"{np.array2string(matrix, precision=3, threshold=20)}, expected ones on the diagonal. A contrast "
            "without scatter cannot be judged; leave it out."
        )
    if not df > 0:
        raise EstimationError(f"degrees of freedom: found {df}, expected more than zero. Run more sets.")
    return (matrix + matrix.T) / 2


def _tail_of(correlation: FloatArray, df: float) -> Tail:
    """P(largest |t| > c) as a function of c, between the probability of one contrast and the sum of all."""
    values, vectors = np.linalg.eigh(correlation)
    kept = values > _RANK * values[-1]
    rows = vectors[:, kept] * np.sqrt(values[kept])
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    rank = rows.shape[1]
    shares = _common_part(correlation)
    if rank == 1:
        raw: Tail = lambda c: _t_tail(df, c)  # noqa: E731
    elif rank > 2 and shares is not None:
        raw = _product_tail(shares, df)
    else:
        size, weight = _circle(rows) if rank == 2 else _sphere(rows)
        raw = lambda c: float(weight @ _distance_tail((c / size) ** 2, rank, df))  # noqa: E731
    contrasts = len(correlation)

    def tail(c: float) -> float:
        alone = _t_tail(df, c)
        return min(max(raw(c), alone), contrasts * alone, 1.0)

    return tail


def _t_point(df: float, alpha: float) -> float:
    point = special.ndtri(alpha / 2) if np.isinf(df) else special.stdtrit(df, alpha / 2)
    return -float(point)


def _t_tail(df: float, c: float) -> float:
    return 2 * float(special.ndtr(-c) if np.isinf(df) else special.stdtr(df, -c))


def _distance_tail(squared: FloatArray, rank: int, df: float) -> FloatArray:
    """Probability of a squared scaled distance beyond `squared`."""
    if np.isinf(df):
        return np.asarray(special.chdtrc(rank, squared))
    return np.asarray(special.fdtrc(rank, df, squared / rank))


def _circle(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """m(u) and weights over the half circle: between neighbouring contrasts the nearer one is the largest."""
    angle = np.sort(np.arctan2(rows[:, 1], rows[:, 0]) % np.pi)
    gaps = np.diff(np.append(angle, angle[0] + np.pi))
    node, weight = np.polynomial.legendre.leggauss(32)
    away = gaps[:, None] / 2 * (node + 1) / 2
    return np.cos(away).ravel(), (gaps[:, None] * weight / (2 * np.pi)).ravel()


def _sphere(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """m(u) and weights over the sphere in three or more dimensions.

    The directions where contrast i is the largest lie around it: up to an angle away that depends on the side
    towards which one goes, known in closed form. So only the side needs spread points, and the angle is
    integrated; far out in the tail, where only small angles count, nothing is lost.
    """
    rows = _without_twins(rows)
    contrasts, rank = rows.shape
    number = int(np.clip(_WORK / contrasts**2, *_SIDES))
    sides = _sides(rank - 1, contrasts, number)
    tangent = np.concatenate([_reach(rows, i, sides[i]) for i in range(contrasts)])
    # The angles fall into panels; a panel counts as far as it is reached.
    edges = np.linspace(0, np.pi / 2, _PANELS + 1)
    mass = np.diff(special.betainc((rank - 1) / 2, 0.5, np.sin(edges) ** 2))
    place = np.arctan(tangent) * (2 * _PANELS / np.pi)
    panel = np.minimum(place.astype(np.int64), _PANELS - 1)
    weight = _calibrated(np.cumsum(mass)[panel] - mass[panel] * (1 + panel - place), 1 / contrasts)
    last = np.bincount(panel, weights=weight, minlength=_PANELS)
    partly = np.bincount(panel, weights=weight * (place - panel), minlength=_PANELS)
    share = 1 - np.cumsum(last) + partly
    return np.cos((edges[:-1] + edges[1:]) / 2), contrasts * mass * share


def _calibrated(value: FloatArray, mean: float) -> FloatArray:
    """Weights of the sample, nearly equal, that give it the known mean: together the contrasts fill the sphere."""
    away = value - value.mean()
    spread = float(away @ away)
    slope = (mean - value.mean()) / spread if spread > 0 else 0.0
    return np.asarray(1 / len(value) + slope * away)


def _without_twins(rows: FloatArray) -> FloatArray:
    """The contrasts, each direction once."""
    alike = np.triu(np.abs(rows @ rows.T) > 1 - 1e-10, 1)
    return rows[~alike.any(axis=0)]


def _reach(rows: FloatArray, own: int, sides: FloatArray) -> FloatArray:
    """Tangent of the angle from contrast `own` at which another becomes the largest, towards each side and the
    opposite one."""
    mirror = rows[own].copy()
    mirror[0] += np.copysign(1, mirror[0])
    turned = rows - 2 * np.outer(rows @ mirror, mirror) / (mirror @ mirror)
    others = np.arange(len(rows)) != own
    along = turned[others, 0] * np.sign(turned[own, 0])
    across = sides @ turned[others, 1:].T / np.linalg.norm(sides, axis=1, keepdims=True)
    with np.errstate(divide="ignore"):
        towards, away = ((1 - sign * np.sign(across) * along) / np.abs(across) for sign in (1, -1))
    return np.concatenate([towards.min(axis=1), away.min(axis=1)])


def _sides(dimensions: int, contrasts: int, number: int) -> FloatArray:
    """(contrasts, number, dimensions) evenly spread directions: equal steps on the circle, stretches of
    Richtmyer's sequence in more dimensions."""
    if dimensions == 2:
        turn = np.pi * (np.arange(number) + 0.5) / number
        circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return np.broadcast_to(circle, (contrasts, number, 2))
    steps = np.arange(1, contrasts * number + 1)
    point = (np.outer(steps, np.sqrt(_primes(dimensions))) + 0.5) % 1
    normal = special.ndtri(np.clip(point, 1e-12, 1 - 1e-12))
    return np.asarray(normal.reshape(contrasts, number, dimensions))


def _primes(number: int) -> FloatArray:
    found = list(_PRIMES[:number])
    while len(found) < number:
        found.append(next(n for n in range(found[-1] + 2, 10**6, 2) if all(n % p for p in found)))
    return np.array(found, np.float64)


def _common_part(correlation: FloatArray) -> FloatArray | None:
    """The shares l with correlation l_i l_j of every two contrasts; None where there are no such shares."""
    if len(correlation) < 3:
        return None
    r = correlation
    if min(abs(r[0, 1]), abs(r[0, 2]), abs(r[1, 2])) < _SAME:
        shares = np.zeros(len(r))
    else:
        square = r[0, 1] * r[0, 2] / r[1, 2]
        if not 0 < square < 1:
            return None
        first = np.sqrt(square)
        shares = np.append(first, r[0, 1:] / first)
    rest = r - np.outer(shares, shares)
    np.fill_diagonal(rest, 0)
    # With a common part of nearly everything the integrand turns too sharply for the nodes below.
    fits = np.abs(rest).max() < _SAME and np.abs(shares).max() < 0.995
    return shares if fits else None


def _product_tail(shares: FloatArray, df: float) -> Tail:
    """The tail by two trapezoidal sums, over the common part and over the logarithm of the scale; both
    integrands are analytic and vanish at the ends, so that the sums converge exponentially."""
    own = np.sqrt(1 - shares**2)
    z = np.arange(0, 9, 0.25 * own.min())
    density = np.exp(-(z**2) / 2)
    density[0] /= 2
    density /= density.sum()
    scale, weight = _scales(df)
    shift = shares / own * z[:, None]

    def tail(c: float) -> float:
        reach = c * scale[:, None, None] / own
        inside = np.prod(special.ndtr(shift + reach) - special.ndtr(shift - reach), axis=2)
        return float(1 - weight @ (inside @ density))

    return tail


def _scales(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the estimated scale over the true one, chi / sqrt(df)."""
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    low, high = (0.5 * np.log(special.chdtri(df, p) / df) for p in (1 - 1e-9, 1e-14))
    node = np.linspace(low, high, 80)
    log_weight = df * (node - np.exp(2 * node) / 2)
    weight = np.exp(log_weight - log_weight.max())
    return np.exp(node), weight / weight.sum()
