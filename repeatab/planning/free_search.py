"""Free search: the best combination of sets and rigs under the stated limits, whatever the shape of the layout.

In: what one pad set may do (on which rigs it runs, in which order), the believed components, costs and limits, and the
contrasts that matter.  Out: how many sets do what.
Sets are independent of one another, so that the information of a layout is the sum of what its sets bring: a small
matrix for each possible course of a set, worked out once. The search exchanges the course of one set for another, or
adds a set, wherever that helps most, until nothing helps; several starts.
Sources: Fedorov (1972), Theory of Optimal Experiments, ch. 3 (exchange); Cook & Nachtsheim (1980), Technometrics 22,
315-324; D-criterion and variance of contrasts: Atkinson, Donev & Tobias (2007), Optimum Experimental Designs, ch. 10.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from repeatab.cells import FloatArray, IntArray
from repeatab.planning.cost import HourCosts, Limits, changes
from repeatab.planning.exchange import Criterion
from repeatab.planning.layouts import LayoutKind, PlannedRun, PlannedRuns

# A course of this many runs is the longest looked at; with many rigs fewer, since their number grows as rigs ** runs.
_LONGEST, _MOST_COURSES = 4, 150
# Keeps what a layout cannot tell finite, and far from anything that it can.
_NOTHING = 1e-9
# Two moves at once that are tried where no single one helps.
_PAIRS = 5_000
# Rounds of the division; what more of them would change is lost in rounding down.
_ROUNDS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class SetScatter:
    """Believed variances: of a set, of its own results on one rig, of single runs."""

    pad_set: float
    rig_by_set: float
    run: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What one set does: the level and the rig of each of its runs, in their order."""

    levels: tuple[str, ...]
    rigs: tuple[str, ...]

    def hours(self, costs: HourCosts) -> float:
        """Rig hours of one such set."""
        return len(self.rigs) * costs.run + costs.set + changes(self.rigs) * costs.change_over


def courses(
    levels: Sequence[str], rigs: Sequence[str], limits: Limits, *, repeats: bool
) -> tuple[Course, ...]:
    """Every course that a set may take.

    Parameters
    ----------
    rigs : empty where the levels are the rigs; else each set belongs to one level and runs on one of these rigs.
    repeats : whether a set may run more than once at all, as far as the scatter of repeats is known.
    """
    places = rigs or levels
    longest = min(limits.runs_per_set or _LONGEST, _LONGEST) if repeats else 1
    found: list[Course] = []
    for length in range(1, longest + 1):
        own = [c for c in product(places, repeat=length) if not (limits.stays and len(set(c)) > 1)]
        here = [Course(levels=c, rigs=c) for c in own]
        if rigs:
            here = [
                Course(levels=(level,) * length, rigs=(rig,) * length) for level in levels for rig in rigs
            ]
        if len(found) + len(here) > _MOST_COURSES and found:
            break
        found += here
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Search:
    """What is searched.

    pairs : the compared levels. scatter, costs, limits : as believed and stated. even : every rig takes its share of
        the hours, so that what is found holds on all of them and not on the one that was easiest.
    """

    courses: tuple[Course, ...]
    pairs: tuple[tuple[str, str], ...]
    scatter: SetScatter
    costs: HourCosts
    limits: Limits
    criterion: Criterion = Criterion.CONTRASTS
    even: bool = False

    @property
    def levels(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(level for course in self.courses for level in course.levels))

    @property
    def rigs(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(rig for course in self.courses for rig in course.rigs))

    def information(self) -> FloatArray:
        """(courses, parameters, parameters): levels, rigs beside the first, the place in the set's life."""
        return np.stack([self._of_course(course) for course in self.courses])

    def _of_course(self, course: Course) -> FloatArray:
        levels, rigs = self.levels, self.rigs
        beside = rigs[1:] if set(rigs) != set(levels) else ()
        x = np.array(
            [
                [
                    *(float(level == own) for own in levels),
                    *(float(rig == own) for own in beside),
                    float(place),
                ]
                for place, (level, rig) in enumerate(zip(course.levels, course.rigs, strict=True))
            ]
        )
        same = np.array([[a == b for b in course.rigs] for a in course.rigs], np.float64)
        size = len(course.rigs)
        v = self.scatter.pad_set * np.ones((size, size)) + self.scatter.rig_by_set * same
        return np.asarray(x.T @ np.linalg.solve(v + self.scatter.run * np.eye(size), x))

    def contrasts(self, parameters: int) -> FloatArray:
        """(pairs, parameters) of the compared levels; for the D-criterion only as many as are independent."""
        rows = np.zeros((len(self.pairs), parameters))
        for row, (a, b) in zip(rows, self.pairs, strict=True):
            row[self.levels.index(a)], row[self.levels.index(b)] = 1.0, -1.0
        if self.criterion is not Criterion.D:
            return rows
        kept: list[int] = []
        for i in range(len(rows)):
            if np.linalg.matrix_rank(rows[[*kept, i]]) > len(kept):
                kept.append(i)
        return rows[kept]


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """(courses,) how many sets take each course, and the criterion (smaller is better)."""

    counts: IntArray
    value: float


