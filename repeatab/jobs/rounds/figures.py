"""Figures of a round robin, as data, for the organiser or for one participant under codes.

In: RoundStudy and the names under which laboratories appear.  Out: figures.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import combinations, pairwise

import numpy as np

from repeatab.interlab.level_dependence import Form
from repeatab.jobs.rounds.analysis import LevelAnalysis
from repeatab.jobs.rounds.data import Label
from repeatab.jobs.rounds.sets import LevelDrift
from repeatab.jobs.rounds.side_tables import change_over_round
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.rounds.tables import equation, marked
from repeatab.jobs.wording import enumerated, result
from repeatab.outcome.figures import (
    Beyond,
    ConsistencyByLaboratory,
    ConsistencyPoint,
    DriftLine,
    Estimate,
    Figure,
    LaboratoryResults,
    LevelLine,
    LevelPair,
    LevelWear,
    PairPoint,
    PairsOfLevels,
    PrecisionByLevel,
    PrecisionCurve,
    PrecisionPoint,
    ResultsByLaboratory,
    ReturnRun,
    WearOfSets,
)

Names = Mapping[Label, str]
_MOST_PAIRS = 6


def organiser_figures(study: RoundStudy, names: Names) -> tuple[Figure, ...]:
    """All figures that the results allow."""
    return (
        results_figure(study, names),
        consistency_figure(study, names),
        *_pairs(study, names),
        *_precision(study),
        *_wear(study, names),
    )


def results_figure(study: RoundStudy, names: Names, *, highlight: str = "") -> ResultsByLaboratory:
    """Results by laboratory over the assigned value, or over the mean where there is none."""
    rows, lines = [], []
    for one in study.analysis.levels:
        raw = study.data.results(one.level) or {}
        rows += [
            LaboratoryResults(
                laboratory=names[laboratory], level=str(one.level), values=tuple(raw.get(laboratory, ())),
                mean=float(one.every.mean[i]),
                sd=float(one.every.sd[i]) if one.every.count[i] > 1 else None,
                flag=_flag(one, laboratory),
            )
            for i, laboratory in enumerate(one.every.laboratories)
        ]  # fmt: skip
        lines.append(_line(study, one))
    scored = study.scores is not None
    flagged = [row.laboratory for row in rows if row.flag]
    reading = (
        f"Flagged by the outlier tests at some level: {enumerated(sorted(set(flagged)))}."
        if flagged
        else "The outlier tests flag no laboratory."
    )
    return ResultsByLaboratory(
        key="results-by-laboratory",
        title="Where does each laboratory stand?",
        reading=reading,
        unit=study.quantity.unit,
        laboratories=_ordered(names, highlight),
        rows=tuple(rows),
        lines=tuple(lines),
        line_label="assigned value" if scored else "mean of all results",
        band_label="assigned value ± 2 sigma_pt" if scored else "mean ± 2 s_R",
        highlight=highlight,
    )


def _ordered(names: Names, highlight: str) -> tuple[str, ...]:
    """Laboratories in their order; under codes in the order of the codes, which says nothing of who is who."""
    return tuple(sorted(names.values())) if highlight else tuple(names.values())


def _flag(one: LevelAnalysis, laboratory: Label) -> str:
    if laboratory in one.log.set_aside or any(
        laboratory in step.result.laboratories and step.result.decision.value == "statistical outlier"
        for step in one.log.steps
    ):
        return "statistical outlier"
    return "straggler" if laboratory in one.log.stragglers else ""


def _line(study: RoundStudy, one: LevelAnalysis) -> LevelLine:
    if study.scores is not None:
        found = study.scores.at(one.level)
        value, half = found.assigned.value, 2 * found.sigma_pt
    else:
        value = one.precision.mean if one.precision else float(one.every.mean.mean())
        half = 2 * (one.precision.s_R if one.precision else 0.0)
    return LevelLine(level=str(one.level), value=value, low=value - half, high=value + half)


def consistency_figure(study: RoundStudy, names: Names, *, highlight: str = "") -> ConsistencyByLaboratory:
    """h and k of every cell."""
    points, bounds = [], Counter[tuple[float | None, ...]]()
    for one in study.analysis.levels:
        for row in one.consistency:
            h, h_beyond, k, k_beyond = marked(row)
            points.append(
                ConsistencyPoint(
                    laboratory=names[row.laboratory], level=str(row.level), h=h, k=k, h_beyond=h_beyond,
                    k_beyond=k_beyond,
                )
            )  # fmt: skip
            bounds[row.h_indicator_5, row.h_indicator_1, row.k_indicator_5, row.k_indicator_1] += 1
    common = bounds.most_common(1)[0][0] if bounds else (None,) * 4
    beyond = {
        what: sorted({p.laboratory for p in points if getattr(p, f"{what}_beyond") is Beyond.ONE_PERCENT})
        for what in ("h", "k")
    }
    return ConsistencyByLaboratory(
        key="h-and-k",
        title="Is a laboratory out of line in its mean (h) or in its scatter (k)?",
        reading=f"Beyond the 1 % indicator value of h: {enumerated(beyond['h'])}; of k: {enumerated(beyond['k'])}.",
        unit="",
        laboratories=_ordered(names, highlight),
        levels=tuple(str(one.level) for one in study.analysis.levels),
        points=tuple(points),
        h_5=common[0],
        h_1=common[1],
        k_5=common[2],
        k_1=common[3],
        highlight=highlight,
    )


def _pairs(study: RoundStudy, names: Names) -> Iterator[PairsOfLevels]:
    """Every pair of levels where there are few, else neighbours in level."""
    levels = sorted(study.analysis.levels, key=lambda one: float(one.every.mean.mean()))
    pairs = list(combinations(levels, 2))
    if len(pairs) > _MOST_PAIRS:
        pairs = list(pairwise(levels))
    found = [
        pair for pair in (_pair(first, second, names) for first, second in pairs) if len(pair.points) > 1
    ]
    if not found:
        return
    shares = [_correlation(pair) for pair in found]
    yield PairsOfLevels(
        key="pairs-of-levels",
        title="Does a laboratory deviate alike at two levels?",
        reading=_pairs_reading(shares),
        unit=study.quantity.unit,
        pairs=tuple(found),
    )


def _pairs_reading(correlations: list[float]) -> str:
    low, high = (f"{value:.2f}" for value in (min(correlations), max(correlations)))
    found = f"{low} to {high}" if len(correlations) > 1 else low
    return (
        f"The deviations at two levels correlate by {found}; near 1 the laboratory stands behind them, near 0 "
        "chance does."
    )


def _pair(first: LevelAnalysis, second: LevelAnalysis, names: Names) -> LevelPair:
    both = [lab for lab in first.every.laboratories if lab in second.every.laboratories]
    x = {lab: float(first.every.mean[first.every.laboratories.index(lab)]) for lab in both}
    y = {lab: float(second.every.mean[second.every.laboratories.index(lab)]) for lab in both}
    middle_x, middle_y = (float(np.median(list(v.values()))) if v else 0.0 for v in (x, y))
    return LevelPair(
        first=str(first.level),
        second=str(second.level),
        points=tuple(
            PairPoint(laboratory=names[lab], x=x[lab] - middle_x, y=y[lab] - middle_y) for lab in both
        ),
    )


def _correlation(pair: LevelPair) -> float:
    x, y = (np.array([getattr(p, axis) for p in pair.points]) for axis in ("x", "y"))
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return 0.0
    return float(np.corrcoef(x, y)[0, 1])


def _precision(study: RoundStudy) -> Iterator[PrecisionByLevel]:
    rows = []
    for one in study.analysis.levels:
        found = one.precision
        if found is None:
            continue
        s_r = getattr(found, "s_r", None)
        rows.append(
            PrecisionPoint(
                level=str(one.level),
                mean=found.mean,
                repeatability=None if s_r is None else _estimate("s_r", s_r, found),
                reproducibility=_estimate("s_R", found.s_R, found),
            )
        )
    if len(rows) < 2:
        return
    curves, words = [], []
    for name, label in (("s_r", "repeatability s_r"), ("s_R", "reproducibility s_R")):
        form = study.recommended(name)
        if form is None:
            continue
        means = np.linspace(min(row.mean for row in rows), max(row.mean for row in rows), 41)
        text = equation(form.form, form.intercept, form.slope)
        curves.append(
            PrecisionCurve(label=label, form=text, points=tuple((float(m), form.at(float(m))) for m in means))
        )
        words.append(f"{name}: {'constant' if form.form is Form.CONSTANT else text}")
    yield PrecisionByLevel(
        key="precision-by-level",
        title="Does the precision depend on the level?",
        reading=f"Recommended forms: {'; '.join(words)}." if words else "Too few levels to recommend a form.",
        unit=study.quantity.unit,
        rows=tuple(rows),
        curves=tuple(curves),
    )


def _estimate(name: str, value: float, found: object) -> Estimate:
    interval = getattr(found, f"{name}_interval", None)
    return Estimate(
        label=name,
        value=value,
        lower=None if interval is None else interval.lower,
        upper=None if interval is None or interval.upper == float("inf") else interval.upper,
    )


def _wear(study: RoundStudy, names: Names) -> Iterator[WearOfSets]:
    known = [one for one in study.drifts.values() if one.visits]
    if not known:
        return
    words = [
        f"{one.level} {result(change_over_round(study, one.level) or 0.0, sign=True)}"
        for one in known
        if one.drift is not None
    ]
    yield WearOfSets(
        key="wear-of-sets",
        title="Do the travelling sets change on their way?",
        reading=f"Change from the first to the last laboratory: {', '.join(words)}; "
        + ("it is taken out of the results." if study.drift_taken_out else "it is left in the results.")
        if words
        else "The runs at the pilot laboratory do not tell.",
        unit=study.quantity.unit,
        levels=tuple(_level_wear(study, one, names) for one in known),
    )


def _level_wear(study: RoundStudy, one: LevelDrift, names: Names) -> LevelWear:
    drift = one.drift
    centre = _set_levels(one)
    places = [(names[lab], study.data.position(lab, one.level)) for lab in study.data.laboratories]
    known = tuple((name, place) for name, place in places if place is not None)
    line = []
    if drift is not None:
        every = [visit.position for visit in one.visits] + [place for _, place in known]
        middle = float(np.average([v.position for v in one.visits], weights=[v.runs for v in one.visits]))
        half = (drift.interval.upper - drift.interval.lower) / 2
        for at in np.linspace(min(every), max(every), 21).tolist():
            value, room = drift.slope * (at - middle), half * abs(at - middle)
            line.append(DriftLine(position=at, value=value, low=value - room, high=value + room))
    return LevelWear(
        level=str(one.level),
        runs=tuple(
            ReturnRun(
                pad_set=visit.pad_set, position=visit.position, value=visit.mean - centre[visit.pad_set],
                takes_part=visit.takes_part,
            )
            for visit in one.visits
        ),
        line=tuple(line),
        places=known,
    )  # fmt: skip


def _set_levels(one: LevelDrift) -> dict[str, float]:
    """Each set's level where the line crosses zero, so that its points lie about the line."""
    middle = float(np.average([v.position for v in one.visits], weights=[v.runs for v in one.visits]))
    slope = 0.0 if one.drift is None else one.drift.slope
    found = {}
    for name in {visit.pad_set for visit in one.visits}:
        own = [visit for visit in one.visits if visit.pad_set == name]
        weights = [visit.runs for visit in own]
        found[name] = float(
            np.average([v.mean - slope * (v.position - middle) for v in own], weights=weights)
        )
    return found
