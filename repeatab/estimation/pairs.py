"""Pairs: two levels of a fixed factor compared, under three views of the scatter.

In: Blocks of run results.  Out: Pair: the two means and, for mean_a - ratio * mean_b, standard error and degrees
of freedom, for all groups at once.

pooled    one model for both levels: REML with Kenward-Roger inference.
separate  each level with a scatter of its own (the sets of the two are different ones): each is fitted alone and
          the degrees of freedom are combined (Welch 1947, Biometrika 34, 28-35; Satterthwaite 1946, Biometrics
          Bulletin 2, 110-114). With one result per set this is Welch's test.
paired    the same sets at both levels: per-set differences, with the order of the two runs as an effect where it
          varies (the cross-over of Grizzle 1965, Biometrics 21, 467-480); no assumption on the two scatters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.base.interval import IntervalMethod
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.components import BlockFit, Method
from repeatab.estimation.contrasts import level_weights
from repeatab.estimation.kenward_roger import contrast_precision
from repeatab.layout.blocks import Block
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import Model


class Pair(Protocol):
    """Two means (groups,) and the precision of mean_a - ratio * mean_b."""

    @property
    def mean_a(self) -> FloatArray: ...

    @property
    def mean_b(self) -> FloatArray: ...

    @property
    def method(self) -> IntervalMethod: ...

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Standard error and degrees of freedom (groups,) at the ratios (groups,)."""
        ...


class GroupedPair(Pair, Protocol):
    """A pair of which some of the groups can be looked at by themselves."""

    def take(self, groups: IntArray) -> GroupedPair: ...


@dataclass(frozen=True, kw_only=True)
class PooledPair:
    """Both levels in one REML fit."""

    fit: BlockFit
    weights_a: FloatArray
    weights_b: FloatArray
    mean_a: FloatArray
    mean_b: FloatArray
    method: IntervalMethod = IntervalMethod.KENWARD_ROGER

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        weights = self.weights_a - ratio[:, None] * self.weights_b
        se, df = contrast_precision(self.fit.covariance, weights[:, None])
        return se[:, 0] * self.fit.system.unit, df[:, 0]

    def take(self, groups: IntArray) -> PooledPair:
        return replace(
            self, fit=self.fit.take(groups), mean_a=self.mean_a[groups], mean_b=self.mean_b[groups]
        )


@dataclass(frozen=True, kw_only=True)
class SeparatePair:
    """Each level fitted alone."""

    mean_a: FloatArray
    mean_b: FloatArray
    se_a: FloatArray
    se_b: FloatArray
    df_a: FloatArray
    df_b: FloatArray
    method: IntervalMethod = IntervalMethod.WELCH

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        part_a, part_b = self.se_a**2, (ratio * self.se_b) ** 2
        total = part_a + part_b
        return np.sqrt(total), total**2 / (part_a**2 / self.df_a + part_b**2 / self.df_b)

    def take(self, groups: IntArray) -> SeparatePair:
        names = ("mean_a", "mean_b", "se_a", "se_b", "df_a", "df_b")
        return replace(self, **{name: getattr(self, name)[groups] for name in names})


@dataclass(frozen=True, kw_only=True)
class CautiousPair(SeparatePair):
    """Each level fitted alone, where a level has so few sets that Welch's degrees of freedom are themselves too
    uncertain: the harmonic mean of these and of the smaller of the two levels' own takes their place.

    With two sets on the level that scatters twice as much, and eight on the other, Welch's test at 5 percent errs
    in 11 percent; this one in 4 (tests/assurance). In the spirit of Cochran (1964, Biometrics 20, 191-195), whose
    critical value lies between those of the two levels.
    """

    method: IntervalMethod = IntervalMethod.FEW_SETS

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        se, welch = SeparatePair.precision(self, ratio)
        return se, 2 / (1 / welch + 1 / np.minimum(self.df_a, self.df_b))


@dataclass(frozen=True, kw_only=True)
class DifferencePair:
    """Per-set results at both levels.

    residual_a, residual_b : (groups, sets) what the mean (and the order effect) leave of each level's set means.
    leverage : variance of the mean difference per unit variance of one set's difference.
    """

    mean_a: FloatArray
    mean_b: FloatArray
    residual_a: FloatArray
    residual_b: FloatArray
    leverage: float
    df: int
    method: IntervalMethod = IntervalMethod.STUDENT

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        left = self.residual_a - ratio[:, None] * self.residual_b
        variance = (left**2).sum(axis=1) / self.df
        return np.sqrt(variance * self.leverage), np.full(len(ratio), float(self.df))

    def take(self, groups: IntArray) -> DifferencePair:
        names = ("mean_a", "mean_b", "residual_a", "residual_b")
        return replace(self, **{name: getattr(self, name)[groups] for name in names})


