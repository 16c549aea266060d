"""The sections of a visit watched together on one rig: T² and its moving-average form.

In: the series of a rig with their limits.  Out: JointRegime per regime, and signals with the sections that drive them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from repeatab.base.errors import EstimationError, RepeatabError
from repeatab.control.arrays import BoolArray, FloatArray, IntArray
from repeatab.control.beginning import joint_beginning
from repeatab.control.limits import TRIAL_BELOW
from repeatab.control.mewma import MewmaSeries, mewma_limit, mewma_series
from repeatab.control.multivariate import JointBase, drivers, joint_base
from repeatab.control.screening import Judged, Screening, screen
from repeatab.control.signals import Side, stretches
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Visits
from repeatab.jobs.charts.question import ControlChart, JointWatch
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import base_kept
from repeatab.jobs.charts.watch import Began, ChartSignal, GivenBy, Watched, nearby

_DEFAULT_RATE = 0.0027


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


def watch_jointly(
    question: ControlChart,
    rig: str,
    series: Mapping[str, Series],
    watched: Mapping[str, tuple[Watched, ...]],
    visits: Visits,
    events: Sequence[Event],
) -> tuple[tuple[JointRegime, ...], tuple[ChartSignal, ...]]:
    """Chart the sections of one rig together, regime by regime of its first section."""
    joint = question.joint
    assert joint is not None
    names = tuple(section.name for section in question.sections)
    if any(name not in series for name in names):
        lacking = next(name for name in names if name not in series)
        return (_none(rig, 0, "", f"{rig} has no results in section {lacking}."),), ()
    regimes: list[JointRegime] = []
    signals: list[ChartSignal] = []
    first = series[names[0]]
    for regime in first.regimes:
        cause = regime.cause
        rows = _rows(series, watched, names, _span(first, regime.start, regime.stop), regime.number)
        try:
            if rows is None:
                raise EstimationError(
                    "the sections do not have their limits from one base period, which the covariance needs."
                )
            _refuse_few(rows.base_visits.size, len(names))
            base, found = _base(question, joint, rows)
        except RepeatabError as error:
            regimes.append(_none(rig, regime.number, cause, str(error)))
            continue
        later = regime.number < len(first.regimes) - 1
        ended = first.regimes[regime.number + 1].cause if later else ""
        parts = tuple(_charted(question, joint, base, rows, rig, visits, events))
        regimes.append(
            JointRegime(
                rig=rig,
                number=regime.number,
                cause=cause,
                base=base,
                base_visits=rows.base_visits[found.kept],
                trouble="",
                stretches=tuple(part for part, _ in parts),
                left_out=rows.left_out,
                screened=found,
                complete=rows.base_visits,
            )
        )
        for part, vectors in parts:
            closed = part.closed_by or ended
            signals += _signals(
                joint, rig, names, base, part, vectors, closed, visits, events, question.confidence
            )
    return tuple(regimes), tuple(signals)


def _refuse_few(visits: int, sections: int) -> None:
    if visits < 2 * sections:
        raise EstimationError(
            f"found {visits} complete base visits for {sections} sections; below {2 * sections} the limit "
            "would be so wide "
            "that hardly anything passes it. Extend the base, or chart fewer sections together."
        )


def _none(rig: str, number: int, cause: str, trouble: str) -> JointRegime:
    nothing = np.zeros(0, dtype=np.int64)
    return JointRegime(
        rig=rig, number=number, cause=cause, base=None, base_visits=nothing, trouble=trouble, stretches=(),
        left_out=(), screened=Screening(kept=np.zeros(0, dtype=np.bool_), removed=(), stopped=False), complete=nothing,
    )  # fmt: skip


def _base(question: ControlChart, joint: JointWatch, rows: _Rows) -> tuple[JointBase, Screening]:
    """Centre and covariance, robust or plain, without the base visits that screening leaves out one at a time."""
    rate, count = joint.false_alarm or _DEFAULT_RATE, rows.base_visits.size

    def formed(kept: BoolArray) -> JointBase:
        return joint_base(rows.base[kept], false_alarm=rate, robust=question.robust)

    def judged(kept: BoolArray) -> tuple[Judged, ...]:
        base, nothing = formed(kept), np.zeros(count)
        top = np.full(count, base.base_limit)
        return (
            Judged(values=base.t2(rows.base), lower=nothing, upper=top, what="T² of the sections together"),
        )

    every = Screening(kept=np.ones(count, dtype=np.bool_), removed=(), stopped=False)
    found = screen(count, judged, least=2 * rows.base.shape[1]) if question.screening else every
    return formed(found.kept), found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Vectors of the sections: base (visits, sections), and new ones with the variance their links leave."""

    base: FloatArray
    base_visits: IntArray
    new: FloatArray
    new_extra: FloatArray
    new_visits: IntArray
    left_out: tuple[int, ...]


def _span(series: Series, start: int, stop: int) -> tuple[int, int]:
    return int(series.visit[start]), int(series.visit[stop - 1])


