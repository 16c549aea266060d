"""Moments: the REML criterion with its gradient, information and Kenward-Roger pieces at given variances.

In: a System and variances (groups, K + 1), the residual last.  Out: everything that the optimiser, the
profile and the contrasts need, from matrices no larger than the dense columns: never rows by rows.

Notation: V = sum_k theta_k V_k with V_k = Z_k Z_k' and V_K = I; P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1.
With D = [dense random | fixed] and T = B' V_c^-1 B from the chain, P = V_c^-1 - V_c^-1 D K D' V_c^-1, where
K = E (E T_DD E + diag(I, 0))^-1 E and E = diag(sqrt ratio, I): the form that stands at zero ratios.
What concerns the residual follows from V P V = V without a further sum over rows.
Sources: Patterson & Thompson (1971), Biometrika 58, 545-554; Harville (1977), JASA 72, 320-338;
Kenward & Roger (1997), Biometrics 53, 983-997.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.bordered import Bordered, bordered_criterion, bordered_sums
from repeatab.estimation.chain import Ascent, ChainSums, ascend, chain_sums
from repeatab.estimation.strata import Strata, strata_criterion, strata_derivatives
from repeatab.estimation.system import System

Problem = System | Strata | Bordered


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """At variances theta (groups, K + 1), the residual last.

    criterion : (groups,) -2 log restricted likelihood of the scaled result, all constants.
    gradient : (groups, K + 1) its derivatives.
    expected : (groups, K + 1, K + 1) tr(P V_j P V_k), twice the expected information.
    average : (groups, K + 1, K + 1) y' P V_j P V_k P y.
    quadratic : (groups, K + 1) y' P V_k P y.
    fixed : (groups, p) fixed coefficients of the internal columns.
    fixed_inverse : (groups, p, p) X' V^-1 X.
    first : (groups, K + 1, p, p) X' V^-1 V_k V^-1 X; second : (groups, K + 1, K + 1, p, p)
        X' V^-1 V_j P V_k V^-1 X. Both None unless asked for.
    """

    criterion: FloatArray
    gradient: FloatArray
    expected: FloatArray
    average: FloatArray
    quadratic: FloatArray
    fixed: FloatArray
    fixed_inverse: FloatArray
    first: FloatArray | None
    second: FloatArray | None

    def take(self, groups: IntArray) -> Moments:
        """Of some of the groups."""
        return Moments(
            criterion=self.criterion[groups], gradient=self.gradient[groups], expected=self.expected[groups],
            average=self.average[groups], quadratic=self.quadratic[groups], fixed=self.fixed[groups],
            fixed_inverse=self.fixed_inverse[groups],
            first=None if self.first is None else self.first[groups],
            second=None if self.second is None else self.second[groups],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reduced:
    """The dense block at given ratios: E T E + diag(I, 0) of the module's notation and its Cholesky factor, and
    what the criterion holds beside the residual sum of squares."""

    ratio: FloatArray
    ascent: Ascent
    root: FloatArray
    middle: FloatArray
    factor: FloatArray
    constant: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Core:
    """What criterion and moments share: everything in units of the residual variance."""

    ratio: FloatArray
    residual: FloatArray
    ascent: Ascent
    inverse: FloatArray  # of E T E + diag(I, 0), (groups, r + p, r + p)
    root: FloatArray  # the diagonal of E
    scaled: FloatArray  # coefficients, those of random columns in units of their standard deviation
    inner: FloatArray  # K of the module's notation, (groups, r + p, r + p)
    coefficients: FloatArray  # (groups, r + p)
    rss: FloatArray  # y' P y in residual units
    criterion: FloatArray


def criterion(system: Problem, theta: FloatArray) -> FloatArray:
    """-2 log restricted likelihood at variances (groups, K + 1) of the scaled result; all constants, but none for
    strata."""
    if isinstance(system, Strata):
        return strata_criterion(system, theta)
    if isinstance(system, Bordered):
        return bordered_criterion(system, theta)
    reduced = _reduced(system, theta)
    d = system.random_columns + system.fixed_columns
    # Without derivatives no inverse is wanted: one triangular solution gives the residual sum of squares.
    right = reduced.root * reduced.ascent.cross[:, :d, d]
    half = _forward(reduced.factor, right)
    rss = reduced.ascent.cross[:, d, d] - (half**2).sum(axis=1)
    return np.asarray(reduced.constant + rss / theta[:, -1], dtype=np.float64)


def _forward(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve L x = right for stacks of lower triangular L (groups, d, d) and (groups, d)."""
    groups, d = right.shape
    if groups <= d:
        solved = [
            solve_triangular(*pair, lower=True, check_finite=False)
            for pair in zip(factor, right, strict=True)
        ]
        return np.stack(solved)
    # Many small ones: row by row for all groups at once.
    found = np.empty_like(right)
    for i in range(d):
        done = np.einsum("gj,gj->g", factor[:, i, :i], found[:, :i])
        found[:, i] = (right[:, i] - done) / factor[:, i, i]
    return found