def search(what: Search, *, hours: float, starts: int = 4, seed: int) -> Combination | None:
    """The best combination that takes at most so many rig hours; None if there is none that tells the contrasts."""
    pieces = what.information()
    weight = what.contrasts(pieces.shape[1])
    cost = _Costs.of(what, hours)
    rng = np.random.default_rng(seed)
    best: Combination | None = None
    nothing = np.zeros(len(pieces), np.int64)
    for start in range(starts):
        begun = (
            nothing
            if start
            else cost.within(_divided(pieces, weight, what.criterion, cost.each[:, 0]), hours)
        )
        found = _improved(pieces, weight, what.criterion, cost, cost.filled(begun, rng), rng)
        if best is None or found.value < best.value * (1 - np.sign(best.value) * 1e-9):
            best = found
    return best if best is not None and _tells(pieces, weight, best.counts) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Costs:
    """(courses, limited things) what a set of each course takes, and (limited things,) how much there is."""

    each: FloatArray
    most: FloatArray

    @classmethod
    def of(cls, what: Search, hours: float) -> _Costs:
        costs, limits = what.costs, what.limits
        columns = [[course.hours(costs) for course in what.courses]]
        most = [min(hours, limits.hours or np.inf)]
        columns.append([1.0] * len(what.courses))
        most.append(float(limits.sets or 10_000))
        for level, number in limits.sets_of.items():
            columns.append([float(level in course.levels) for course in what.courses])
            most.append(float(number))
        if limits.days is not None:
            run = costs.run + costs.change_over
            for rig in what.rigs:
                columns.append([c.rigs.count(rig) * (run + costs.set / len(c.rigs)) for c in what.courses])
                most.append(limits.days * limits.hours_per_day)
        if what.even:
            one_set = max(course.hours(costs) for course in what.courses)
            for rig in what.rigs:
                columns.append([c.hours(costs) * float(rig in c.rigs) for c in what.courses])
                most.append(hours / len(what.rigs) + one_set / 2)
        return cls(each=np.array(columns).T, most=np.array(most) + 1e-9)

    def within(self, share: FloatArray, hours: float) -> IntArray:
        """Whole sets for the share of the hours that each course has, as many as all limits allow."""
        part = min(hours, float(self.most[0])) * share / self.each[:, 0]
        taken = part @ self.each
        part *= min(1.0, float((self.most / np.maximum(taken, 1e-300)).min()))
        return np.asarray(part + 1e-9, np.int64)

    def filled(self, start: IntArray, rng: np.random.Generator) -> IntArray:
        """Courses drawn by chance until nothing more fits."""
        counts = start.copy()
        while (fits := np.flatnonzero((counts @ self.each + self.each <= self.most).all(axis=1))).size:
            counts[rng.choice(fits)] += 1
        return counts


