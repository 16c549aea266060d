"""Wear of a reference set that is run again and again, apart from the drift of the rig where the design allows.

In: ReferenceData of sets.  Out: Wear for each rig and section, and what a signal there is called.

A set on one rig grows older as the months pass: its wear and the rig's drift are one number. Sets of overlapping
ages at the same visits tell them apart, or several rigs, since what is wear shows on all of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import RepeatabError
from repeatab.control.arrays import FloatArray
from repeatab.jobs.charts.data import Key, ReferenceData, VisitCells, Visits
from repeatab.jobs.charts.past_corrections import ToldBy
from repeatab.jobs.charts.question import BasePeriod

_LEAST_SETS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """Change per run of a set in one section, as taken out of a rig's chart.

    per_run, se, df: None where wear cannot be told from drift; then nothing is taken out.
    """

    rig: str
    section: str
    told_by: ToldBy
    per_run: float | None = None
    se: float | None = None
    df: float | None = None

    def correction(self, age: FloatArray) -> FloatArray:
        """(cells,) what wear has added to each mean."""
        return np.zeros(age.size) if self.per_run is None else self.per_run * age

    def variance(self, age: FloatArray, base_age: float) -> FloatArray:
        """(cells,) variance of the correction between a cell and the base period."""
        return np.zeros(age.size) if self.se is None else (self.se * (age - base_age)) ** 2


def wear_of(data: ReferenceData, base: BasePeriod | None) -> dict[Key, Wear]:
    """Wear by rig and section, by the strongest of what the design offers.

    base : what other rigs tell is taken from the base period alone, where all rigs are held to be sound: a rig that
        drifts later would otherwise pass its drift on to the others as wear.
    """
    found = {}
    for section in data.sections:
        cells = {rig: data.cells[rig, section] for rig in data.rigs if (rig, section) in data.cells}
        ages = _by_ages(cells, data.sources)
        slopes = {rig: _slope(_of_base(one, data.visits[rig], base)) for rig, one in cells.items()}
        for rig in cells:
            if ages is not None:
                per_run, se, df = ages
                found[rig, section] = Wear(
                    rig=rig, section=section, told_by=ToldBy.AGES, per_run=per_run, se=se, df=df
                )
                continue
            found[rig, section] = _by_rigs(rig, section, slopes)
    return found


def _by_ages(cells: Mapping[str, VisitCells], sources: tuple[str, ...]) -> tuple[float, float, float] | None:
    """Wear from visits at which sets of different ages met; the sets are random, the visits fixed."""
    import pandas as pd

    from repeatab.estimation.components import fit_components

    rows = []
    for rig, one in cells.items():
        several = np.bincount(one.visit)[one.visit] > 1
        for visit, source, mean, age in zip(
            one.visit[several], one.source[several], one.mean[several], one.age[several], strict=True
        ):
            rows.append((f"{rig} / {visit}", sources[source], float(mean), float(age)))
    frame = pd.DataFrame(rows, columns=["visit", "pad_set", "result", "age"])
    if frame["pad_set"].nunique() < _LEAST_SETS:
        return None
    try:
        fit = fit_components(
            frame, result="result", random=["pad_set"], fixed=["visit"], covariates=["age"], method="reml"
        )
        row = fit.fixed.to_dict("index")["age"]  # worked out when it is asked for
    except RepeatabError:
        return None  # the ages at the visits do not differ, or too few sets met: not separable this way
    per_run, se, df = (float(row[name]) for name in ("estimate", "se", "df"))
    return (per_run, se, df) if math.isfinite(se) and se > 0 and df > 0 else None


def _of_base(cells: VisitCells, visits: Visits, base: BasePeriod | None) -> VisitCells:
    if base is None:
        return cells
    inside = np.flatnonzero(base.holds(visits.stamps))
    return cells.at(np.isin(cells.visit, inside[: base.visits]))


def _slope(cells: VisitCells) -> tuple[float, float, float] | None:
    """Change per run on one rig, within its sets, with standard error and degrees of freedom."""
    if cells.source.size == 0:
        return None
    number = cells.source - cells.source.min()
    count = np.bincount(number)
    age = cells.age - (np.bincount(number, cells.age) / np.maximum(count, 1))[number]
    mean = cells.mean - (np.bincount(number, cells.mean) / np.maximum(count, 1))[number]
    spread, df = float(age @ age), int(age.size - (count > 0).sum() - 1)
    if not spread > 0 or df < 1:
        return None
    slope = float(age @ mean) / spread
    rest = mean - slope * age
    return slope, math.sqrt(float(rest @ rest) / df / spread), float(df)


def _by_rigs(rig: str, section: str, slopes: Mapping[str, tuple[float, float, float] | None]) -> Wear:
    others = [slope for name, slope in slopes.items() if name != rig and slope is not None]
    if not others:
        return Wear(rig=rig, section=section, told_by=ToldBy.NOTHING)
    values = np.array([slope for slope, _, _ in others])
    own = math.sqrt(sum(se**2 for _, se, _ in others)) / len(others)
    if len(others) == 1:
        return Wear(
            rig=rig, section=section, told_by=ToldBy.RIGS, per_run=others[0][0], se=own, df=others[0][2]
        )
    between = float(values.std(ddof=1)) / math.sqrt(values.size)
    df = float(values.size - 1) if between > own else float(sum(df for _, _, df in others))
    return Wear(
        rig=rig,
        section=section,
        told_by=ToldBy.RIGS,
        per_run=float(values.mean()),
        se=max(between, own),
        df=df,
    )


def changed(wear: Wear | None, rig: str, sets: tuple[str, ...], rigs: int) -> str:
    """What a signal of the chart is: a change of the rig alone, or a joint name."""
    if wear is None:
        return f"a change of {rig}" if rigs > 1 else f"a change of {rig} or of the reference lot"
    if wear.told_by is ToldBy.AGES:
        return f"a change of {rig}"
    if wear.told_by is ToldBy.RIGS:
        return f"a change of {rig}" if rigs > 2 else f"a change of {rig} against the other rig"
    names = f"set {sets[0]}" if len(sets) == 1 else f"sets {sets[0]} to {sets[-1]}"
    return f"drift of {rig} and wear of {names}, mixed together"