@dataclass(frozen=True, kw_only=True)
class CombinedPair:
    """Independent comparisons (sets that ran at both levels, sets that ran at one) with stated weights, each one
    number or (groups,)."""

    parts: tuple[GroupedPair, ...]
    weights: tuple[float | FloatArray, ...]
    method: IntervalMethod = IntervalMethod.WELCH

    @property
    def mean_a(self) -> FloatArray:
        return sum(
            (w * p.mean_a for w, p in zip(self.weights, self.parts, strict=True)),
            start=np.zeros_like(self.parts[0].mean_a),
        )

    @property
    def mean_b(self) -> FloatArray:
        return sum(
            (w * p.mean_b for w, p in zip(self.weights, self.parts, strict=True)),
            start=np.zeros_like(self.parts[0].mean_b),
        )

    def precision(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        pieces = [
            (w * se, df)
            for w, (se, df) in zip(self.weights, (p.precision(ratio) for p in self.parts), strict=True)
        ]
        total = np.stack([se**2 for se, _ in pieces]).sum(axis=0)
        spent = np.stack([se**4 / df for se, df in pieces]).sum(axis=0)
        return np.sqrt(total), total**2 / spent

    def take(self, groups: IntArray) -> CombinedPair:
        weights = tuple(w[groups] if isinstance(w, np.ndarray) and w.ndim else w for w in self.weights)
        return replace(self, parts=tuple(part.take(groups) for part in self.parts), weights=weights)


def pooled_pair(fit: BlockFit, factor: str, a: object, b: object) -> PooledPair:
    """Two levels of a fixed factor of one joint fit."""
    covariates = fit.layout.model.covariates
    weights = [level_weights(fit.layout.fixed, factor, level) for level in (a, b)]
    padded = [np.concatenate([w, np.zeros(len(covariates))]) for w in weights]
    means = [fit.moments.fixed @ w * fit.system.unit + fit.system.origin * w[0] for w in padded]
    return PooledPair(fit=fit, weights_a=padded[0], weights_b=padded[1], mean_a=means[0], mean_b=means[1])


Shares = Mapping[str, Mapping[object, float]]
"""Factor -> level -> its weight in a mean; the weights of a factor sum to one."""


def separate_pair(
    block: Block, model: Model, factor: str, a: object, b: object, *, shares: Shares | None = None
) -> SeparatePair:
    """Each level fitted alone, `factor` left out of the model.

    shares : weights of the levels of other fixed factors, the same for both means; alike where not given.

    Raises
    ------
    LayoutError
        A level has a single result, so its scatter cannot be estimated.
    EstimationError
        All results of a level are equal.
    """
    (mean_a, se_a, df_a), (mean_b, se_b, df_b) = (
        level_mean(block, model, factor, level, shares=shares) for level in (a, b)
    )
    return SeparatePair(mean_a=mean_a, mean_b=mean_b, se_a=se_a, se_b=se_b, df_a=df_a, df_b=df_b)


def level_mean(
    block: Block, model: Model, factor: str, level: object, *, shares: Shares | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, standard error and degrees of freedom (groups,) of one level, by its own results alone.

    The other fixed factors' levels count by their `shares`, alike where none are given; covariates are held at their
    mean over all cells of `block`, so that levels of one block are compared at the same covariates, each with slopes
    of its own.

    Raises
    ------
    LayoutError
        The level has a single result, so its scatter cannot be estimated.
    EstimationError
        All its results are equal.
    """
    rest = replace(model, fixed=tuple(term for term in model.fixed if factor not in term.factors))
    share = block.count / block.count.sum()
    at = np.einsum("c,gcv->gv", share, block.mean[:, :, 1:]) + block.shift[1:]
    return _mean_alone(block.keep(block.holds(factor, level)), rest, at, f"{factor} {level}", shares or {})


def _mean_alone(
    part: Block, model: Model, at: FloatArray, name: str, shares: Shares
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, standard error and degrees of freedom (groups,) of one level's cells: levels of the fixed factors
    count by their shares, covariates (groups, c) are held at `at`."""
    if part.rows < 2:
        raise LayoutError(
            f"{name} has a single result, so its scatter is not known. Run more pad sets there."
        )
    layout = layout_of(part, model, name=name)
    fit = BlockFit(block=part, layout=layout, method=Method.REML, level=0.95, names=(name,) * len(at))
    columns = fit.layout.fixed.columns
    even = np.ones(len(columns))
    for i, column in enumerate(columns):
        for factor, here in zip(column.factors, column.level, strict=True):
            size = 1 + sum(c.factors == (factor,) for c in columns)
            even[i] *= shares[factor][here] if factor in shares else 1 / size
    system = fit.system
    away = (at - system.centre) / system.scale
    weights = np.concatenate([np.broadcast_to(even, (len(at), len(even))), away], axis=1)
    se, df = contrast_precision(fit.covariance, weights[:, None])
    mean = np.einsum("gp,gp->g", fit.moments.fixed, weights) * system.unit + system.origin
    return mean, se[:, 0] * system.unit, df[:, 0]


def cautious_pair(pair: SeparatePair) -> CautiousPair:
    """The same levels, with degrees of freedom that two sets can bear."""
    return CautiousPair(
        mean_a=pair.mean_a, mean_b=pair.mean_b, se_a=pair.se_a, se_b=pair.se_b, df_a=pair.df_a, df_b=pair.df_b
    )


def difference_pair(
    set_means: FloatArray, a_first: NDArray[np.bool_] | None, gaps: FloatArray | None = None
) -> DifferencePair:
    """Compare per-set means.

    Parameters
    ----------
    set_means : (groups, sets, 2) mean of each set at level a and at level b.
    a_first : (sets,) whether the set ran at level a first; None where order is no effect.
    gaps : (sets, covariates) covariate of a set at level a less that at level b; the levels are compared at no gap.

    Raises
    ------
    LayoutError
        Too few sets for the mean (and the order effect and covariates).
    NotSeparableError
        A covariate goes with the level in every set alike.
    EstimationError
        The differences are equal, so that they show no scatter.
    """
    sets = set_means.shape[1]
    columns = [np.ones(sets)]
    if a_first is not None:
        columns.append(np.where(a_first, 1.0, -1.0))
    design = np.stack(columns, axis=1)
    if gaps is not None:
        design = np.concatenate([design, gaps], axis=1)
    rank = int(np.linalg.matrix_rank(design))
    if np.linalg.matrix_rank(np.vstack([design, np.eye(1, design.shape[1])])) > rank:
        raise NotSeparableError(
            "a covariate differs between the two by the same amount in every set, so the two cannot be told apart "
            "from it. Leave the covariate out, or run some sets with it the other way round."
        )
    df = sets - rank
    if df < 1:
        raise LayoutError(
            f"{sets} set(s) ran on both, expected at least {rank + 1} to estimate their scatter. "
            "Run more sets on both."
        )
    hat = np.linalg.pinv(design)
    coefficients = np.einsum("ps,gsl->gpl", hat, set_means)
    residual = set_means - np.einsum("sp,gpl->gsl", design, coefficients)
    left = np.abs(residual[:, :, 0] - residual[:, :, 1]).max(axis=1)
    # Differences that agree to the rounding of the values themselves show no scatter.
    if (left <= 1e-14 * np.abs(set_means).max(axis=(1, 2))).any():
        raise EstimationError(
            "the differences of all sets are equal, so no scatter can be estimated. Check the resolution with which "
            "the results were recorded."
        )
    return DifferencePair(
        mean_a=coefficients[:, 0, 0], mean_b=coefficients[:, 0, 1],
        residual_a=residual[:, :, 0], residual_b=residual[:, :, 1],
        leverage=float((hat[0] ** 2).sum()), df=df,
    )  # fmt: skip


def combined_pair(parts: Sequence[GroupedPair], information: Sequence[float | FloatArray]) -> CombinedPair:
    """Independent comparisons weighted by their information, each one number or (groups,)."""
    total = np.sum(np.broadcast_arrays(*information), axis=0)
    return CombinedPair(parts=tuple(parts), weights=tuple(value / total for value in information))


def ratio_limits(pair: Pair, level: float) -> tuple[FloatArray, FloatArray]:
    """Limits of mean_a / mean_b: the ratios at which mean_a - ratio * mean_b leaves its t interval.

    Fieller (1954, J. R. Stat. Soc. B 16, 175-185); infinite where mean_b itself is not clear of zero. The degrees
    of freedom change with the ratio, so the quadratic is solved again at each limit until they agree.
    """
    one = np.ones_like(pair.mean_a)
    variance = [pair.precision(k * one)[0] ** 2 for k in (0.0, 1.0, -1.0)]
    v_aa, v_bb = variance[0], (variance[1] + variance[2]) / 2 - variance[0]
    v_ab = (variance[2] - variance[1]) / 4
    estimate = pair.mean_a / pair.mean_b
    limits = []
    for sign in (-1, 1):
        ratio = estimate
        for _ in range(12):
            _, df = pair.precision(ratio)
            t2 = special.stdtrit(df, (1 + level) / 2) ** 2
            a = pair.mean_b**2 - t2 * v_bb
            b = pair.mean_a * pair.mean_b - t2 * v_ab
            c = pair.mean_a**2 - t2 * v_aa
            with np.errstate(invalid="ignore", divide="ignore"):
                root = (b + sign * np.sqrt(np.maximum(b**2 - a * c, 0))) / a
            before, ratio = ratio, np.where(a > 0, root, estimate)
            if np.array_equal(before, ratio):
                break
        limits.append(np.where(a > 0, ratio, sign * np.inf))
    return limits[0], limits[1]


def difference_limits(pair: Pair, level: float) -> tuple[FloatArray, FloatArray]:
    """t limits of mean_a - mean_b."""
    estimate = pair.mean_a - pair.mean_b
    se, df = pair.precision(np.ones_like(estimate))
    half = special.stdtrit(df, (1 + level) / 2) * se
    return estimate - half, estimate + half


def contrast_correlation(pairs: Sequence[PooledPair]) -> FloatArray:
    """(pairs, pairs) correlation of the differences of one joint fit (its first group)."""
    weights = np.stack([pair.weights_a - pair.weights_b for pair in pairs])
    covariance = weights @ pairs[0].fit.covariance.adjusted[0] @ weights.T
    root = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(root, root))