def moments(system: Problem, theta: FloatArray, *, kenward_roger: bool = False) -> Moments:
    """The criterion with its derivatives at variances (groups, K + 1), the residual positive.

    Strata and Bordered are for variances alone: `fixed` is empty for them.
    """
    if isinstance(system, Strata):
        return _of_strata(system, theta)
    if isinstance(system, Bordered):
        return _of_bordered(system, theta)
    core = _core(system, theta)
    probe = _probe(system, core, kenward_roger)
    sums = chain_sums(system.chain, _chain_ratio(system, core.ratio), core.ascent)
    trace, expected, outer, second = _random_parts(system, core, sums, probe)
    ratio, sigma2 = core.ratio, core.residual
    df = system.df

    trace_e = df - (ratio * trace).sum(axis=1)
    expected = _bordered(expected, trace, trace_e, ratio)
    quad = outer[:, :, 0, 0]
    quad_e = core.rss - (ratio * quad).sum(axis=1)
    average = _bordered(second[:, :, :, 0, 0], quad, quad_e, ratio)
    trace_all = np.concatenate([trace, trace_e[:, None]], axis=1)
    quad_all = np.concatenate([quad, quad_e[:, None]], axis=1)
    s1, s2 = sigma2[:, None], sigma2[:, None, None]
    r = system.random_columns
    phi = core.inner[:, r:, r:]
    inverse: FloatArray = np.linalg.inv(phi).astype(np.float64)
    first_x, second_x = _fixed_parts(outer, second, inverse, ratio) if kenward_roger else (None, None)
    return Moments(
        criterion=core.criterion,
        gradient=trace_all / s1 - quad_all / s1**2,
        expected=expected / s2**2,
        average=average / s2**3,
        quadratic=quad_all / s1**2,
        fixed=core.coefficients[:, r:],
        fixed_inverse=inverse / s2,
        first=None if first_x is None else first_x / s2[..., None] ** 2,
        second=None if second_x is None else second_x / s2[..., None, None] ** 3,
    )


def _chain_ratio(system: System, ratio: FloatArray) -> FloatArray:
    return ratio[:, list(system.chain_terms)]


def _of_strata(strata: Strata, theta: FloatArray) -> Moments:
    gradient, expected, average, quadratic = strata_derivatives(strata, theta)
    return Moments(
        criterion=strata_criterion(strata, theta), gradient=gradient, expected=expected, average=average,
        quadratic=quadratic, fixed=np.empty((strata.groups, 0)), fixed_inverse=np.empty((strata.groups, 0, 0)),
        first=None, second=None,
    )  # fmt: skip


def _of_bordered(system: Bordered, theta: FloatArray) -> Moments:
    sums = bordered_sums(system, theta)
    ratio, s1 = sums.ratio, theta[:, -1:]
    trace_e = system.df - (ratio * sums.trace).sum(axis=1)
    quad_e = sums.rss - (ratio * sums.quadratic).sum(axis=1)
    trace = np.concatenate([sums.trace, trace_e[:, None]], axis=1)
    quad = np.concatenate([sums.quadratic, quad_e[:, None]], axis=1)
    return Moments(
        criterion=sums.criterion,
        gradient=trace / s1 - quad / s1**2,
        expected=_bordered(sums.norm, sums.trace, trace_e, ratio) / s1[:, :, None] ** 2,
        average=_bordered(sums.average, sums.quadratic, quad_e, ratio) / s1[:, :, None] ** 3,
        quadratic=quad / s1**2,
        fixed=np.empty((system.groups, 0)),
        fixed_inverse=np.empty((system.groups, 0, 0)),
        first=None,
        second=None,
    )


