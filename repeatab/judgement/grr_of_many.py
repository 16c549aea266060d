"""R&R of many studies of one layout, with what a verdict rests on and no more: for planning, which judges thousands.

In: a BlockFit (one layout, many drawn studies) and what each of its sources counts as.  Out: per study R&R and its
share of the total, with the intervals that judgement.capability gives a single study. The same chi-squares serve all
studies, and negative estimates are cut at zero instead of the others being estimated with them held there: a verdict
rests on the intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray
from repeatab.estimation.block_fit import BlockFit
from repeatab.estimation.intervals import combination_limits
from repeatab.estimation.pivotal import pivots_of
from repeatab.estimation.weighted_mean_squares import weighted_mean_squares
from repeatab.judgement.capability import MEASUREMENT, Scatter, Share, Source, SourceRole, percent_of_total

# A verdict needs the limits of a percentage to about one percent of itself, not to the digits of a report.
DRAWS = 2_000
# Numbers held at once, about: 8 MiB.
_NUMBERS = 1 << 20


class JudgedScatter(Protocol):
    """What a verdict on a measurement rests on; Capability has it too."""

    @property
    def grr(self) -> Scatter: ...

    @property
    def total_percent(self) -> Share | None: ...

    @property
    def upper_bound(self) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Grr:
    """R&R of one study: the fields of Capability that a verdict rests on."""

    grr: Scatter
    total_percent: Share | None
    upper_bound: bool


def grr_of_many(
    fit: BlockFit, sources: Sequence[Source], *, rng: np.random.Generator, against_total: bool
) -> tuple[Grr, ...]:
    """R&R of every group of the fit.

    Parameters
    ----------
    sources : one per component, repeatability last. against_total : whether the share of the total is wanted.
    """
    measuring, parts = (
        np.array([float(source.role in roles) for source in sources])
        for roles in (MEASUREMENT, (SourceRole.PART,))
    )
    bound = any(source.bounds for source in sources)
    variances = np.maximum(fit.variances, 0.0)
    low, high, method = _limits_of_sum(fit, measuring)
    shares: Sequence[Share | None] = [None] * len(variances)
    if against_total and parts.any():
        shares = _shares(fit, measuring, parts, variances, rng)
    return tuple(
        Grr(
            grr=Scatter(
                sd=math.sqrt(total),
                interval=Interval(
                    lower=math.sqrt(max(a, 0.0)), upper=math.sqrt(max(b, 0.0)), level=fit.level, method=method
                ),
            ),
            total_percent=share,
            upper_bound=bound,
        )
        for total, a, b, share in zip(
            (variances @ measuring).tolist(), low.tolist(), high.tolist(), shares, strict=True
        )
    )


def _limits_of_sum(fit: BlockFit, row: FloatArray) -> tuple[FloatArray, FloatArray, IntervalMethod]:
    """(groups,) limits of the variance of a sum of components, and how they were formed."""
    if np.count_nonzero(row) == 1:
        k = int(np.flatnonzero(row)[0])
        return fit.limits[0][:, k], fit.limits[1][:, k], fit.interval_methods[k]
    analysis = fit.mean_squares if fit.uses_anova else None
    if analysis is not None:
        low, high = combination_limits(row @ analysis.combination, analysis.ms, analysis.df, level=fit.level)
        return low, high, IntervalMethod.MODIFIED_LARGE_SAMPLE
    squares = weighted_mean_squares(fit)
    found = [squares.limits(row, g, level=fit.level) for g in range(len(fit.block.groups))]
    low, high = np.array(found).T
    return low, high, IntervalMethod.WEIGHTED_MEAN_SQUARES


def _shares(
    fit: BlockFit, top: FloatArray, rest: FloatArray, variances: FloatArray, rng: np.random.Generator
) -> list[Share | None]:
    tails = [(1 - fit.level) / 2, (1 + fit.level) / 2]
    low, high = np.quantile(_drawn_percent(fit, top, rest, rng), tails, axis=1)
    value = percent_of_total(variances @ top, variances @ rest)
    known = variances.sum(axis=1) > 0
    return [
        Share(
            value=v, interval=Interval(lower=a, upper=b, level=fit.level, method=IntervalMethod.GENERALISED)
        )
        if there
        else None
        for v, a, b, there in zip(value.tolist(), low.tolist(), high.tolist(), known.tolist(), strict=True)
    ]


def _drawn_percent(fit: BlockFit, top: FloatArray, rest: FloatArray, rng: np.random.Generator) -> FloatArray:
    """(groups, draws) pivotal values of 100 sqrt(top / (top + rest))."""
    analysis = fit.mean_squares if fit.uses_anova else None
    if analysis is not None:
        spread = (analysis.df / rng.chisquare(analysis.df, (DRAWS, len(analysis.df)))).T
        upper, lower = ((analysis.ms * (row @ analysis.combination)) @ spread for row in (top, rest))
        return percent_of_total(np.maximum(upper, 0.0), np.maximum(lower, 0.0))
    groups = len(fit.block.groups)
    found = np.empty((groups, DRAWS))
    at_once = max(1, _NUMBERS // (DRAWS * max(1, len(fit.layout.count))))
    for start in range(0, groups, at_once):
        at = np.arange(start, min(start + at_once, groups))
        values = pivots_of(fit, at, draws=DRAWS, rng=rng).values
        upper, lower = (np.einsum("k,gkd->gd", row, values) for row in (top, rest))
        found[at] = percent_of_total(np.maximum(upper, 0.0), np.maximum(lower, 0.0))
    return found
