"""Widths: how wide the interval of a standard deviation, or of a ratio of two, comes out, before any run.

In: a balanced design with its components, or degrees of freedom.  Out: typical limits and expected widths.

A mean square with few degrees of freedom says little: with two rigs the upper limit of their scatter is 32 times
the estimate, with three sets on each side a ratio of standard deviations is known to a factor of 6 either way (at
95 %). These numbers stand beside every plan.
Sources: as in estimation.intervals; the expected width of a chi-square interval by the mean of the chi
distribution (Johnson, Kotz & Balakrishnan 1994, Continuous Univariate Distributions 1, ch. 18).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.cells import FloatArray
from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.intervals import combination_limits
from repeatab.estimation.mean_squares import mean_squares
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.simulate import simulate_block

_DRAWS = 200


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


def expected_sd_width(df: float, *, level: float) -> float:
    """Expected width of the exact interval of a standard deviation, over the true value."""
    low, high = sd_limit_factors(df, level=level)
    mean = math.sqrt(2 / df) * math.exp(special.gammaln((df + 1) / 2) - special.gammaln(df / 2))
    return float((high - low) * mean)


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