def _reduced(system: System, theta: FloatArray) -> _Reduced:
    residual = theta[:, -1]
    ratio = theta[:, :-1] / residual[:, None]
    ascent = ascend(system.chain, _chain_ratio(system, ratio))
    d = system.random_columns + system.fixed_columns
    root = np.ones((len(theta), d))
    for term, where in zip(system.dense_terms, system.dense_slices, strict=True):
        root[:, where] = np.sqrt(ratio[:, term, None])
    middle = root[:, :, None] * ascent.cross[:, :d, :d] * root[:, None, :]
    index = np.arange(system.random_columns)
    middle[:, index, index] += 1
    factor: FloatArray = np.linalg.cholesky(middle).astype(np.float64, copy=False)
    log_determinant = ascent.log_determinant + 2 * np.log(np.diagonal(factor, 0, 1, 2)).sum(axis=1)
    constant = log_determinant + system.df * np.log(2 * np.pi * residual)
    return _Reduced(ratio=ratio, ascent=ascent, root=root, middle=middle, factor=factor, constant=constant)


def _core(system: System, theta: FloatArray) -> _Core:
    reduced = _reduced(system, theta)
    root, cross, residual = reduced.root, reduced.ascent.cross, theta[:, -1]
    d = root.shape[1]
    inverse: FloatArray = np.linalg.inv(reduced.middle).astype(np.float64, copy=False)
    right = root * cross[:, :d, d]
    scaled = _times(inverse, right)
    # Once more on what is left: where a ratio is large the inverse has few digits.
    scaled = scaled + _times(inverse, right - _times(reduced.middle, scaled))
    coefficients = root * scaled
    # |y - D c|^2 + |scaled random|^2 is smallest at the solution, so an error of c enters it squared only.
    left = np.concatenate([-coefficients, np.ones((len(theta), 1))], axis=1)
    random = scaled[:, : system.random_columns]
    rss = (left * _times(cross[:, : d + 1, : d + 1], left)).sum(axis=1) + (random**2).sum(axis=1)
    return _Core(
        ratio=reduced.ratio, residual=residual, ascent=reduced.ascent, inverse=inverse, root=root, scaled=scaled,
        inner=root[:, :, None] * inverse * root[:, None, :], coefficients=coefficients, rss=rss,
        criterion=reduced.constant + rss / residual,
    )  # fmt: skip


