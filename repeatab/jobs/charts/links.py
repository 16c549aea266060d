"""Steps between reference lots or sets, from the visits at which both ran.

In: ReferenceData.  Out: Links: for each section and pair of references the step with its uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.control.arrays import FloatArray
from repeatab.jobs.charts.data import ReferenceData

_UNEQUAL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Later less earlier reference in one section, in the unit of the results.

    df: degrees of freedom of the standard error.  visits: overlaps (rig and visit) it rests on.  unequal: p of the
    overlaps differing by more than the scatter within visits; where small, their own scatter gives the standard error.
    """

    section: str
    earlier: str
    later: str
    value: float
    se: float
    df: float
    visits: int
    rigs: int
    unequal: float | None

    def interval(self, level: float) -> Interval:
        """The step with Student's t."""
        from scipy.stats import t

        half = float(t.ppf((1 + level) / 2, self.df)) * self.se
        return Interval(
            lower=self.value - half, upper=self.value + half, level=level, method=IntervalMethod.STUDENT
        )


Links = Mapping[tuple[str, int, int], Step]
"""(section, rank of the earlier, rank of the later reference) -> the step."""


def links_of(data: ReferenceData) -> dict[tuple[str, int, int], Step]:
    """The steps between all references that met at a visit.

    The difference of two references at one visit of one rig is free of the rig, the day and every drift; it scatters
    only as runs scatter within a visit. Differences are weighted by the runs behind them.
    """
    found: dict[tuple[str, int, int], list[tuple[str, FloatArray]]] = {}
    within: dict[str, list[float]] = {section: [0.0, 0.0] for section in data.sections}
    for (rig, section), cells in data.cells.items():
        within[section][0] += float(cells.ss.sum())
        within[section][1] += float((cells.count - 1).sum())
        last = int(np.bincount(cells.visit).max()) if cells.visit.size else 0
        for apart in range(1, last):
            same = np.flatnonzero(cells.visit[apart:] == cells.visit[:-apart])
            earlier, later = cells.at(same), cells.at(same + apart)
            weight = 1 / (1 / earlier.count + 1 / later.count)
            rows = np.column_stack([later.mean - earlier.mean, weight])
            for a, b in {(int(a), int(b)) for a, b in zip(earlier.source, later.source, strict=True)}:
                chosen = (earlier.source == a) & (later.source == b)
                found.setdefault((section, a, b), []).append((rig, rows[chosen]))
    steps = {key: _step(data, key, overlaps, within[key[0]]) for key, overlaps in found.items()}
    return {key: step for key, step in steps.items() if step is not None}


def _step(
    data: ReferenceData,
    key: tuple[str, int, int],
    overlaps: list[tuple[str, FloatArray]],
    within: list[float],
) -> Step | None:
    from scipy.stats import f

    section, a, b = key
    rows = np.concatenate([rows for _, rows in overlaps])
    difference, weight = rows[:, 0], rows[:, 1]
    value = float(weight @ difference / weight.sum())
    between_df = len(rows) - 1
    between = float(weight @ (difference - value) ** 2) / between_df if between_df else math.nan
    pooled = within[0] / within[1] if within[1] else math.nan
    unequal = None
    if between_df and within[1] and pooled > 0:
        unequal = float(f.sf(between / pooled, between_df, within[1]))
    own = within[1] == 0 or not pooled > 0 or (unequal is not None and unequal < _UNEQUAL)
    variance, df = (between, between_df) if own else (pooled, within[1])
    if not (df and variance > 0):
        return None
    return Step(
        section=section,
        earlier=data.sources[a],
        later=data.sources[b],
        value=value,
        se=math.sqrt(variance / float(weight.sum())),
        df=float(df),
        visits=len(rows),
        rigs=len({rig for rig, _ in overlaps}),
        unequal=unequal,
    )
