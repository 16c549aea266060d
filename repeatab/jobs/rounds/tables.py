"""Tables of a round robin: precision, cells with h and k, steps of the outlier tests, dependence on the level.

In: RoundStudy.  Out: tables as data; None where there is nothing to show.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from repeatab.base.interval import Interval
from repeatab.interlab.consistency import Consistency
from repeatab.interlab.level_dependence import Form
from repeatab.interlab.robust_precision import RobustMethod
from repeatab.jobs.rounds.analysis import AnyPrecision, LevelAnalysis
from repeatab.jobs.rounds.data import Label
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.outcome.figures import Beyond
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

TEXT, RESULT, COUNT, NUMBER = ColumnKind.TEXT, ColumnKind.RESULT, ColumnKind.COUNT, ColumnKind.NUMBER
RATIO, PERCENT, P = ColumnKind.RATIO, ColumnKind.PERCENT, ColumnKind.PROBABILITY

_ROBUST = {RobustMethod.ALGORITHMS_A_AND_S: "Algorithms A, S", RobustMethod.Q_AND_HAMPEL: "Q, Hampel"}
ALL_CELLS, WITH_EXCLUSION = "all cells", "with exclusion"


def columns(unit: str, *named: tuple[str, str, ColumnKind]) -> tuple[Column, ...]:
    """Columns from key, caption and kind; results carry the unit."""
    return tuple(
        Column(key=key, caption=caption, kind=kind, unit=unit if kind is RESULT else "")
        for key, caption, kind in named
    )


def precision_table(study: RoundStudy) -> Table:
    """Precision by level: from all cells, with the flagged ones set aside, and robust, one under the other."""
    rows: list[tuple[Value, ...]] = []
    for one in study.analysis.levels:
        kinds: list[tuple[str, AnyPrecision | None]] = [(ALL_CELLS, one.precision)]
        if one.log.set_aside:
            kinds.append((WITH_EXCLUSION, one.excluded))
        kinds += [(_ROBUST[found.method], found) for found in (one.robust, one.q_hampel) if found is not None]
        rows += [_precision_row(one.level, name, found) for name, found in kinds if found is not None]
    factor = study.question.limit_factor
    remarks = [
        f"r and R are {factor:g} times s_r and s_R. The rows 'with exclusion' leave out what the tests call outliers; "
        "nothing is excluded from the other rows unless the study file says so."
    ]
    if any(one.q_hampel is None for one in study.analysis.levels):
        remarks.append(
            "The Q method needs the results of every laboratory; where some gave cells it is unavailable."
        )
    return Table(
        key="precision",
        caption="Precision by level, classical and robust",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("analysis", "analysis", TEXT), ("laboratories", "labs", COUNT),
            ("results", "results", COUNT), ("mean", "mean", RESULT), ("s_r", "s_r", RESULT), ("s_L", "s_L", RESULT),
            ("s_R", "s_R", RESULT), ("r_limit", "limit r", RESULT), ("R_limit", "limit R", RESULT),
        ),
        rows=tuple(rows),
        remarks=tuple(remarks),
    )  # fmt: skip


def _precision_row(level: Label, name: str, found: AnyPrecision) -> tuple[Value, ...]:
    results = getattr(found, "results", found.laboratories)
    numbers = [getattr(found, key, None) for key in ("mean", "s_r", "s_L", "s_R", "r_limit", "R_limit")]
    return (str(level), name, found.laboratories, results, *numbers)


def intervals_table(study: RoundStudy) -> Table:
    """Limits of the classical standard deviations."""
    rows = []
    for one in study.analysis.levels:
        limits: list[Value] = []
        for name in ("s_r", "s_L", "s_R"):
            interval: Interval | None = getattr(one.precision, f"{name}_interval", None)
            limits += [None, None] if interval is None else [interval.lower, interval.upper]
        rows.append((str(one.level), *limits))
    level = f"{100 * study.question.confidence:g} %"
    return Table(
        key="precision_intervals",
        caption=f"Intervals of the standard deviations, all cells, {level} confidence",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("s_r_lower", "s_r from", RESULT), ("s_r_upper", "to", RESULT),
            ("s_L_lower", "s_L from", RESULT), ("s_L_upper", "to", RESULT), ("s_R_lower", "s_R from", RESULT),
            ("s_R_upper", "to", RESULT),
        ),
        rows=tuple(rows),
    )  # fmt: skip


def consistency_table(study: RoundStudy, names: Mapping[Label, str], *, known_as: bool = True) -> Table:
    """Every cell with its mean, scatter, h and k; `names` are those under which laboratories appear.

    known_as : whether to say how each laboratory's results are known (raw, cells, rounded).
    """
    rows = [
        (names[laboratory], *cell, *((_known_as(study, laboratory),) if known_as else ()))
        for one in study.analysis.levels
        for laboratory, cell in _cell_rows(one)
    ]
    if not known_as:
        rows.sort(key=lambda row: str(row[0]))
    last = (("known_as", "known as", TEXT),) if known_as else ()
    return Table(
        key="consistency",
        caption="Cells of all laboratories: mean, standard deviation, Mandel's h and k",
        columns=columns(
            study.quantity.unit,
            ("laboratory", "laboratory", TEXT), ("level", "level", TEXT), ("results", "results", COUNT),
            ("mean", "mean", RESULT), ("sd", "s", RESULT), ("h", "h", RATIO), ("h_beyond", "beyond", TEXT),
            ("k", "k", RATIO), ("k_beyond", "beyond", TEXT), *last,
        ),
        rows=tuple(rows),
        remarks=("'Beyond' names the indicator value that h or k lies beyond.",),
    )  # fmt: skip


def _cell_rows(one: LevelAnalysis) -> Iterator[tuple[Label, tuple[Value, ...]]]:
    marks = {row.laboratory: row for row in one.consistency}
    for i, laboratory in enumerate(one.every.laboratories):
        count = int(one.every.count[i])
        sd = float(one.every.sd[i]) if count > 1 else None
        h, h_word, k, k_word = marked(marks.get(laboratory))
        yield (
            laboratory,
            (str(one.level), count, float(one.every.mean[i]), sd, h, h_word.value, k, k_word.value),
        )


def marked(row: Consistency | None) -> tuple[float | None, Beyond, float | None, Beyond]:
    """h and k of a cell and the indicator values they lie beyond."""
    if row is None:
        return None, Beyond.NEITHER, None, Beyond.NEITHER
    return (
        row.h, _beyond(row.h, row.h_indicator_5, row.h_indicator_1),
        row.k, _beyond(row.k, row.k_indicator_5, row.k_indicator_1),
    )  # fmt: skip


def _beyond(value: float | None, five: float | None, one: float | None) -> Beyond:
    if value is None or five is None or one is None:
        return Beyond.NEITHER
    size = abs(value)
    return Beyond.ONE_PERCENT if size > one else Beyond.FIVE_PERCENT if size > five else Beyond.NEITHER


def _known_as(study: RoundStudy, laboratory: Label) -> str:
    if laboratory in study.data.rounded:
        return "rounded table"
    return "cells" if laboratory in study.data.without_rows else "results"


def steps_table(study: RoundStudy, naming: Callable[[Label], str] = str) -> Table:
    """Every step of the outlier tests in the order in which the standard prescribes it."""
    rows = []
    for one in study.analysis.levels:
        for step in one.log.steps:
            found = step.result
            names = [naming(lab) for lab in step.without]
            branch = f"without {', '.join(names)}" if names else ALL_CELLS
            rows.append(
                (
                    str(one.level), step.number, branch, found.test.value,
                    " and ".join(naming(lab) for lab in found.laboratories), found.statistic, found.critical_5,
                    found.critical_1, found.decision.value,
                )
            )  # fmt: skip
    return Table(
        key="outlier_tests",
        caption="Outlier tests step by step",
        columns=columns(
            "",
            ("level", "level", TEXT), ("step", "step", COUNT), ("branch", "branch", TEXT), ("test", "test", TEXT),
            ("laboratory", "laboratory", TEXT), ("statistic", "statistic", RATIO),
            ("critical_5", "critical 5 %", RATIO), ("critical_1", "critical 1 %", RATIO),
            ("decision", "decision", TEXT),
        ),
        rows=tuple(rows),
        remarks=(
            "Cochran's and the single Grubbs tests: large values count; Grubbs for two: small values. The branch "
            "with exclusion goes on without the outliers found; no result is deleted.",
        ),
    )  # fmt: skip


_EQUATIONS = {
    Form.CONSTANT: "s = {a:.4g}",
    Form.PROPORTIONAL: "s = {b:.4g} m",
    Form.LINEAR: "s = {a:.4g} + {b:.4g} m",
    Form.POWER: "lg s = {a:.4g} + {b:.4g} lg m",
}


def equation(form: Form, intercept: float, slope: float) -> str:
    """The fitted form with its numbers."""
    return _EQUATIONS[form].format(a=intercept, b=slope).replace("+ -", "− ").replace("-", "−")


def dependence_table(study: RoundStudy) -> Table | None:
    """The functional forms fitted to s_r and s_R over the levels."""
    rows: list[tuple[Value, ...]] = []
    for name, found in study.dependence.items():
        for fit in found.fits:
            words = "recommended" if fit.form is found.recommended else ""
            rows.append(
                (name, fit.form.value, equation(fit.form, fit.intercept, fit.slope), fit.deviance, words)
            )
    if not rows:
        return None
    return Table(
        key="level_dependence",
        caption="How the standard deviations depend on the level m",
        columns=columns(
            "",
            ("sd", "standard deviation", TEXT), ("form", "form", TEXT), ("equation", "fitted", TEXT),
            ("deviance", "misfit", NUMBER), ("recommended", "", TEXT),
        ),
        rows=tuple(rows),
        remarks=(
            "Misfit: about one per level less one per coefficient where the form holds. Recommended: the form of least "
            "misfit plus two per coefficient, the simpler of two within 2; none from fewer than three levels.",
        ),
    )  # fmt: skip


def relative_table(study: RoundStudy) -> Table | None:
    """Standard deviations of the logarithms in percent, where asked for."""
    found = [(one.level, one.relative) for one in study.analysis.levels if one.relative is not None]
    if not found:
        return None
    rows: list[tuple[Value, ...]] = [
        (str(level), 100 * p.s_r, 100 * p.s_L, 100 * p.s_R) for level, p in found
    ]
    return Table(
        key="relative_precision",
        caption="Relative precision from the logarithms of the results",
        columns=columns(
            "", ("level", "level", TEXT), ("s_r", "s_r [%]", PERCENT), ("s_L", "s_L [%]", PERCENT),
            ("s_R", "s_R [%]", PERCENT),
        ),
        rows=tuple(rows),
        remarks=("100 times the standard deviation of the natural logarithm, so near enough percent.",),
    )  # fmt: skip


def made(tables: Sequence[Table | None]) -> tuple[Table, ...]:
    """Those that there are."""
    return tuple(table for table in tables if table is not None)