def _times(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """(groups, n) products of stacks of matrices and vectors."""
    product: FloatArray = (matrix @ vector[:, :, None])[:, :, 0]
    return product


def _probe(system: System, core: _Core, with_fixed: bool) -> FloatArray:
    """(groups, b, 1 or 1 + p): columns e with V_c^-1 B e = P y, and if asked u with V_c^-1 B u = V^-1 X."""
    groups, d = core.coefficients.shape
    y = np.concatenate([-core.coefficients, np.ones((groups, 1))], axis=1)[:, :, None]
    if not with_fixed:
        return y
    r = system.random_columns
    shape = core.inner[:, :, r:] @ np.linalg.inv(core.inner[:, r:, r:])
    return np.concatenate([y, np.concatenate([shape, np.zeros((groups, 1, d - r))], axis=1)], axis=2)


def _random_parts(
    system: System, core: _Core, sums: ChainSums, probe: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """For the random terms: tr(P V_k); tr(P V_j P V_k); F' V_k F; F' V_j P V_k F, with F = [P y | V^-1 X]."""
    groups, b, f = probe.shape
    d, sources = b - 1, system.sources
    inner = core.inner
    trace = np.empty((groups, sources))
    norm = np.empty((groups, sources, sources))
    outer = np.empty((groups, sources, f, f))
    second = np.empty((groups, sources, sources, f, f))
    u, projected, seen = _dense_parts(system, core, probe)
    for a, j in enumerate(system.chain_terms):
        from_left = probe.transpose(0, 2, 1) @ sums.outer[a]
        trace[:, j] = sums.trace[:, a] - _trace(inner, sums.outer[a][:, :d, :d])
        outer[:, j] = from_left @ probe
        for c, k in enumerate(system.chain_terms):
            norm[:, j, k] = (
                sums.norm[:, a, c]
                - 2 * _trace(inner, sums.middle[a][c][:, :d, :d])
                + _trace(inner @ sums.outer[a][:, :d, :d], inner @ sums.outer[c][:, :d, :d])
            )
            right = sums.outer[c][:, :d] @ probe
            second[:, j, k] = (
                probe.transpose(0, 2, 1) @ sums.middle[a][c] @ probe - from_left[:, :, :d] @ inner @ right
            )
        through = sums.outer[a] @ u
        inside = np.einsum("gbr,gbr->gr", u, through)
        onward = probe.transpose(0, 2, 1) @ through
        for k, where in zip(system.dense_terms, system.dense_slices, strict=True):
            norm[:, j, k] = norm[:, k, j] = inside[:, where].sum(axis=1)
            second[:, j, k] = onward[:, :, where] @ seen[:, where]
            second[:, k, j] = second[:, j, k].transpose(0, 2, 1)
    for j, here in zip(system.dense_terms, system.dense_slices, strict=True):
        trace[:, j] = np.einsum("grr->g", projected[:, here, here])
        outer[:, j] = seen[:, here].transpose(0, 2, 1) @ seen[:, here]
        for k, there in zip(system.dense_terms, system.dense_slices, strict=True):
            norm[:, j, k] = (projected[:, here, there] ** 2).sum(axis=(1, 2))
            second[:, j, k] = seen[:, here].transpose(0, 2, 1) @ projected[:, here, there] @ seen[:, there]
    return trace, norm, outer, second


def _dense_parts(system: System, core: _Core, probe: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """u, which maps a dense random effect to the columns B with V_c^-1 B u = P Z (its result row is zero);
    Z_R' P Z_R; Z_R' F."""
    cross, inverse = core.ascent.cross, core.inverse
    r, d = system.random_columns, core.coefficients.shape[1]
    u = np.zeros((len(cross), d + 1, r))
    u[:, :d] = np.eye(d)[:, :r] - core.inner @ cross[:, :d, :r]
    projected, seen = cross[:, :r, :] @ u, cross[:, :r, :] @ probe
    large = core.root[:, :r] > 1
    if not large.any():
        return u, projected, seen
    # What remains of a term that varies far more than repeatability is small beside the parts it is the difference of:
    # 1 - K T = E M^-1 E^-1, Z' P Z = E^-1 (I - M^-1) E^-1 and Z' P y = E^-1 scaled take no difference of large ones.
    root = np.where(large, core.root[:, :r], 1.0)
    direct = core.root[:, :, None] * inverse[:, :, :r] / root[:, None, :]
    u[:, :d] = np.where(large[:, None, :], direct, u[:, :d])
    both = large[:, :, None] & large[:, None, :]
    whole = (np.eye(r) - inverse[:, :r, :r]) / (root[:, :, None] * root[:, None, :])
    projected = np.where(both, whole, projected)
    seen[:, :, 0] = np.where(large, core.scaled[:, :r] / root, seen[:, :, 0])
    return u, projected, seen


def _bordered(block: FloatArray, edge: FloatArray, corner: FloatArray, ratio: FloatArray) -> FloatArray:
    """Add the residual's row and column: since V = sum ratio_k V_k + I, they are what the others leave."""
    border = edge - (ratio[:, :, None] * block).sum(axis=1)
    last = corner - (ratio * border).sum(axis=1)
    top = np.concatenate([block, border[:, :, None]], axis=2)
    bottom = np.concatenate([border, last[:, None]], axis=1)
    return np.concatenate([top, bottom[:, None]], axis=1)


def _fixed_parts(
    outer: FloatArray, second: FloatArray, inverse: FloatArray, ratio: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """First and second pieces of Kenward and Roger with the residual's added (P X = 0 closes the sums)."""
    first = outer[:, :, 1:, 1:]
    first_e = inverse - np.einsum("gk,gkxy->gxy", ratio, first)
    block = second[:, :, :, 1:, 1:]
    border = -np.einsum("gk,gjkxy->gjxy", ratio, block)
    corner = -np.einsum("gj,gjxy->gxy", ratio, border)
    top = np.concatenate([block, border[:, :, None]], axis=2)
    bottom = np.concatenate([border.transpose(0, 1, 3, 2), corner[:, None]], axis=1)
    return np.concatenate([first, first_e[:, None]], axis=1), np.concatenate([top, bottom[:, None]], axis=1)


def _trace(a: FloatArray, b: FloatArray) -> FloatArray:
    """(groups,) traces of the products of two stacks of matrices."""
    traces: FloatArray = np.einsum("gxy,gyx->g", a, b)
    return traces
