"""Gauge designs: how likely a larger gauge study would bring a verdict, if the components are as estimated.

In: candidate numbers of rigs, operators, sets and runs, components, and the rule that judges.  Out: the
probability of a verdict for each. Simulated through the estimators and the rule that judge the study itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.components import BlockFit, Method
from repeatab.judgement.capability import Source
from repeatab.judgement.grr_of_many import JudgedScatter, grr_of_many
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import Model
from repeatab.outcome.verdict import Verdict
from repeatab.simulate import planned_block, simulate_block

DRAWS = 200
"""Simulated studies per design."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDesign:
    """Every level of every factor with every other, each combination run `runs` times."""

    levels: tuple[tuple[str, int], ...]
    runs: int

    @property
    def total(self) -> int:
        """Runs in all."""
        return self.runs * int(np.prod([count for _, count in self.levels]))


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignChance:
    """Probability that a study of this design ends with a verdict, good to about 0.03."""

    design: GaugeDesign
    probability: float


def design_chances(
    designs: Sequence[GaugeDesign],
    model: Model,
    variances: Mapping[str, float | FloatArray],
    *,
    mean: float,
    sources: Callable[[Layout], Sequence[Source]],
    judge: Callable[[JudgedScatter], Verdict],
    against_total: bool,
    level: float,
    seed: int,
) -> tuple[DesignChance, ...]:
    """Simulate each design.

    Parameters
    ----------
    variances : by the name of each random term of `model`, and of repeatability; zero where not named. One value, or
        one for each of the DRAWS simulated studies where the components are uncertain.
    sources : what the components of a layout count as; judge : the rule of the study; against_total : whether
        it looks at R&R as a share of the total.
    """
    return tuple(
        DesignChance(
            design=design,
            probability=_chance(design, model, variances, mean, sources, judge, against_total, level, seed),
        )
        for design in designs
    )


def _chance(
    design: GaugeDesign,
    model: Model,
    variances: Mapping[str, float | FloatArray],
    mean: float,
    sources: Callable[[Layout], Sequence[Source]],
    judge: Callable[[JudgedScatter], Verdict],
    against_total: bool,
    level: float,
    seed: int,
) -> float:
    rows = list(product(*(range(count) for _, count in design.levels), range(design.runs)))
    block = planned_block({name: [row[i] for row in rows] for i, (name, _) in enumerate(design.levels)})
    layout = layout_of(block, model)
    names = [*(layout.sources[i] for i in layout.estimated), layout.sources[-1]]
    rng = np.random.default_rng([seed, design.total, design.runs])
    truth = np.stack(np.broadcast_arrays(*(variances.get(name, 0.0) for name in names)), axis=-1)
    drawn = simulate_block(block, layout, truth, mean, DRAWS, rng)
    fit = BlockFit(block=drawn, layout=layout, method=Method.AUTO, level=level)
    found = grr_of_many(fit, sources(layout), rng=rng, against_total=against_total)
    return float(np.mean([judge(one) is not Verdict.UNDECIDED for one in found]))
