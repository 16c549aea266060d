"""Block fit: one model fitted to the groups that share a layout, everything computed when it is first read.

In: a Block, its Layout and the method.  Out: BlockFit: variances with limits, likelihood, combinations of
fixed effects. The entrance for a caller with a table is `components.fit_components`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import cached_property

import numpy as np

from repeatab.base.errors import EstimationError, StudyError
from repeatab.base.interval import IntervalMethod
from repeatab.base.notes import Note, NoteKind
from repeatab.cells import FloatArray
from repeatab.estimation.contrasts import Weights, combine
from repeatab.estimation.intervals import chi_square_limits, combination_limits
from repeatab.estimation.kenward_roger import FixedCovariance, fixed_covariance
from repeatab.estimation.mean_squares import MeanSquares, mean_squares
from repeatab.estimation.minimise import (
    SMALLEST_RESIDUAL,
    Minimum,
    minimise_from_several_starts,
    minimise_strata,
    no_repeatability,
)
from repeatab.estimation.moments import Moments, criterion, moments
from repeatab.estimation.profile import profile_limits
from repeatab.estimation.strata import Strata, strata_of
from repeatab.estimation.system import System, build_system
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout


class Method(Enum):
    """How components are estimated; AUTO takes ANOVA where the layout is balanced and REML elsewhere."""

    ANOVA = "anova"
    REML = "reml"
    AUTO = "auto"


def method_of(text: str | Method) -> Method:
    """The method that a word stands for.

    Raises
    ------
    StudyError
    """
    try:
        return Method(text)
    except ValueError:
        raise StudyError.unknown_choice("method", str(text), allowed=[m.value for m in Method]) from None


@dataclass(frozen=True, kw_only=True)
class BlockFit:
    """The fit of the groups that share a layout; everything costly is computed when it is first read.

    names : what a message calls each group, () where there is one group or they have no names.
    """

    block: Block
    layout: Layout
    method: Method
    level: float
    names: tuple[str, ...] = ()

    @property
    def uses_anova(self) -> bool:
        return self.method is Method.ANOVA or (self.method is Method.AUTO and self.layout.balanced)

    @cached_property
    def mean_squares(self) -> MeanSquares | None:
        """The analysis of variance; None where the layout is not balanced.

        Raises
        ------
        EstimationError
            The results of a group are equal, or its repeats agree exactly; the group is named.
        """
        return self._analysis if self.layout.balanced else None

    @cached_property
    def _analysis(self) -> MeanSquares:
        analysis = mean_squares(self.block, self.layout)
        # The same bound as that of the REML search, so that both methods refuse the same data.
        flat = np.flatnonzero(analysis.ss[:, -1] <= SMALLEST_RESIDUAL * analysis.ss.sum(axis=1))
        if flat.size:
            build_system(self.block, self.layout, names=self.names)  # says so where all results are equal
            raise no_repeatability(self.names[flat[0]] if self.names else "")
        return analysis

    @cached_property
    def system(self) -> System:
        """The equations of the groups.

        Raises
        ------
        EstimationError
            All results of a group are equal, or a covariate does not vary; the group is named.
        """
        return build_system(self.block, self.layout, names=self.names)

    @cached_property
    def minimum(self) -> Minimum:
        """The REML optimum.

        Raises
        ------
        EstimationError
            A group has no scatter for repeatability, or the search does not settle; the group is named.
        """
        if self._balanced is not None:
            strata, found = self._balanced
            scale = (strata.unit / self.system.unit)[:, None] ** 2
            theta = found.theta * scale
            value = criterion(self.system, theta)
            return Minimum(theta=theta, criterion=value, gradient=found.gradient / scale)
        system = self.system
        try:
            return minimise_from_several_starts(system)
        except EstimationError:
            if not self.names:
                raise
        for position, name in enumerate(self.names):
            try:
                minimise_from_several_starts(system.take(np.array([position])))
            except EstimationError as error:
                raise EstimationError(f"{name}: {error}") from None
        raise AssertionError("groups fail together but not one by one")

    @cached_property
    def _balanced(self) -> tuple[Strata, Minimum] | None:
        """The REML optimum of a balanced layout, in the units of its strata; None where it is not balanced."""
        if not self.layout.balanced:
            return None
        strata = strata_of(self._analysis)
        return strata, minimise_strata(strata)

    @cached_property
    def moments(self) -> Moments:
        return moments(self.system, self.minimum.theta, kenward_roger=True)

    @cached_property
    def covariance(self) -> FixedCovariance:
        return fixed_covariance(self.moments)

    @cached_property
    def variances(self) -> FloatArray:
        """(groups, components) estimates as they come out, negative ANOVA estimates included."""
        if self.uses_anova:
            return self._analysis.components
        problem, minimum = self._balanced or (self.system, self.minimum)
        return np.asarray(minimum.theta * problem.unit[:, None] ** 2, dtype=np.float64)

    @cached_property
    def limits(self) -> tuple[FloatArray, FloatArray]:
        """(groups, components) lower and upper limits of the variances, never below zero."""
        if self.uses_anova:
            return _balanced_limits(self._analysis, self.level)
        problem, minimum = self._balanced or (self.system, self.minimum)
        lower, upper = profile_limits(problem, minimum, level=self.level)
        unit = problem.unit[:, None] ** 2
        return lower * unit, upper * unit

    @cached_property
    def log_likelihood(self) -> FloatArray:
        """(groups,) restricted, all constants, for uncentred covariates and 0/1 indicators."""
        system = self.system
        scale = 2 * system.df * np.log(system.unit) + 2 * np.log(system.scale).sum(axis=1)
        return np.asarray(-0.5 * (self.minimum.criterion + scale), dtype=np.float64)

    @property
    def interval_methods(self) -> tuple[IntervalMethod, ...]:
        """How each component's interval was formed, repeatability last."""
        sources = len(self.layout.estimated)
        if self.uses_anova:
            return (*[IntervalMethod.MODIFIED_LARGE_SAMPLE] * sources, IntervalMethod.CHI_SQUARE)
        return (IntervalMethod.PROFILE,) * (sources + 1)

    def combine(self, rows: tuple[Weights, ...], *, at_zero: bool = False) -> tuple[FloatArray, ...]:
        """Estimates, standard errors and degrees of freedom (groups, rows) of fixed combinations."""
        return combine(
            self.system, self.moments, self.covariance, rows, self.layout.model.covariates, at_zero=at_zero
        )


def _balanced_limits(analysis: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    lower, upper = np.empty_like(analysis.components), np.empty_like(analysis.components)
    for k, coefficients in enumerate(analysis.combination[:-1]):
        low, high = combination_limits(coefficients, analysis.ms, analysis.df, level=level)
        lower[:, k], upper[:, k] = np.maximum(low, 0), np.maximum(high, 0)
    low, high = chi_square_limits(analysis.ms[:, -1], float(analysis.df[-1]), level=level)
    lower[:, -1], upper[:, -1] = low, high
    return lower, upper


def fit_notes(part: BlockFit) -> list[Note]:
    """What the fit itself noticed, beside what the layout says."""
    names = [part.layout.sources[i] for i in part.layout.estimated]
    notes = []
    for k, name in enumerate(names):
        if (part.variances[:, k] <= 0).any():
            notes.append(
                Note(
                    kind=NoteKind.ZERO_COMPONENT,
                    sources=(name,),
                    text=f"the component of {name} is estimated at zero; it stays in the degrees of freedom.",
                )
            )
    return notes
