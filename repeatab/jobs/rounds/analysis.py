"""The analysis of a round robin level by level: consistency, outlier tests step by step, precision, robust.

In: RoundData.  Out: RoundAnalysis, whose frames are what `repeatab.round_robin` gives.
Not here: scores (round_scores), the report (round_robin).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from repeatab.base.errors import EstimationError, NotSeparableError, RepeatabError
from repeatab.interlab.consistency import Consistency, mandel
from repeatab.interlab.level import LevelCells
from repeatab.interlab.outlier_tests import OutlierTest, TestResult, grubbs_pair
from repeatab.interlab.precision import Precision, SingleResultPrecision, precision, single_result_precision
from repeatab.interlab.procedure import Branch, StepLog, step_by_step
from repeatab.interlab.robust_precision import RobustPrecision, q_hampel_precision, robust_precision
from repeatab.jobs.rounds.data import Label, RoundData
from repeatab.jobs.rounds.question import RoundRobin, SingleResults

if TYPE_CHECKING:
    import pandas as pd

PRECISION_COLUMNS = ("laboratories", "results", "mean", "s_r", "s_L", "s_R", "r_limit", "R_limit")
NOT_APPLIED = "not applied"
"""Decision of a test that the standard's order of tests leaves out at this level."""

AnyPrecision = Precision | SingleResultPrecision | RobustPrecision
_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True)
class LevelAnalysis:
    """Everything about one level.

    every : all cells. used : those that the numbers rest on. left_out : laboratories whose single result stands
    beside repeated ones of others. excluded : the precision on the branch "with exclusion", None where nothing is
    set aside. troubles : what could not be computed, and why.
    """

    level: Label
    every: LevelCells
    used: LevelCells
    left_out: tuple[Label, ...]
    log: StepLog
    consistency: tuple[Consistency, ...]
    precision: Precision | SingleResultPrecision | None
    excluded: Precision | SingleResultPrecision | None
    robust: RobustPrecision | None
    q_hampel: RobustPrecision | None
    relative: Precision | None
    troubles: tuple[tuple[str, str], ...]

    @property
    def flagged(self) -> tuple[Label, ...]:
        """Laboratories that a test calls an outlier or a straggler."""
        return tuple(dict.fromkeys((*self.log.set_aside, *self.log.stragglers)))

    def trouble(self, about: str) -> str:
        """Why something is missing; empty where it is not."""
        return dict(self.troubles).get(about, "")


