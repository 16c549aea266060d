"""Block fit: one model fitted to the groups that share a layout, everything computed when it is first read.

In: a Block, its Layout and the method.  Out: BlockFit: variances with limits, likelihood, combinations of
fixed effects. The entrance for a caller with a table is `components.fit_components`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError, StudyError
from repeatab.base.interval import IntervalMethod
from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.bordered import Bordered, build_bordered, dividing_term
from repeatab.estimation.component_limits import balanced_limits, pivotal_limits, within_reach
from repeatab.estimation.contrasts import Weights, combine
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
from repeatab.estimation.one_thread import one_thread
from repeatab.estimation.pivotal_terms import Spaces, spaces_of
from repeatab.estimation.profile import profile_limits
from repeatab.estimation.small_sample_profile import small_sample_limits
from repeatab.estimation.strata import Strata, strata_of
from repeatab.estimation.system import LEAST_SPREAD, System, build_system
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
    names: Sequence[str] = ()

    def take(self, groups: IntArray) -> BlockFit:
        """The fit of some of the groups. What has been computed for all of them is not computed again."""
        part = replace(
            self, block=self.block.take(groups), names=[self.names[g] for g in groups] if self.names else ()
        )
        for name in ("system", "minimum", "moments", "covariance"):
            if name in vars(self):
                vars(part)[name] = vars(self)[name].take(groups)
        return part

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
        least = np.maximum(SMALLEST_RESIDUAL * analysis.ss.sum(axis=1), LEAST_SPREAD**2)
        flat = np.flatnonzero(analysis.ss[:, -1] <= least)
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
        with one_thread(self._columns):
            return build_system(self.block, self.layout, names=self.names)

    @cached_property
    def _equations(self) -> System | Bordered:
        """What the search runs on: the system, or its bordered form where that is cheaper. Both have the same units
        and the same criterion."""
        by = dividing_term([self.layout.random[i] for i in self.layout.estimated])
        return self.system if by is None else build_bordered(self.block, self.layout, by, names=self.names)

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
        with one_thread(self._columns):
            return self._searched(self._equations)

    def _searched(self, system: System | Bordered) -> Minimum:
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
        analysis = self._analysis
        strata = strata_of(analysis)
        return strata, minimise_strata(strata, analysis.combination[:, np.array(analysis.random)])

    @cached_property
    def moments(self) -> Moments:
        with one_thread(self._columns):
            return moments(self.system, self.minimum.theta, kenward_roger=True)

    @cached_property
    def covariance(self) -> FixedCovariance:
        return fixed_covariance(self.moments)

    @cached_property
    def variances(self) -> FloatArray:
        """(groups, components) estimates as they come out, negative ANOVA estimates included."""
        if self.uses_anova:
            return self._analysis.components
        problem, minimum = self._balanced or (self._equations, self.minimum)
        return np.asarray(minimum.theta * problem.unit[:, None] ** 2, dtype=np.float64)

    @property
    def limits(self) -> tuple[FloatArray, FloatArray]:
        """(groups, components) lower and upper limits of the variances, never below zero; see component_limits."""
        return self._limits[0]

    @cached_property
    def _limits(self) -> tuple[tuple[FloatArray, FloatArray], IntervalMethod]:
        if self.layout.balanced:
            limits = balanced_limits(self._analysis, level=self.level)
            return self._around(limits), IntervalMethod.MODIFIED_LARGE_SAMPLE
        if within_reach(self.layout):
            try:
                return self._around(self._pivotal), IntervalMethod.GENERALISED
            except LayoutError:
                # A source that is seen only in how classes of others differ has no pivot of its own.
                pass
        return self._around(self._few_levels), IntervalMethod.PROFILE

    @cached_property
    def pivotal_spaces(self) -> Spaces:
        """The values of the data that carry each term.

        Raises
        ------
        LayoutError
            No degrees of freedom are left for repeatability, or for a term beside the others.
        """
        return spaces_of(self.layout)

    @property
    def _pivotal(self) -> tuple[FloatArray, FloatArray]:
        with one_thread(self._columns):
            return pivotal_limits(self, level=self.level)

    @property
    def _columns(self) -> int:
        return sum(self.layout.random[i].size for i in self.layout.estimated)

    def _around(self, limits: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Limits that hold the estimates: one that stands at zero since others took its share keeps zero."""
        estimate = np.maximum(self.variances, 0.0)
        return np.minimum(limits[0], estimate), np.maximum(limits[1], estimate)

    @property
    def _few_levels(self) -> tuple[FloatArray, FloatArray]:
        problem, minimum = self._equations, self.minimum
        with one_thread(self._columns):
            lower, upper = small_sample_limits(problem, minimum, self.layout, level=self.level)
        unit = problem.unit[:, None] ** 2
        return lower * unit, upper * unit

    @cached_property
    def profiled(self) -> tuple[FloatArray, FloatArray]:
        """(groups, components) profile limits of the variances."""
        problem, minimum = self._balanced or (self._equations, self.minimum)
        with one_thread(self._columns):
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
        method = self._limits[1]
        last = method if method is IntervalMethod.PROFILE else IntervalMethod.CHI_SQUARE
        return (*[method] * len(self.layout.estimated), last)

    def combine(self, rows: tuple[Weights, ...], *, at_zero: bool = False) -> tuple[FloatArray, ...]:
        """Estimates, standard errors and degrees of freedom (groups, rows) of fixed combinations."""
        return combine(
            self.system, self.moments, self.covariance, rows, self.layout.model.covariates, at_zero=at_zero
        )
