"""Contrasts: linear combinations of the fixed effects with Kenward-Roger inference.

In: a System at its REML estimate and weights of the fixed columns.  Out: estimate, standard error, degrees of
freedom and interval, in the unit of the result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import NotSeparableError, StudyError, listed
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.kenward_roger import FixedCovariance, contrast_precision
from repeatab.estimation.moments import Moments
from repeatab.estimation.system import System
from repeatab.layout.fixed import FixedDesign


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """A difference (or other combination) of fixed effects, in the unit of the result."""

    label: str
    estimate: float
    se: float
    df: float
    level: float
    method: IntervalMethod = IntervalMethod.KENWARD_ROGER

    @property
    def lower(self) -> float:
        return self.interval().lower

    @property
    def upper(self) -> float:
        return self.interval().upper

    @property
    def t(self) -> float:
        """Estimate over standard error."""
        return self.estimate / self.se

    @property
    def p(self) -> float:
        """Two-sided probability of a t value this large if the true combination is zero."""
        return float(2 * special.stdtr(self.df, -abs(self.t)))

    def interval(self, level: float | None = None) -> Interval:
        """The two-sided interval at `level` (the contrast's own if not given)."""
        chosen = self.level if level is None else level
        half = float(special.stdtrit(self.df, (1 + chosen) / 2)) * self.se
        return Interval(
            lower=self.estimate - half, upper=self.estimate + half, level=chosen, method=self.method
        )

    def __str__(self) -> str:
        interval = self.interval()
        return (
            f"{self.label}: {self.estimate:.5g} ({interval.lower:.5g} to {interval.upper:.5g}, "
            f"{self.level:.0%}), {self.df:.3g} df"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """Weights of a combination: `fixed` (columns,) of the fixed columns, `covariates` of the named slopes.

    Covariates of weight zero are held at their mean over the group's rows.
    """

    label: str
    fixed: FloatArray
    covariates: Mapping[str, float]


def level_weights(design: FixedDesign, factor: str, level: object, *, name: str = "") -> FloatArray:
    """(columns,) weights of the mean at one level, each level of the other fixed factors counting alike.

    `name` is what a message calls the group.

    Raises
    ------
    StudyError
        The factor is not fixed in this model, or has no such level in the data.
    NotSeparableError
        The level did not run in every combination with a factor that it interacts with.
    """
    factors = dict(design.references)
    where = f"{name}: " if name else ""
    if factor not in factors:
        raise StudyError(
            f"{where}'{factor}' is not a fixed effect of this model; fixed are {listed(factors)}."
        )
    own = {column.level[0] for column in design.columns if column.factors == (factor,)} | {factors[factor]}
    if level not in own:
        alike = [known for known in own if str(known) == str(level)]
        kinds = (
            f" The labels are of type {type(alike[0]).__name__}, not {type(level).__name__}." if alike else ""
        )
        raise StudyError(
            f"{where}{factor}: there is no level '{level}' in these data; there are "
            f"{listed(sorted(own, key=str))}.{kinds}"
        )
    for missing in design.missing:
        if dict(zip(missing.factors, missing.level, strict=True)).get(factor) == level:
            raise NotSeparableError(
                f"{where}there is no result for {missing.name}, so {factor} {level} has no mean over the "
                "factors it interacts with. Run that combination, or leave the interaction out."
            )
    sizes = {other: 1 + sum(c.factors == (other,) for c in design.columns) for other in factors}
    weights = np.ones(len(design.columns))
    for i, column in enumerate(design.columns):
        for other, here in zip(column.factors, column.level, strict=True):
            weights[i] *= (here == level) if other == factor else 1 / sizes[other]
    return weights


def level_contrast(
    design: FixedDesign, factor: str, level: object, *, reference: object, ratio: float = 1.0, name: str = ""
) -> Weights:
    """Weights of mean(level) - ratio * mean(reference); `name` is what a message calls the group."""
    first = level_weights(design, factor, level, name=name)
    second = level_weights(design, factor, reference, name=name)
    label = f"{factor} {level} - {'' if ratio == 1 else f'{ratio:g} × '}{reference}"
    return Weights(label=label, fixed=first - ratio * second, covariates={})


def fixed_rows(design: FixedDesign, covariates: tuple[str, ...]) -> tuple[Weights, ...]:
    """One row per coefficient: the intercept (at covariates of zero), the levels, the slopes."""
    eye = np.eye(len(design.columns))
    rows = [Weights(label=c.name, fixed=eye[i], covariates={}) for i, c in enumerate(design.columns)]
    slopes = [Weights(label=name, fixed=np.zeros(len(eye)), covariates={name: 1.0}) for name in covariates]
    return (*rows, *slopes)


def combine(
    system: System,
    here: Moments,
    covariance: FixedCovariance,
    rows: tuple[Weights, ...],
    covariates: tuple[str, ...],
    *,
    at_zero: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Estimates, standard errors and degrees of freedom of combinations, each (groups, rows).

    at_zero : the intercept is taken at covariates of zero instead of at their mean.
    """
    groups, p = here.fixed.shape
    plain = p - len(covariates)
    weights = np.zeros((groups, len(rows), p))
    for i, row in enumerate(rows):
        weights[:, i, :plain] = row.fixed
        for j, name in enumerate(covariates):
            weights[:, i, plain + j] = row.covariates.get(name, 0.0) / system.scale[:, j]
            if at_zero:
                weights[:, i, plain + j] -= row.fixed[0] * system.centre[:, j] / system.scale[:, j]
    unit, origin = system.unit[:, None], system.origin[:, None]
    constant = np.array([row.fixed[0] for row in rows])
    estimate = np.einsum("gcp,gp->gc", weights, here.fixed) * unit + origin * constant
    se, df = contrast_precision(covariance, weights)
    return estimate, se * unit, df