@dataclass(frozen=True, kw_only=True)
class RoundAnalysis:
    """A round robin analysed; the frames have one row per level, laboratory and level, or test."""

    levels: tuple[LevelAnalysis, ...]

    @property
    def precision(self) -> pd.DataFrame:
        """Precision by level from all cells; NaN where the design does not tell."""
        return self._frame(lambda one: one.precision)

    @property
    def precision_with_exclusion(self) -> pd.DataFrame:
        """The same where the branch "with exclusion" set laboratories aside, equal to `precision` elsewhere."""
        return self._frame(lambda one: one.excluded or one.precision)

    @property
    def robust(self) -> pd.DataFrame:
        """Robust precision by level: Algorithm A on the means, Algorithm S on the standard deviations."""
        return self._frame(lambda one: one.robust)

    @property
    def q_hampel(self) -> pd.DataFrame:
        """Robust precision by the Q method and Hampel's estimator; NaN where results are known as cells only."""
        return self._frame(lambda one: one.q_hampel)

    @property
    def intervals(self) -> pd.DataFrame:
        """Limits of s_r, s_L and s_R by level."""
        rows = {}
        for one in self.levels:
            found = {}
            for name in ("s_r", "s_L", "s_R"):
                interval = getattr(one.precision, f"{name}_interval", None)
                found[f"{name}_lower"] = np.nan if interval is None else interval.lower
                found[f"{name}_upper"] = np.nan if interval is None else interval.upper
            rows[one.level] = found
        return self._by_level(list(rows.values()))

    @property
    def consistency(self) -> pd.DataFrame:
        """Mandel's h and k of every cell: laboratory, level, h, k; NaN where one is not defined."""
        import pandas as pd

        rows = [(c.laboratory, c.level, c.h, c.k) for one in self.levels for c in one.consistency]
        frame = pd.DataFrame(rows, columns=["laboratory", "level", "h", "k"])
        return frame.astype({"h": float, "k": float})

    @property
    def outlier_tests(self) -> pd.DataFrame:
        """The five tests on all cells of each level: test, level, laboratory (two of them for a pair), statistic,
        critical_5, critical_1, decision. A pair test that the standard's order leaves out is "not applied".
        """
        return _tests_frame(
            (result, decision) for one in self.levels for result, decision in _tests_on_all_cells(one)
        )

    @property
    def steps(self) -> pd.DataFrame:
        """Every step in order, both branches: as `outlier_tests`, with branch and the laboratories set aside."""
        import pandas as pd

        steps = [(one, step) for one in self.levels for step in one.log.steps]
        frame = _tests_frame((step.result, step.result.decision.value) for _, step in steps)
        frame.insert(0, "step", [step.number for _, step in steps])
        frame["branch"] = [step.branch.value for _, step in steps]
        frame["without"] = pd.Series([step.without for _, step in steps], dtype=object)
        return frame

    @property
    def notes(self) -> tuple[str, ...]:
        """What could not be computed, and what was left out."""
        return tuple(_notes(self.levels))

    def at(self, level: Label) -> LevelAnalysis:
        """One level's analysis; KeyError where there is none."""
        for one in self.levels:
            if one.level == level:
                return one
        raise KeyError(f"no level '{level}'; there are {[one.level for one in self.levels]}")

    def _frame(self, pick: Callable[[LevelAnalysis], AnyPrecision | None]) -> pd.DataFrame:
        return self._by_level([_row(pick(one), one) for one in self.levels])

    def _by_level(self, rows: list[dict[str, Any]]) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame(rows, index=pd.Index([one.level for one in self.levels], name="level"))

    def __str__(self) -> str:
        table = self.precision.to_string(float_format=lambda value: f"{value:.4g}")
        return "\n".join([table, *(f"- {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        from html import escape

        items = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        table = self.precision.to_html(float_format=lambda value: f"{value:.4g}", escape=True)
        return f"{table}<ul>{items}</ul>"


def _row(found: AnyPrecision | None, one: LevelAnalysis) -> dict[str, Any]:
    values: dict[str, Any] = {"laboratories": one.used.p, "results": int(one.used.count.sum())}
    for name in PRECISION_COLUMNS:
        value = getattr(found, name, None)
        if value is not None:
            values[name] = value
        values.setdefault(name, np.nan)
    return {name: values[name] for name in PRECISION_COLUMNS}


def _tests_on_all_cells(one: LevelAnalysis) -> Iterator[tuple[TestResult, str]]:
    made = {}
    for step in one.log.steps:
        if step.branch is Branch.ALL_CELLS:
            made[step.result.test] = (step.result, step.result.decision.value)
    for test, high in ((OutlierTest.GRUBBS_PAIR_HIGH, True), (OutlierTest.GRUBBS_PAIR_LOW, False)):
        if test not in made:
            made[test] = (grubbs_pair(one.used, high=high), NOT_APPLIED)
    yield from (made[test] for test in OutlierTest)


def _tests_frame(rows: Iterator[tuple[TestResult, str]]) -> pd.DataFrame:
    import pandas as pd

    body = [
        (r.test.value, r.level, r.laboratory, r.statistic, r.critical_5, r.critical_1, decision)
        for r, decision in rows
    ]
    names = ["test", "level", "laboratory", "statistic", "critical_5", "critical_1", "decision"]
    frame = pd.DataFrame(body, columns=names)
    return frame.astype({"statistic": float, "critical_5": float, "critical_1": float})


def _notes(levels: tuple[LevelAnalysis, ...]) -> Iterator[str]:
    for one in levels:
        for about, text in one.troubles:
            yield f"Level '{one.level}', {about}: {text}"
        for laboratory in one.left_out:
            yield (
                f"Level '{one.level}': the single result of laboratory '{laboratory}' is left out, since the others "
                "gave several (as ISO 5725-2, annex B.2 does). To count it: single_results = 'counted'."
            )


def analyse(question: RoundRobin, data: RoundData) -> RoundAnalysis:
    """Analyse every level.

    Raises
    ------
    EstimationError
        No level holds results of two laboratories.
    """
    levels = tuple(_level(question, data, level) for level in data.levels)
    if all(one.precision is None for one in levels):
        raise EstimationError(levels[0].trouble("precision"))
    return RoundAnalysis(levels=levels)


def _level(question: RoundRobin, data: RoundData, level: Label) -> LevelAnalysis:
    every = data.level_cells(level)
    used = every
    if question.single_results is SingleResults.LEFT_OUT and np.any(every.count > 1):
        used = every.replicated()
    troubles: list[tuple[str, str]] = []
    log = step_by_step(used)
    remaining = log.remaining(used)
    results = data.results(level)
    if results is not None:
        results = {lab: values for lab, values in results.items() if lab in used.laboratories}
    return LevelAnalysis(
        level=level,
        every=every,
        used=used,
        left_out=tuple(lab for lab in every.laboratories if lab not in used.laboratories),
        log=log,
        consistency=mandel(used),
        precision=_tried("precision", troubles, lambda: _precision(used, question)),
        excluded=_precision(remaining, question) if log.set_aside else None,
        robust=_tried(
            "robust precision",
            troubles,
            lambda: robust_precision(used, limit_factor=question.limit_factor),
        ),
        q_hampel=_tried("Q method", troubles, lambda: _q_hampel(level, results, question)),
        relative=_tried("analysis of logarithms", troubles, lambda: _relative(level, results, question))
        if question.analysis.value == "ratio"
        else None,
        troubles=tuple(troubles),
    )


def _tried(about: str, troubles: list[tuple[str, str]], compute: Callable[[], _T]) -> _T | None:
    """What was computed; where the design does not allow it, None and the reason among the troubles."""
    try:
        return compute()
    except RepeatabError as error:
        text = str(error)
        troubles.append((about, text[:1].upper() + text[1:]))
        return None


def _precision(level: LevelCells, question: RoundRobin) -> Precision | SingleResultPrecision:
    try:
        return precision(level, confidence=question.confidence, limit_factor=question.limit_factor)
    except NotSeparableError:
        return single_result_precision(
            level, confidence=question.confidence, limit_factor=question.limit_factor
        )


CELLS_ONLY = "unavailable, since some laboratories gave cells and not their results."


def _q_hampel(
    level: Label, results: dict[Label, list[float]] | None, question: RoundRobin
) -> RobustPrecision:
    if results is None:
        raise EstimationError(CELLS_ONLY)
    return q_hampel_precision(level, results, limit_factor=question.limit_factor)


def _relative(level: Label, results: dict[Label, list[float]] | None, question: RoundRobin) -> Precision:
    """Precision of the logarithms: standard deviations of ratios."""
    if results is None:
        raise EstimationError(CELLS_ONLY)
    if any(value <= 0 for values in results.values() for value in values):
        raise EstimationError("a result is zero or negative, so it has no logarithm.")
    logs = {laboratory: np.log(values) for laboratory, values in results.items()}
    found = precision(
        LevelCells.from_results(level=level, results=logs),
        confidence=question.confidence,
        limit_factor=question.limit_factor,
    )
    return replace(found, mean=float(np.exp(found.mean)))
