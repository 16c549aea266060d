"""Widths: how wide the interval of a standard deviation, or of a ratio of two, comes out, before any run.

In: a balanced design with its components, or degrees of freedom.  Out: typical limits.

A mean square with few degrees of freedom says little: with two rigs the upper limit of their scatter is 32 times
the estimate, with three sets on each side a ratio of standard deviations is known to a factor of 6 either way (at
95 %). These numbers stand beside every plan.
Sources: as in estimation.intervals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from repeatab.cells import FloatArray, IntArray
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.intervals import combination_limits, generalised_limits
from repeatab.estimation.mean_squares import mean_squares
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.simulate import simulate_block

_DRAWS, _PIVOTS = 200, 20_000
# So large that nothing else scatters beside it.
_LARGE = 1e5


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedInterval:
    """Typical limits of one standard deviation in a design; upper is None where the design gives no limit.

    sd : as believed. df : degrees of freedom of the mean square that it mainly rests on; None if unbalanced.
    """

    source: str
    sd: float
    lower: float
    upper: float | None
    df: float | None

    @property
    def factor(self) -> float | None:
        """Upper limit over the true value: by how much the scatter may be larger than it looks."""
        return None if self.upper is None or self.sd == 0 else self.upper / self.sd


def sd_limit_factors(df: float, *, level: float) -> tuple[float, float]:
    """Lower and upper limit of a standard deviation over its estimate, exact for normal results."""
    tail = (1 - level) / 2
    return tuple(math.sqrt(df / special.chdtri(df, p)) for p in (tail, 1 - tail))  # type: ignore[return-value]


def sd_ratio_limit_factors(df: float, df_below: float, *, level: float) -> tuple[float, float]:
    """Lower and upper limit of a ratio of two independent standard deviations over its estimate (F, exact)."""
    tail = (1 - level) / 2
    upper_point = special.fdtri(df, df_below, 1 - tail)
    lower_point = special.fdtri(df, df_below, tail)
    return float(1 / math.sqrt(upper_point)), float(1 / math.sqrt(lower_point))


def expected_intervals(
    block: Block,
    layout: Layout,
    variances: Mapping[str, float | FloatArray],
    *,
    level: float,
    seed: int,
) -> tuple[ExpectedInterval, ...]:
    """The interval of each component: for a balanced layout the limits at the expected mean squares, elsewhere the
    median limits of simulated studies.

    variances : by source; where a design cannot tell a source, its variance counts with the component it is mixed
        with (the last one).
    """
    names = [*(layout.sources[i] for i in layout.estimated), layout.sources[-1]]
    truth = component_values(layout, variances)
    if layout.balanced:
        return _at_expected_mean_squares(block, layout, names, truth, level)
    rng = np.random.default_rng([seed, block.rows])
    drawn = simulate_block(block, layout, truth, 0.0, _DRAWS, rng)
    limits = BlockFit(block=drawn, layout=layout, method=Method.REML, level=level).limits
    low, high = (np.sqrt(np.maximum(np.median(side, axis=0), 0.0)) for side in limits)
    return tuple(
        ExpectedInterval(
            source=name, sd=math.sqrt(truth[k]), lower=float(low[k]),
            upper=float(high[k]) if np.isfinite(high[k]) else None, df=None,
        )
        for k, name in enumerate(names)
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class QuickWidths:
    """About how wide intervals come out in any layout, from the expected information on the components: quick enough
    to rank hundreds of layouts.

    truth : (components,) believed variances, repeatability last and above zero.
    """

    block: Block
    layout: Layout
    truth: FloatArray
    level: float

    def factors(self) -> FloatArray:
        """(components,) upper limit over each standard deviation; infinite where it is zero.

        An estimate is read as a mean square less what it holds beside the component, known well: its degrees of freedom
        are those of the component alone, its expectation follows from the variance of the estimate. In a balanced
        layout this is the modified large-sample limit (Ting et al. 1990) but for the scatter of what is taken off.
        """
        variance = np.diag(self._covariance(self.truth))
        found = np.full(len(self.truth), np.inf)
        tail = (1 + self.level) / 2
        for k in np.flatnonzero(self.truth > 0):
            large = self.truth.copy()
            large[k] = _LARGE * self.truth.max()
            df = 2 * large[k] ** 2 / self._covariance(large)[k, k]
            expected = max(np.sqrt(variance[k] * df / 2), self.truth[k])
            upper = expected * df / special.chdtri(df, tail) - (expected - self.truth[k])
            found[k] = np.sqrt(upper / self.truth[k])
        return found

    def factor_of_sum(self, row: FloatArray) -> float:
        """Upper limit over the standard deviation that some components make together (`row` says which).

        Satterthwaite (1946), Biometrics Bulletin 2, 110-114.
        """
        total = float(row @ self.truth)
        df = 2 * total**2 / float(row @ self._covariance(self.truth) @ row)
        return float(np.sqrt(df / special.chdtri(df, (1 + self.level) / 2))) if total > 0 else np.inf

    def _covariance(self, truth: FloatArray) -> FloatArray:
        """(components, components) of the estimates, if the variances are these."""
        x, parts = self.layout.fixed.matrix, self._parts
        inverse = np.linalg.inv(np.tensordot(truth, np.stack(parts), 1))
        left = inverse - inverse @ x @ np.linalg.pinv(x.T @ inverse @ x) @ x.T @ inverse
        projected = [left @ part for part in parts]
        information = np.array([[0.5 * np.sum(p * q.T) for q in projected] for p in projected])
        # Repeats within a cell tell of repeatability alone.
        information[-1, -1] += 0.5 * float((self.block.count - 1).sum()) / truth[-1] ** 2
        return np.asarray(np.linalg.inv(information), np.float64)

    @cached_property
    def _parts(self) -> list[FloatArray]:
        patterns = [_alike(self.layout.random[i].codes) for i in self.layout.estimated]
        return [*patterns, np.asarray(np.diag(1 / self.block.count), np.float64)]


def _alike(codes: IntArray) -> FloatArray:
    return np.asarray(codes[:, None] == codes[None, :], np.float64)


def expected_percent(
    block: Block, layout: Layout, truth: FloatArray, top: FloatArray, *, level: float, seed: int
) -> tuple[float, float]:
    """Typical limits of 100 sqrt(top / all), `top` (components,) saying which components it holds.

    At the expected mean squares, for balanced layouts; see estimation.intervals.
    """
    rng = np.random.default_rng(seed)
    analysis = mean_squares(simulate_block(block, layout, truth, 0.0, 1, rng), layout)
    upper, lower = top @ analysis.combination, (1 - top) @ analysis.combination

    def percent(ms: FloatArray) -> FloatArray:
        parts = np.maximum(ms @ upper, 0.0), np.maximum(ms @ lower, 0.0)
        total = parts[0] + parts[1]
        share = np.divide(parts[0], total, out=np.full_like(total, 0.25), where=total > 0)
        return np.asarray(100 * np.sqrt(share), np.float64)

    low, high = generalised_limits(
        percent, analysis.expected @ truth, analysis.df, level=level, draws=_PIVOTS, rng=rng
    )
    return low, high


def component_values(layout: Layout, variances: Mapping[str, float | FloatArray]) -> FloatArray:
    """(components,) or (draws, components) believed variances in the order of a layout.

    Sources that the layout mixes together add up where the mixture is carried; what has no term of its own there
    (sets that ran once, an interaction) joins repeatability; a factor that is fixed there adds nothing.
    """
    last = len(layout.model.random)
    home = {i: group[-1] for group in layout.separable.mixed for i in group}
    number = {name.replace("_", " "): i for i, name in enumerate(layout.sources)}
    values: dict[int, float | FloatArray] = dict.fromkeys((*layout.estimated, last), 0.0)
    for source, variance in variances.items():
        name = source.replace("_", " ")
        own = name in number or name == "pad set" or "×" in name
        i = number.get(name, last)
        at = home.get(i, i)
        if own and at in values:
            values[at] = values[at] + variance
    return np.stack(np.broadcast_arrays(*values.values()), axis=-1).astype(np.float64)


def _at_expected_mean_squares(
    block: Block, layout: Layout, names: list[str], truth: FloatArray, level: float
) -> tuple[ExpectedInterval, ...]:
    rng = np.random.default_rng(0)
    analysis = mean_squares(simulate_block(block, layout, truth, 0.0, 1, rng), layout)
    expected = analysis.expected @ truth
    found = []
    for k, name in enumerate(names):
        row = analysis.combination[k]
        low, high = combination_limits(row, expected, analysis.df, level=level)
        main = int(np.argmax(row * (row > 0)))
        found.append(
            ExpectedInterval(
                source=name, sd=math.sqrt(truth[k]), lower=math.sqrt(max(float(low), 0.0)),
                upper=math.sqrt(max(float(high), 0.0)), df=float(analysis.df[main]),
            )
        )  # fmt: skip
    return tuple(found)
