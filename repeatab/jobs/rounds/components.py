"""Where the scatter within and between laboratories comes from: rigs, operators, days, and distributed pad sets.

In: RoundData.  Out: variance components of a nested design per level, joint where the design cannot part them,
and the intermediate precision. Staggered designs also get the standard's own estimates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import RepeatabError
from repeatab.cells import FloatArray
from repeatab.estimation.components import BlockFit, fit_cells
from repeatab.interlab.staggered import NestedPrecision, staggered_nested
from repeatab.jobs.rounds.data import LABORATORY, LEVEL, PAD_SET, RESULT, WITHIN, Label, RoundData, kept
from repeatab.jobs.rounds.question import RoundRobin, SetKind
from repeatab.jobs.wording import enumerated
from repeatab.layout.terms import REPEATABILITY, Model, model_of

if TYPE_CHECKING:
    import pandas as pd

ANALYSIS_OF_VARIANCE, REML = "analysis of variance", "REML"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterSource:
    """One source, or several that are one number here; limits are None where there are none."""

    members: tuple[str, ...]
    sd: float
    lower: float | None
    upper: float | None

    @property
    def name(self) -> str:
        words = [member.replace("_", " ") for member in self.members]
        return words[0] if len(words) == 1 else f"{enumerated(words)}, joint"


@dataclass(frozen=True, kw_only=True)
class LevelComponents:
    """The components of one level, laboratory first.

    absent : laboratories whose cells do not tell the factors. staggered : estimates of the staggered nested
    design where the results have one. trouble : why there are no components.
    """

    level: Label
    factors: tuple[str, ...]
    sources: tuple[ScatterSource, ...] = ()
    method: str = ""
    absent: tuple[Label, ...] = ()
    staggered: NestedPrecision | None = None
    trouble: str = ""

    @property
    def sets_are_joint(self) -> str:
        """The joint source that holds the pad sets; empty where they stand alone or are no factor."""
        return next((s.name for s in self.sources if PAD_SET in s.members and len(s.members) > 1), "")

    def intermediate(self) -> tuple[tuple[str, float], ...]:
        """What changes within the laboratory, from repeatability outwards, and the standard deviation then."""
        found, total, changing = [], 0.0, []
        for source in reversed(self.sources):
            if LABORATORY in source.members:
                break
            total += source.sd**2
            changing += [m.replace("_", " ") for m in source.members if m != REPEATABILITY]
            if changing:
                found.append((enumerated(changing), math.sqrt(total)))
        return tuple(found)


def nested_factors(question: RoundRobin, data: RoundData) -> tuple[str, ...]:
    """The factors within the laboratory: those the study names, or rig, operator and day as far as they vary."""
    if question.nested is not None:
        return question.nested
    return tuple(name for name in WITHIN if _varies(data, name))


def _varies(data: RoundData, name: str) -> bool:
    if not data.parts_with(name):
        return False
    cells = data.cells_over([LABORATORY, LEVEL, name])
    return len(cells) > len(cells.over([LABORATORY, LEVEL]))


def level_components(
    question: RoundRobin, data: RoundData, kinds: dict[Label, SetKind]
) -> tuple[LevelComponents, ...]:
    """The components of every level that has factors within the laboratory or distributed sets."""
    nested = nested_factors(question, data)
    found = []
    for level in data.levels:
        own = (PAD_SET,) if kinds[level] is SetKind.DISTRIBUTED else ()
        factors = tuple(dict.fromkeys((*nested, *own)))
        if factors:
            found.append(_of_level(question, data, level, factors))
    return tuple(found)


def _of_level(
    question: RoundRobin, data: RoundData, level: Label, factors: tuple[str, ...]
) -> LevelComponents:
    if not any(level in part.cells.levels_of(LEVEL) for part in data.parts_with(*factors)):
        return LevelComponents(level=level, factors=factors, trouble="No laboratory tells these factors.")
    cells = kept(data.cells_over([LABORATORY, LEVEL, *factors]), {LEVEL: level})
    known = set(cells.levels_of(LABORATORY))
    every = data.level_cells(level).laboratories
    absent = tuple(laboratory for laboratory in every if laboratory not in known)
    chain = (LABORATORY, *factors)
    try:
        fit = fit_cells(cells, _model(chain), level=question.confidence).blocks[0]
        sources = _sources(fit)
    except RepeatabError as error:
        return LevelComponents(level=level, factors=factors, absent=absent, trouble=str(error))
    return LevelComponents(
        level=level,
        factors=factors,
        sources=sources,
        method=ANALYSIS_OF_VARIANCE if fit.uses_anova else REML,
        absent=absent,
        staggered=_staggered(data, level, factors),
    )


def _model(chain: Sequence[str]) -> Model:
    return model_of(random=list(chain), nested_in=dict(zip(chain[1:], chain, strict=False)))


def _sources(fit: BlockFit) -> tuple[ScatterSource, ...]:
    layout = fit.layout
    mixed = {group[-1]: group for group in layout.separable.mixed}
    lower, upper = fit.limits
    variances = np.maximum(fit.variances[0], 0.0)
    found = []
    for position, i in enumerate((*layout.estimated, len(layout.model.random))):
        found.append(
            ScatterSource(
                members=tuple(layout.sources[j].split(" × ")[-1] for j in mixed.get(i, (i,))),
                sd=math.sqrt(float(variances[position])),
                lower=_limit(float(lower[0, position])),
                upper=_limit(float(upper[0, position])),
            )
        )
    return tuple(found)


def _limit(variance: float) -> float | None:
    return math.sqrt(max(0.0, variance)) if math.isfinite(variance) else None


def _staggered(data: RoundData, level: Label, factors: tuple[str, ...]) -> NestedPrecision | None:
    """The standard's estimates where every laboratory has the staggered design of these factors; else None."""
    k = len(factors) + 2
    rows = []
    for part in data.parts_with(*factors):
        if part.rows is None:
            return None
        own = part.rows[part.rows[LEVEL] == level]
        for _, results in own.groupby(LABORATORY, sort=True):
            rows.append(_staggered_row(results, factors))
    if len(rows) < 2 or not 3 <= k <= 6 or any(row is None for row in rows):
        return None
    names = [LABORATORY, *(factor.replace("_", " ") for factor in factors), REPEATABILITY]
    return staggered_nested(np.array(rows, dtype=np.float64), names)


def _staggered_row(results: pd.DataFrame, factors: Sequence[str]) -> FloatArray | None:
    """y_1 to y_k of one laboratory: at each factor one result stands apart from all the others."""
    apart: list[float] = []
    rest = results
    for factor in factors:
        sizes = rest.groupby(factor)[RESULT].agg(["size", "first"])
        if len(rest) != len(factors) + 2 - len(apart) or sorted(sizes["size"]) != [1, len(rest) - 1]:
            return None
        alone = sizes.index[sizes["size"] == 1][0]
        apart.append(float(sizes.loc[alone, "first"]))
        rest = rest[rest[factor] != alone]
    return np.array([*rest[RESULT].astype(float), *reversed(apart)])
