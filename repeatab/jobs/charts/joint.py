"""The sections of a visit together, on one rig: what their chart is made of.

In: the series of a rig with their limits.  Out: JointRows, the vectors of a regime; JointRegime and JointStretch, which
hold what `joint_watch` charts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from repeatab.control.arrays import FloatArray, IntArray
from repeatab.control.limits import TRIAL_BELOW
from repeatab.control.mewma import MewmaSeries
from repeatab.control.multivariate import JointBase
from repeatab.control.screening import Screening
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import base_kept
from repeatab.jobs.charts.watch import Watched


@dataclass(frozen=True, slots=True, kw_only=True)
class JointStretch:
    """New visits charted in one go: visits of the rig, T² with the vectors behind it, and the moving average."""

    visit: IntArray
    t2: FloatArray
    mewma: MewmaSeries | None
    closed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JointRegime:
    """The joint chart of one regime of a rig; `base` is None, with the trouble, where it cannot be formed.

    base_visits and base.values: T² of the base period.  left_out: new visits that lack a section.  screened: which of
    all complete base visits (`complete`) the covariance rests on, with the log of the others.
    """

    rig: str
    number: int
    cause: str
    base: JointBase | None
    base_visits: IntArray
    trouble: str
    stretches: tuple[JointStretch, ...]
    left_out: tuple[int, ...]
    screened: Screening
    complete: IntArray


def no_regime(rig: str, number: int, cause: str, trouble: str) -> JointRegime:
    """A regime whose chart cannot be formed, with the trouble."""
    nothing = np.zeros(0, dtype=np.int64)
    return JointRegime(
        rig=rig, number=number, cause=cause, base=None, base_visits=nothing, trouble=trouble, stretches=(),
        left_out=(), screened=Screening(kept=np.zeros(0, dtype=np.bool_), removed=(), stopped=False), complete=nothing,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class JointRows:
    """Vectors of the sections: base (visits, sections), and new ones with the variance their links leave."""

    base: FloatArray
    base_visits: IntArray
    new: FloatArray
    new_extra: FloatArray
    new_visits: IntArray
    left_out: tuple[int, ...]


def span_of(series: Series, start: int, stop: int) -> tuple[int, int]:
    """First and last visit of places start to stop of a series."""
    return int(series.visit[start]), int(series.visit[stop - 1])


def joint_rows(
    series: Mapping[str, Series],
    watched: Mapping[str, tuple[Watched, ...]],
    names: tuple[str, ...],
    span: tuple[int, int],
    number: int,
) -> JointRows | None:
    """The vectors of a regime; None where a section has no limits of its own from the same base period."""
    base_sets, new_sets, places = [], [], []
    for name in names:
        one = series[name]
        mine = [w for w in watched[name] if w.regime.number == number]
        if not mine or mine[0].limits is None or mine[0].limits.stated:
            return None
        regime = mine[0].regime
        kept = one.visit[base_kept(regime, mine[0].limits)]
        base_sets.append(set(kept[(kept >= span[0]) & (kept <= span[1])].tolist()))
        new_sets.append(set(one.visit[regime.new].tolist()))
        places.append({int(v): i for i, v in enumerate(one.visit)})
    base_visits = np.array(sorted(set.intersection(*base_sets)), dtype=np.int64)
    new_visits = np.array(sorted(set.intersection(*new_sets)), dtype=np.int64)

    def matrix(visits: IntArray, what: str) -> FloatArray:
        columns = [
            [float(getattr(series[name], what)[place[int(v)]]) for v in visits]
            for name, place in zip(names, places, strict=True)
        ]
        return np.array(columns, dtype=np.float64).reshape(len(names), -1).T

    return JointRows(
        base=matrix(base_visits, "level"), base_visits=base_visits, new=matrix(new_visits, "level"),
        new_extra=matrix(new_visits, "extra"), new_visits=new_visits,
        left_out=tuple(sorted(set.union(*new_sets) - set(new_visits.tolist()))),
    )  # fmt: skip


def widening(base: JointBase) -> float:
    """How much wider the moving average is drawn because the covariance rests on few base visits."""
    from scipy.stats import chi2

    if base.count >= max(TRIAL_BELOW, 5 * base.centre.size):
        return 1.0
    return base.new_limit / float(chi2.isf(base.false_alarm, base.centre.size))


def widened(base: JointBase, extra: FloatArray) -> JointBase:
    """The base with the variance that a link between references leaves, shared between sections like the scatter."""
    if not extra.any():
        return base
    scale = np.sqrt(np.diag(base.covariance))
    correlation = base.covariance / np.outer(scale, scale)
    error = np.sqrt(extra)
    return replace(base, covariance=base.covariance + correlation * np.outer(error, error))
