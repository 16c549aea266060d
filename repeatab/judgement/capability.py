"""Capability: R&R, its parts and the scatter of the sets, as standard deviations and ratios with intervals.

In: a BlockFit (one layout, many sections) and what each of its sources counts as.  Out: Capability per
section.

A balanced layout is judged from its mean squares: exact chi-square for one mean square, modified
large-sample for sums (see estimation.intervals), generalised pivotal for ratios (Hamada & Weerahandi 2000,
J. Qual. Technol. 32, 241-253). Elsewhere the components are REML's; intervals of components and ratios are
generalised pivotal (see estimation.pivotal), those of sums modified large-sample on weighted mean squares (see
estimation.weighted_mean_squares).

Where an analysis of variance gives a negative component, the estimates shown are REML's, which keep every
component at zero or above. For one negative interaction this equals the handbook's pooling of the interaction
with repeatability; the intervals still come from all mean squares, so that they do not lean on that choice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np

from repeatab.base.errors import LayoutError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.components import BlockFit, Method
from repeatab.estimation.intervals import combination_limits, generalised_limits
from repeatab.estimation.mean_squares import MeanSquares
from repeatab.estimation.pivotal import pivotal_components
from repeatab.estimation.weighted_mean_squares import WeightedMeanSquares, weighted_mean_squares

PIVOT_DRAWS = 100_000
UNBALANCED_DRAWS = 20_000


class SourceRole(Enum):
    """What a source of scatter counts as; the value is the word on the page."""

    REPEATABILITY = "repeatability"
    REPRODUCIBILITY = "reproducibility"
    INTERACTION = "interaction"
    PART = "part"


MEASUREMENT = (SourceRole.REPEATABILITY, SourceRole.REPRODUCIBILITY, SourceRole.INTERACTION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One component: what it is made of (several names where the design mixes sources) and what it counts as.

    bounds : the component also holds scatter of the sets, so that whatever contains it is an upper bound.
    """

    names: tuple[str, ...]
    role: SourceRole
    bounds: bool = False

    @property
    def name(self) -> str:
        return " with ".join(self.names)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A standard deviation in the unit of the result; no interval where the design gives none."""

    sd: float
    interval: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A ratio with its interval."""

    value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """One section's capability. `None` where the design holds nothing of that kind.

    components : per source, in the order of the fit, repeatability last; raw : the analysis of variance's own
        estimates of the variances, which may be negative.
    total_percent : R&R in percent of the total variation.
    agreement : intraclass correlation, rig and operator offsets counted as disagreement; consistency : not.
    upper_bound : scatter of the sets cannot be told from the measurement and is inside R&R.
    """

    sources: tuple[Source, ...]
    components: tuple[Scatter, ...]
    raw: tuple[float, ...]
    repeatability: Scatter
    reproducibility: Scatter | None
    interaction: Scatter | None
    grr: Scatter
    parts: Scatter | None
    total: Scatter
    total_percent: Share | None
    agreement: Share | None
    consistency: Share | None
    upper_bound: bool

    def share_of(self, index: int) -> float:
        """A component's share of the total variance."""
        return (self.components[index].sd / self.total.sd) ** 2


def capabilities(
    fit: BlockFit,
    sources: Sequence[Source],
    *,
    generators: Sequence[np.random.Generator],
    pivot_draws: int = PIVOT_DRAWS,
) -> tuple[Capability, ...]:
    """Judge the sections of one layout.

    Parameters
    ----------
    fit : with (groups,) sections.
    sources : one per component, repeatability last.
    generators : one per section, of the draws behind the intervals.
    pivot_draws : how many for the ratios, of an unbalanced layout never more than UNBALANCED_DRAWS.

    Raises
    ------
    LayoutError
        The sources do not fit the layout.
    """
    if len(sources) != len(fit.layout.estimated) + 1:
        raise LayoutError(
            f"capability: found {len(sources)} sources for {len(fit.layout.estimated) + 1} components."
        )
    sums = _Sums(sources=tuple(sources))
    limits: _Limits
    analysis = fit.mean_squares if fit.uses_anova else None
    if analysis is not None:
        limits = _FromMeanSquares(fit=fit, analysis=analysis, generators=generators, draws=pivot_draws)
    else:
        few = min(pivot_draws, UNBALANCED_DRAWS)
        limits = _FromPivots(fit=fit, generators=generators, draws=few)
    variances = constrained_variances(fit)
    return tuple(_capability(fit, sums, limits, variances[g], g) for g in range(len(variances)))


