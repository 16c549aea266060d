"""Shift or gain between two rigs, with the sections as levels.

In: whole sets of a pair.  Out: the answer per pair, as a table and sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.estimation.shift_or_gain import LevelAnswer, ShiftOrGain, shift_or_gain
from repeatab.jobs.correlation.values import whole_sets
from repeatab.jobs.levels.layout import ComparisonLayout, LevelPair
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


@dataclass(frozen=True, kw_only=True)
class LevelDependence:
    """How the difference of a pair depends on the level."""

    pair: LevelPair
    found: ShiftOrGain


def level_dependence(
    how: ComparisonLayout, pair: LevelPair, names: Sequence[str], *, level: float, seed: int
) -> LevelDependence:
    """The line through the sections' means on both rigs; on the results themselves, never their logarithms."""
    a, b = np.zeros((0, 0)), np.zeros((0, 0))
    paired = False
    if names:
        sets = whole_sets(how, pair, names, Analysis.DIFFERENCE, log=False)
        (a, b), paired = sets.sides, sets.paired
    found = shift_or_gain(a, b, paired=paired, level=level, rng=np.random.default_rng([seed, 2]))
    return LevelDependence(pair=pair, found=found)


def level_sentence(dependence: LevelDependence, *, several: bool) -> str:
    """The answer with its reason."""
    found = dependence.found
    name = f" ({dependence.pair.name})" if several else ""
    if found.answer is LevelAnswer.NOT_TOLD:
        return f"Shift or gain cannot be told{name}: {found.reason}."
    return f"Over the sections the difference is {found.answer.value}{name}; {found.reason}."


def level_table(dependences: Sequence[LevelDependence]) -> Table | None:
    """The lines with their intervals; None where there is none."""
    rows: list[tuple[Value, ...]] = []
    for dependence in dependences:
        found = dependence.found
        if found.slope is None or found.intercept is None or found.line is None:
            continue
        row: list[Value] = [dependence.pair.name, found.line.levels]
        for quantity in (found.slope, found.intercept):
            ends = (quantity.jackknife, quantity.bootstrap)
            row += [quantity.estimate, min(e.lower for e in ends), max(e.upper for e in ends)]
        rows.append((*row, found.line.error_ratio, found.line.reliability, found.answer.value))
    if not rows:
        return None
    columns = (
        Column(key="pair", caption="compared", kind=ColumnKind.TEXT),
        Column(key="levels", caption="sections as levels", kind=ColumnKind.COUNT),
        Column(key="slope", caption="slope", kind=ColumnKind.RATIO),
        Column(key="slope_lower", caption="lower", kind=ColumnKind.RATIO),
        Column(key="slope_upper", caption="upper", kind=ColumnKind.RATIO),
        Column(key="intercept", caption="intercept", kind=ColumnKind.RESULT),
        Column(key="intercept_lower", caption="lower", kind=ColumnKind.RESULT),
        Column(key="intercept_upper", caption="upper", kind=ColumnKind.RESULT),
        Column(key="error_ratio", caption="ratio of error variances", kind=ColumnKind.RATIO),
        Column(key="reliability", caption="reliability of the levels", kind=ColumnKind.RATIO),
        Column(key="answer", caption="the difference is", kind=ColumnKind.TEXT),
    )
    remark = (
        "Line with errors on both rigs; the ratio of the error variances comes from the repeats (the sets). Intervals "
        "are the wider of leaving out and of drawing whole sets, the ratio estimated anew each time."
    )
    return Table(
        key="levels", caption="Does the difference depend on the level?", columns=columns, rows=tuple(rows),
        remarks=(remark,),
    )  # fmt: skip