def _rows(
    series: Mapping[str, Series],
    watched: Mapping[str, tuple[Watched, ...]],
    names: tuple[str, ...],
    span: tuple[int, int],
    number: int,
) -> _Rows | None:
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

    return _Rows(
        base=matrix(base_visits, "level"), base_visits=base_visits, new=matrix(new_visits, "level"),
        new_extra=matrix(new_visits, "extra"), new_visits=new_visits,
        left_out=tuple(sorted(set.union(*new_sets) - set(new_visits.tolist()))),
    )  # fmt: skip


def _charted(
    question: ControlChart,
    joint: JointWatch,
    base: JointBase,
    rows: _Rows,
    rig: str,
    visits: Visits,
    events: Sequence[Event],
) -> Iterator[tuple[JointStretch, _Rows]]:
    left = np.arange(rows.new_visits.size)
    closings = [event for event in events if event.kind in question.closing and event.concerns(rig)]
    for event in closings:
        days = [visits.days[rows.new_visits[i]] for i in left]
        done = left[[bool(day) and day < event.day for day in days]] if left.size else left
        if done.size:
            yield _one(joint, base, rows, done, str(event))
            left = left[done.size :]
    if left.size:
        yield _one(joint, base, rows, left, "")


def _one(
    joint: JointWatch, base: JointBase, rows: _Rows, chosen: IntArray, closed_by: str
) -> tuple[JointStretch, _Rows]:
    part = replace(
        rows,
        new=rows.new[chosen],
        new_extra=rows.new_extra[chosen],
        new_visits=rows.new_visits[chosen],
    )
    t2 = np.array(
        [
            float(widened(base, extra).t2(row[None, :])[0])
            for row, extra in zip(part.new, part.new_extra, strict=True)
        ]
    )
    mewma = None
    if joint.weight is not None:
        p = base.centre.size
        limit = mewma_limit(p, weight=joint.weight, in_control=joint.in_control)
        # Few base visits: widen as the T² limit of so few is wider than that of a known covariance.
        wide = widened(base, part.new_extra.mean(axis=0)).covariance * _widening(base)
        mewma = mewma_series(part.new, centre=base.centre, covariance=wide, weight=joint.weight, limit=limit)
    return JointStretch(visit=part.new_visits, t2=t2, mewma=mewma, closed_by=closed_by), part


def _widening(base: JointBase) -> float:
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


def _signals(
    joint: JointWatch,
    rig: str,
    names: tuple[str, ...],
    base: JointBase,
    part: JointStretch,
    rows: _Rows,
    closed: str,
    visits: Visits,
    events: Sequence[Event],
    level: float,
) -> Iterator[ChartSignal]:
    charts = []
    if joint.false_alarm is not None:
        charts.append((GivenBy.JOINT, part.t2 > base.new_limit, "T² above its limit"))
    if part.mewma is not None:
        beyond = part.mewma.t2 > part.mewma.limit
        charts.append((GivenBy.JOINT_EWMA, beyond, "T² of the moving averages above its limit"))
    for kind, beyond, rule in charts:
        for first, last in stretches(beyond):
            at = int(part.visit[first])
            if kind is GivenBy.JOINT:
                run = drivers(rows.new[first], widened(base, rows.new_extra[first]))
                driving = tuple(names[i] for i in run.sections)
            else:
                assert part.mewma is not None
                driving = _largest(part.mewma.averages[first], base, names)
            began = _began(names, base, part, rows, last, level)
            yield ChartSignal(
                rig=rig, section="", given_by=kind, rule=rule, side=Side.EITHER, at=at,
                until=int(part.visit[last]), points=(at,), began=began, closed=closed,
                nearby=nearby(events, rig, visits, began, at), drivers=driving,
            )  # fmt: skip


def _began(
    names: tuple[str, ...], base: JointBase, part: JointStretch, rows: _Rows, last: int, level: float
) -> Began:
    """When the sections together began to depart, by the visits up to the last that gives the signal."""
    roots = [
        np.linalg.cholesky(widened(base, extra).covariance * _widening(base))
        for extra in rows.new_extra[: last + 1]
    ]
    points = np.array(
        [
            solve_triangular(root, row - base.centre, lower=True)
            for root, row in zip(roots, rows.new[: last + 1], strict=True)
        ]
    )
    found = joint_beginning(points, level=level)
    now, first = roots[-1] @ found.now, int(part.visit[found.first])
    return Began(
        course=found.course, likelier=found.likelier, visit=int(part.visit[found.most_likely]), first=first,
        last=int(part.visit[found.last]), after=first - 1 if first > 0 else None,
        size=float(np.linalg.norm(found.size)), now=float(np.linalg.norm(found.now)),
        strength=float(np.linalg.norm(found.now)), level=level,
        changes=tuple((name, float(change)) for name, change in zip(names, now, strict=True)),
    )  # fmt: skip


def _largest(average: FloatArray, base: JointBase, names: tuple[str, ...]) -> tuple[str, ...]:
    """The sections whose averages lie at least half as far off as the farthest, farthest first."""
    alone = np.abs(average) / np.sqrt(np.diag(base.covariance))
    order = np.argsort(-alone)
    return tuple(names[i] for i in order if alone[i] >= alone.max() / 2)