def _divided(pieces: FloatArray, weight: FloatArray, criterion: Criterion, hours: FloatArray) -> FloatArray:
    """(courses,) the best share of the hours for each course, as if sets could be parted."""
    per_hour = pieces / hours[:, None, None]
    share = np.full(len(pieces), 1 / len(pieces))
    scale = np.abs(per_hour).max()
    for _ in range(_ROUNDS):
        total = np.tensordot(share, per_hour, 1) + _NOTHING * scale * np.eye(pieces.shape[1])
        away = np.linalg.solve(total, weight.T)
        inner = np.linalg.inv(weight @ away) if criterion is Criterion.D else np.eye(len(weight))
        gain = np.einsum("pk,cpq,ql,lk->c", away, per_hour, away, inner)
        share = share * np.sqrt(np.maximum(gain, 0.0))
        share /= share.sum()
    return np.asarray(share)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moves:
    """(moves, courses) what each move adds to the counts, and (moves, p, p) to the information."""

    counts: IntArray
    information: FloatArray

    @classmethod
    def single(cls, pieces: FloatArray, counts: IntArray) -> _Moves:
        """Out goes one set, or none; in comes one of any course."""
        number = len(counts)
        step = np.concatenate([np.eye(number, dtype=np.int64), np.zeros((1, number), np.int64)])
        out, into = (
            axis.ravel()
            for axis in np.meshgrid([*np.flatnonzero(counts), number], range(number), indexing="ij")
        )
        kept = out != into
        change = step[into[kept]] - step[out[kept]]
        return cls(counts=change, information=np.tensordot(change, pieces, 1))

    def paired(self, rng: np.random.Generator) -> _Moves:
        """Two moves at once: what one set gives up in hours another takes; drawn by chance where they are many."""
        first, second = np.triu_indices(len(self.counts))
        if len(first) > _PAIRS:
            kept = rng.choice(len(first), _PAIRS, replace=False)
            first, second = first[kept], second[kept]
        return _Moves(
            counts=self.counts[first] + self.counts[second],
            information=self.information[first] + self.information[second],
        )


def _improved(
    pieces: FloatArray,
    weight: FloatArray,
    criterion: Criterion,
    cost: _Costs,
    start: IntArray,
    rng: np.random.Generator,
) -> Combination:
    current = Combination(
        counts=start, value=float(_values(np.tensordot(start, pieces, 1)[None], weight, criterion)[0])
    )
    while True:
        moves = _Moves.single(pieces, current.counts)
        better = _best(moves, pieces, weight, criterion, cost, current) or _best(
            moves.paired(rng), pieces, weight, criterion, cost, current
        )
        if better is None:
            return current
        current = better


def _best(
    moves: _Moves,
    pieces: FloatArray,
    weight: FloatArray,
    criterion: Criterion,
    cost: _Costs,
    current: Combination,
) -> Combination | None:
    """The best of the moves that the limits allow; None if none helps."""
    counts = current.counts + moves.counts
    fits = (counts >= 0).all(axis=1) & (counts @ cost.each <= cost.most).all(axis=1)
    if not fits.any():
        return None
    total = np.tensordot(current.counts, pieces, 1)
    tried = _values(total + moves.information[fits], weight, criterion)
    best = int(np.argmin(tried))
    if not tried[best] < current.value - 1e-9 * abs(current.value):
        return None
    return Combination(counts=counts[fits][best], value=float(tried[best]))


def _values(information: FloatArray, weight: FloatArray, criterion: Criterion) -> FloatArray:
    """(tries,) criterion of each information matrix."""
    size = information.shape[1]
    scale = np.maximum(np.abs(information).max(axis=(1, 2)), 1e-300)
    inverse = np.linalg.inv(information + _NOTHING * scale[:, None, None] * np.eye(size))
    covariance = weight @ inverse @ weight.T
    if criterion is Criterion.D:
        return np.asarray(np.linalg.slogdet(covariance)[1])
    return np.asarray(np.trace(covariance, axis1=1, axis2=2) / len(weight))


def _tells(pieces: FloatArray, weight: FloatArray, counts: IntArray) -> bool:
    """Whether the combination tells all contrasts apart from everything else."""
    total = np.tensordot(counts, pieces, 1)
    left = weight - weight @ np.linalg.pinv(total, rcond=1e-10, hermitian=True) @ total
    return bool(np.abs(left).max() < 1e-6)


def combined_runs(what: Search, found: Combination) -> PlannedRuns:
    """The runs of a combination; courses take turns in the lot, so that each is spread over it."""
    left = found.counts.copy()
    order: list[Course] = []
    while left.any():
        for i in np.flatnonzero(left):
            order.append(what.courses[i])
        left = np.maximum(left - 1, 0)
    return PlannedRuns(
        kind=LayoutKind.SEARCHED,
        runs=tuple(
            PlannedRun(
                level=level, pad_set=f"S{number:02d}", place=place, rig=None if course.rigs == course.levels else rig
            )
            for number, course in enumerate(order, start=1)
            for place, (level, rig) in enumerate(zip(course.levels, course.rigs, strict=True), start=1)
        ),
    )  # fmt: skip
