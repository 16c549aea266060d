"""The outlier tests of ISO 5725-2 in the order the standard prescribes, every step logged.

In: LevelCells.  Out: StepLog: what was tested, what came out, and what a branch "with exclusion" would set
aside. Nothing is excluded here: the cells come in as the study wants them and the log only says what the
tests say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from repeatab.interlab.level import Label, LevelCells
from repeatab.interlab.outlier_tests import Decision, TestResult, cochran, grubbs, grubbs_pair


class Branch(Enum):
    """Whether a step saw all cells or those that earlier outliers leave."""

    ALL_CELLS = "all cells"
    WITH_EXCLUSION = "with exclusion"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: the branch, the laboratories already set aside when it was made, and the test."""

    number: int
    branch: Branch
    without: tuple[Label, ...]
    result: TestResult


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLog:
    """The steps at one level in order.

    set_aside : the laboratories that the branch "with exclusion" ends without; empty when no test found an
        outlier.
    stragglers : laboratories that a test called a straggler and none an outlier; they stay in on both
        branches.
    ended_early : an outlier was found but not set aside, because too few laboratories would have been left.
    """

    level: Label
    steps: tuple[Step, ...]
    set_aside: tuple[Label, ...]
    stragglers: tuple[Label, ...]
    ended_early: bool

    def remaining(self, level: LevelCells) -> LevelCells:
        """The cells of the branch "with exclusion"."""
        return level.without(self.set_aside)


class _Recorder:
    """Collects steps; a test already made on the same cells is not logged twice."""

    def __init__(self, level: LevelCells) -> None:
        self.level = level
        self.steps: list[Step] = []
        self.out: tuple[Label, ...] = ()
        self.ended_early = False

    @property
    def cells(self) -> LevelCells:
        return self.level.without(self.out)

    def log(self, result: TestResult) -> TestResult:
        branch = Branch.WITH_EXCLUSION if self.out else Branch.ALL_CELLS
        step = Step(number=len(self.steps) + 1, branch=branch, without=self.out, result=result)
        self.steps.append(step)
        return result

    def may_set_aside(self, result: TestResult) -> bool:
        left = self.cells.p - len(result.laboratories)
        may = left >= 3 and 2 * left >= self.level.p
        self.ended_early = self.ended_early or not may
        return may

    def set_aside(self, result: TestResult) -> None:
        self.out = (*self.out, *result.laboratories)


def step_by_step(level: LevelCells) -> StepLog:
    """Cochran's test, then Grubbs' tests, in the standard's order, on all cells and on a branch with exclusion.

    1. Cochran on all cells; while it finds an outlier, the branch sets that cell aside and repeats the test.
    2. Grubbs for the highest and the lowest cell mean. If one is an outlier it is set aside on the branch and
       the other extreme is tested without it; the tests for pairs are then not applied.
    3. If neither is an outlier: Grubbs for the two highest and the two lowest.

    Steps 2 and 3 are made on all cells and, where Cochran set cells aside, again without them. A branch is
    never continued to fewer than three cells, and never beyond half of the laboratories: what is then left
    could not speak for the method (the standard warns of excessive exclusion without a number; this bound is
    ours).

    References
    ----------
    ISO 5725-2:1994, 7.3.2 (stragglers and outliers), 7.3.3.4 and 7.3.4.3 (order and repetition).
    """
    record = _Recorder(level)
    first = record.log(cochran(level))
    if first.decision is Decision.OUTLIER and record.may_set_aside(first):
        # What follows on all cells comes first, so that the log reads one branch after the other.
        _grubbs_steps(record, follow=False)
        _cochran_branch(record, first)
    _grubbs_steps(record, follow=True)
    return StepLog(
        level=level.level,
        steps=tuple(record.steps),
        set_aside=record.out,
        stragglers=_stragglers(record.steps, record.out),
        ended_early=record.ended_early,
    )


def _cochran_branch(record: _Recorder, first: TestResult) -> None:
    latest = first
    while latest.decision is Decision.OUTLIER and record.may_set_aside(latest):
        record.set_aside(latest)
        latest = record.log(cochran(record.cells))


def _grubbs_steps(record: _Recorder, *, follow: bool) -> None:
    """Steps 2 and 3; `follow` sets an outlier aside and goes on, else the log stays with the cells at
    hand.
    """
    singles = {high: record.log(grubbs(record.cells, high=high)) for high in (True, False)}
    outlying = [high for high, found in singles.items() if found.decision is Decision.OUTLIER]
    if not outlying:
        pairs = [record.log(grubbs_pair(record.cells, high=high)) for high in (True, False)]
        _set_pair_aside(record, pairs, follow=follow)
        return
    if not follow:
        return
    # Both ends can only be outliers together in tiny groups of ties; the more extreme one goes first.
    high = max(outlying, key=lambda end: singles[end].statistic or 0.0)
    if not record.may_set_aside(singles[high]):
        return
    record.set_aside(singles[high])
    other = record.log(grubbs(record.cells, high=not high))
    if other.decision is Decision.OUTLIER and record.may_set_aside(other):
        record.set_aside(other)


def _set_pair_aside(record: _Recorder, pairs: list[TestResult], *, follow: bool) -> None:
    found = [pair for pair in pairs if pair.decision is Decision.OUTLIER]
    if not follow or not found:
        return
    worst = min(found, key=lambda pair: pair.statistic or 0.0)
    if record.may_set_aside(worst):
        record.set_aside(worst)


def _stragglers(steps: list[Step], out: tuple[Label, ...]) -> tuple[Label, ...]:
    named: list[Label] = []
    outlying = {
        code
        for step in steps
        if step.result.decision is Decision.OUTLIER
        for code in step.result.laboratories
    }
    for step in steps:
        if step.result.decision is Decision.STRAGGLER:
            named += [
                c for c in step.result.laboratories if c not in outlying and c not in out and c not in named
            ]
    return tuple(named)
