"""Gauge verdicts: what a planned study of scatter would say, section by section and of all together.

In: a design, its sections with their believed components, how they go together, and the rule that judges one.
Out: the probability of each verdict, and the intervals that such a study typically has.
The sections are simulated at once, since a set, a rig and a run bring something common to all of them, and judged by
the functions that judge a study.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.interval import Interval
from repeatab.cells import FloatArray
from repeatab.estimation.components import BlockFit, Method
from repeatab.judgement.capability import Source
from repeatab.judgement.grr_of_many import JudgedScatter, grr_of_many
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout
from repeatab.outcome.verdict import Verdict
from repeatab.simulate import simulate_sections


@dataclass(frozen=True, kw_only=True)
class PlannedGaugeSection:
    """A section as it is believed to be.

    mean : its level on the scale of the analysis. variances : (components,) of the layout, repeatability last.
    drawn : (draws, components) possible values. judge : the rule of the study for this section.
    """

    name: str
    mean: float
    variances: FloatArray
    drawn: FloatArray
    judge: Callable[[JudgedScatter], Verdict]
    decides: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TypicalLimits:
    """Limits that lie in the middle of those of the simulated studies; None where there are none."""

    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeChance:
    """Probabilities over so many simulated studies.

    sections : name -> verdict -> probability. decided : that every deciding section ends with a verdict.
    grr, percent : typical limits of R&R as a standard deviation, and in percent of the total, by section.
    """

    sections: Mapping[str, Mapping[Verdict, float]]
    decided: float
    draws: int
    grr: Mapping[str, TypicalLimits]
    percent: Mapping[str, TypicalLimits]

    @property
    def monte_carlo_error(self) -> float:
        """Standard error of `decided`."""
        return float(np.sqrt(max(self.decided * (1 - self.decided), 0.25 / self.draws) / self.draws))

    def of_section(self, name: str) -> float:
        """Probability that a section ends with a verdict."""
        return 1 - self.sections[name].get(Verdict.UNDECIDED, 0.0)


def gauge_chance(
    block: Block,
    layout: Layout,
    sections: Sequence[PlannedGaugeSection],
    correlation: FloatArray,
    sources: Sequence[Source],
    *,
    level: float,
    draws: int,
    seed: int,
    uncertain: bool,
) -> GaugeChance:
    """Simulate the design in all sections and judge each study.

    Parameters
    ----------
    correlation : (sections, sections) of what a source brings to them. sources : what each component counts as.
    uncertain : draw the components of every study from what is believed, instead of the point estimate.
    """
    rng = np.random.default_rng([seed, block.rows, len(layout.estimated), int(uncertain)])
    variances = np.stack([_variances(section, draws, uncertain) for section in sections], axis=1)
    means = np.stack([np.full(len(block.count), section.mean) for section in sections])
    blocks = simulate_sections(block, layout, variances, means, correlation, draws, rng)
    found: dict[str, list[Verdict]] = {}
    grr, percent = {}, {}
    for section, drawn in zip(sections, blocks, strict=True):
        fit = BlockFit(block=drawn, layout=layout, method=Method.AUTO, level=level)
        judged = grr_of_many(fit, sources, rng=rng, against_total=True)
        found[section.name] = [section.judge(one) for one in judged]
        grr[section.name] = _typical([one.grr.interval for one in judged])
        percent[section.name] = _typical(
            [one.total_percent.interval if one.total_percent else None for one in judged]
        )
    open_ones = np.array([[v is Verdict.UNDECIDED for v in found[s.name]] for s in sections if s.decides])
    return GaugeChance(
        sections={name: _shares(verdicts) for name, verdicts in found.items()},
        decided=float((~open_ones.any(axis=0)).mean()),
        draws=draws,
        grr=grr,
        percent=percent,
    )


def _variances(section: PlannedGaugeSection, draws: int, uncertain: bool) -> FloatArray:
    if uncertain:
        return np.resize(section.drawn, (draws, section.drawn.shape[1]))
    return np.broadcast_to(section.variances, (draws, len(section.variances)))


def _shares(verdicts: Sequence[Verdict]) -> dict[Verdict, float]:
    return {verdict: verdicts.count(verdict) / len(verdicts) for verdict in dict.fromkeys(verdicts)}


def _typical(intervals: Sequence[Interval | None]) -> TypicalLimits:
    known = [one for one in intervals if one is not None]
    if len(known) < len(intervals) / 2 or not known:
        return TypicalLimits(lower=None, upper=None)
    low, high = (float(np.median([getattr(one, side) for one in known])) for side in ("lower", "upper"))
    return TypicalLimits(lower=low, upper=high if np.isfinite(high) else None)
