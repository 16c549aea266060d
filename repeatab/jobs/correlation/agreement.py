"""Agreement set by set: limits of agreement and concordance of sets that ran on both rigs.

In: whole sets of a pair.  Out: a table. Sets that ran on one rig only are never matched, least of all by row order.
"""

from __future__ import annotations

import math

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.base.quantity import Quantity
from repeatab.cells import FloatArray
from repeatab.estimation.agreement import AgreementLimits, Concordance, concordance, limits_of
from repeatab.estimation.pairs import difference_pair
from repeatab.jobs.correlation.values import whole_sets
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import LevelPair, SetUse
from repeatab.jobs.levels.tables import PERCENT
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

NO_SHARED_SETS = (
    "How closely the rigs agree on a single pad set (limits of agreement, concordance): no set ran on both, and sets "
    "that ran on one rig are not matched with others."
)


def agreement_table(comparison: LevelComparison, quantity: Quantity, *, level: float) -> Table | None:
    """One line per section and pair with sets that ran on both rigs; None where there are none."""
    several = len(comparison.how.pairs) > 1
    rows: list[tuple[Value, ...]] = []
    for pair in comparison.how.pairs:
        if pair.use is SetUse.SPLIT:
            continue
        for name in dict.fromkeys(claim.section.name for claim in comparison.compared if claim.pair is pair):
            row = _row(comparison, pair, name, level)
            if row is not None:
                rows.append((name, *([pair.name] if several else []), *row))
    if not rows:
        return None
    in_percent = comparison.analysis is Analysis.RATIO
    return Table(
        key="agreement",
        caption="How far apart do both rigs read one and the same pad set?",
        columns=_columns(several, PERCENT if in_percent else quantity.unit, level),
        rows=tuple(rows),
        remarks=(
            "Between the limits lie the differences of about 95 % of pad sets, the scatter of both runs included "
            "(factor 1.96); the order of the two runs is taken out. Concordance depends on how much the sets differ "
            "among themselves: even pads give low values on rigs that agree.",
        ),
    )


def _columns(several: bool, unit: str, level: float) -> tuple[Column, ...]:
    compared = [Column(key="pair", caption="compared", kind=ColumnKind.TEXT)] if several else []
    span = f"{level:.0%}"
    return (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        *compared,
        Column(key="sets", caption="sets on both", kind=ColumnKind.COUNT),
        Column(key="mean", caption="mean difference", kind=ColumnKind.RESULT, unit=unit),
        Column(key="lower", caption="lower limit", kind=ColumnKind.RESULT, unit=unit),
        Column(key="lower_from", caption=f"from ({span})", kind=ColumnKind.RESULT, unit=unit),
        Column(key="lower_to", caption="to", kind=ColumnKind.RESULT, unit=unit),
        Column(key="upper", caption="upper limit", kind=ColumnKind.RESULT, unit=unit),
        Column(key="upper_from", caption=f"from ({span})", kind=ColumnKind.RESULT, unit=unit),
        Column(key="upper_to", caption="to", kind=ColumnKind.RESULT, unit=unit),
        Column(key="concordance", caption="concordance", kind=ColumnKind.RATIO),
        Column(key="concordance_from", caption=f"from ({span})", kind=ColumnKind.RATIO),
        Column(key="concordance_to", caption="to", kind=ColumnKind.RATIO),
    )


def _row(comparison: LevelComparison, pair: LevelPair, name: str, level: float) -> list[Value] | None:
    means, first = _shared_means(comparison, pair, name)
    try:
        limits = _limits(means, first, level)
    except (LayoutError, EstimationError):
        return None
    scale = _as_percent if comparison.analysis is Analysis.RATIO else float
    ends = [
        limits.mean,
        limits.lower, limits.lower_interval.lower, limits.lower_interval.upper,
        limits.upper, limits.upper_interval.lower, limits.upper_interval.upper,
    ]  # fmt: skip
    found = _concordance(means, level)
    tail: list[Value] = [None, None, None]
    if found is not None:
        tail = [found.coefficient, found.interval.lower, found.interval.upper]
    return [len(means), *(scale(value) for value in ends), *tail]


def _as_percent(value: float) -> float:
    return 100 * (math.exp(value) - 1)


def _shared_means(
    comparison: LevelComparison, pair: LevelPair, name: str
) -> tuple[FloatArray, list[bool] | None]:
    """(sets, 2) results of the sets on both rigs less lots and covariates and the order of running."""
    sets = whole_sets(comparison.how, pair, [name], comparison.analysis, log=False)
    grouped: list[dict[object, list[float]]] = [{}, {}]
    for label, side, value in zip(sets.sets, sets.at_b, sets.values[:, 0], strict=True):
        if np.isfinite(value):
            grouped[int(side)].setdefault(label, []).append(float(value))
    both = [label for label in dict.fromkeys(sets.sets) if label in grouped[0] and label in grouped[1]]
    means = np.array([[np.mean(grouped[side][label]) for side in (0, 1)] for label in both]).reshape(-1, 2)
    first = [pair.a_first[label] for label in both if label in pair.a_first]
    return means, first if len(first) == len(both) and 0 < sum(first) < len(both) else None


def _limits(means: FloatArray, first: list[bool] | None, level: float) -> AgreementLimits:
    order = None if first is None else np.array(first)
    found = difference_pair(means[None], order)
    left = found.residual_a[0] - found.residual_b[0]
    return limits_of(
        float(found.mean_a[0] - found.mean_b[0]), math.sqrt(float(left @ left) / found.df),
        leverage=found.leverage, df=found.df, level=level,
    )  # fmt: skip


def _concordance(means: FloatArray, level: float) -> Concordance | None:
    try:
        return concordance(means[:, 0], means[:, 1], level=level)
    except (LayoutError, EstimationError):
        return None