def constrained_variances(fit: BlockFit) -> FloatArray:
    """(groups, components) estimates, none below zero: REML's wherever an analysis of variance gives a
    negative one (the two agree elsewhere)."""
    found = fit.variances.copy()
    negative = np.flatnonzero((found < 0).any(axis=1))
    if fit.uses_anova and negative.size:
        block = fit.block
        part = replace(
            block, mean=block.mean[negative], cross=block.cross[negative], groups=np.arange(len(negative))
        )
        found[negative] = replace(fit, block=part, method=Method.REML).variances
    return np.maximum(found, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """Which components make up each quantity, as 0/1 rows."""

    sources: tuple[Source, ...]

    def of(self, *roles: SourceRole) -> FloatArray:
        return np.array([float(source.role in roles) for source in self.sources])

    @property
    def total(self) -> FloatArray:
        return np.ones(len(self.sources))


@dataclass(frozen=True, kw_only=True)
class _Limits:
    """Intervals of sums of components and of ratios of sums, section by section."""

    fit: BlockFit
    generators: Sequence[np.random.Generator]

    def of_sum(self, row: FloatArray, group: int) -> Interval | None:
        """Of the standard deviation of a sum of components; one component alone has the limits of the fit."""
        if np.count_nonzero(row) != 1:
            return self.of_several(row, group)
        k = int(np.flatnonzero(row)[0])
        low, high = (float(side[group, k]) for side in self.fit.limits)
        return _sd_interval(low, high, self.fit.level, self.fit.interval_methods[k])

    def of_several(self, row: FloatArray, group: int) -> Interval | None:
        """Of the standard deviation of a sum of two components or more."""
        raise NotImplementedError

    def of_percent(self, top: FloatArray, rest: FloatArray, group: int) -> Interval | None:
        """Of 100 sqrt(top / (top + rest))."""
        raise NotImplementedError


@dataclass(frozen=True, kw_only=True)
class _FromMeanSquares(_Limits):
    analysis: MeanSquares
    draws: int

    def of_several(self, row: FloatArray, group: int) -> Interval | None:
        coefficients = row @ self.analysis.combination
        low, high = combination_limits(
            coefficients, self.analysis.ms[group], self.analysis.df, level=self.fit.level
        )
        single = np.count_nonzero(coefficients) == 1
        method = IntervalMethod.CHI_SQUARE if single else IntervalMethod.MODIFIED_LARGE_SAMPLE
        return _sd_interval(float(low), float(high), self.fit.level, method)

    def of_percent(self, top: FloatArray, rest: FloatArray, group: int) -> Interval | None:
        upper, lower = top @ self.analysis.combination, rest @ self.analysis.combination

        def percent(ms: FloatArray) -> FloatArray:
            return percent_of_total(np.maximum(ms @ upper, 0.0), np.maximum(ms @ lower, 0.0))

        low, high = generalised_limits(
            percent, self.analysis.ms[group], self.analysis.df,
            level=self.fit.level, draws=self.draws, rng=self.generators[group],
        )  # fmt: skip
        return Interval(lower=low, upper=high, level=self.fit.level, method=IntervalMethod.GENERALISED)


@dataclass(frozen=True, kw_only=True)
class _FromPivots(_Limits):
    draws: int

    @cached_property
    def drawn(self) -> tuple[FloatArray, ...]:
        """Per section, (draws, components) pivotal values."""
        return tuple(
            pivotal_components(self.fit, g, draws=self.draws, rng=self.generators[g])
            for g in range(len(self.fit.block.groups))
        )

    @cached_property
    def squares(self) -> WeightedMeanSquares:
        return weighted_mean_squares(self.fit)

    def of_several(self, row: FloatArray, group: int) -> Interval | None:
        low, high = self.squares.limits(row, group, level=self.fit.level)
        return _sd_interval(low, high, self.fit.level, IntervalMethod.WEIGHTED_MEAN_SQUARES)

    def of_percent(self, top: FloatArray, rest: FloatArray, group: int) -> Interval | None:
        drawn = self.drawn[group]
        low, high = self._quantiles(
            percent_of_total(np.maximum(drawn @ top, 0.0), np.maximum(drawn @ rest, 0.0))
        )
        return Interval(lower=low, upper=high, level=self.fit.level, method=IntervalMethod.GENERALISED)

    def _quantiles(self, values: FloatArray) -> tuple[float, float]:
        low, high = np.quantile(values, [(1 - self.fit.level) / 2, (1 + self.fit.level) / 2])
        return float(low), float(high)


def _sd_interval(low: float, high: float, level: float, method: IntervalMethod) -> Interval:
    return Interval(
        lower=math.sqrt(max(low, 0.0)), upper=math.sqrt(max(high, 0.0)), level=level, method=method
    )


def percent_of_total(top: FloatArray, rest: FloatArray) -> FloatArray:
    """100 sqrt(top / (top + rest)) of variances."""
    total = top + rest
    # Both at zero: no scatter of either kind is left in this draw; the ratio says nothing, half way is
    # neutral.
    return 100 * np.sqrt(np.divide(top, total, out=np.full_like(total, 0.25), where=total > 0))


def _capability(fit: BlockFit, sums: _Sums, limits: _Limits, variances: FloatArray, group: int) -> Capability:
    def scatter(row: FloatArray) -> Scatter | None:
        if not row.any():
            return None
        return Scatter(sd=math.sqrt(float(row @ variances)), interval=limits.of_sum(row, group))

    part, grr = sums.of(SourceRole.PART), sums.of(*MEASUREMENT)
    within = sums.of(SourceRole.REPEATABILITY, SourceRole.INTERACTION)
    upper_bound = any(source.bounds for source in sums.sources)
    known = bool(part.any()) and bool(variances.sum() > 0)
    tells = known and not upper_bound
    eye = np.eye(len(sums.sources))
    return Capability(
        sources=sums.sources,
        components=tuple(
            Scatter(sd=math.sqrt(variances[k]), interval=limits.of_sum(row, group)) for k, row in enumerate(eye)
        ),
        raw=tuple(float(v) for v in fit.variances[group]),
        repeatability=_certain(scatter(sums.of(SourceRole.REPEATABILITY))),
        reproducibility=scatter(sums.of(SourceRole.REPRODUCIBILITY)),
        interaction=scatter(sums.of(SourceRole.INTERACTION)),
        grr=_certain(scatter(grr)),
        parts=scatter(part),
        total=_certain(scatter(sums.total)),
        total_percent=_percent_share(grr, part, limits, variances, group) if known else None,
        agreement=_correlation(part, grr, limits, variances, group) if tells else None,
        consistency=_correlation(part, within, limits, variances, group) if tells else None,
        upper_bound=upper_bound,
    )  # fmt: skip


def _certain(scatter: Scatter | None) -> Scatter:
    if scatter is None:
        raise LayoutError("capability: no source counts as repeatability.")
    return scatter


def _percent_share(
    top: FloatArray, rest: FloatArray, limits: _Limits, variances: FloatArray, group: int
) -> Share:
    value = float(percent_of_total(np.array([top @ variances]), np.array([rest @ variances]))[0])
    return Share(value=value, interval=limits.of_percent(top, rest, group))


def _correlation(
    part: FloatArray, rest: FloatArray, limits: _Limits, variances: FloatArray, group: int
) -> Share:
    """Part over part + rest, whose limits are those of the percentage of the rest turned round."""
    percent = _percent_share(rest, part, limits, variances, group)
    interval = percent.interval
    if interval is not None:
        interval = replace(
            interval, lower=1 - (interval.upper / 100) ** 2, upper=1 - (interval.lower / 100) ** 2
        )
    return Share(value=1 - (percent.value / 100) ** 2, interval=interval)
