"""Tables of the limits of a control chart: what they rest on, what stays frozen, the tests on neighbours.

In: series with their watched regimes.  Out: Table values.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from repeatab.jobs.charts.columns import COUNT, DATE, NUMBER, PERCENT, RESULT, TEXT, P, change_kind, column
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.past_visits import UNNAMED
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Regime, Series
from repeatab.jobs.charts.series_limits import SeriesLimits, base_kept
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.charts.words import neighbours_words
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Table, Value


def limits_table(
    series: Mapping[Key, Series], watched: Mapping[Key, tuple[Watched, ...]], scale: Scale
) -> Table:
    """The limits of each rig, section and regime, and what they rest on."""
    rows: list[tuple[Value, ...]] = []
    for (rig, section), regimes in watched.items():
        mine = series[rig, section]
        for one in regimes:
            start = mine.visits.when(int(mine.visit[one.regime.start]))
            if one.limits is None:
                rows.append((rig, section, start, one.regime.cause or "beginning", one.trouble, *[None] * 9))
                continue
            found, limits = one.limits, one.limits.limits
            shown = found.model is None
            rows.append(
                (
                    rig, section, start, one.regime.cause or "beginning", limits.kind.value,
                    scale.level(limits.centre),
                    scale.level(limits.lower) if shown else None, scale.level(limits.upper) if shown else None,
                    scale.change(limits.sd),
                    None if found.between_sd is None else scale.change(found.between_sd),
                    None if found.within_sd is None else scale.change(found.within_sd),
                    limits.count or None, len(limits.removed) + len(found.left_out),
                    f"{limits.method}; {neighbours_words(found)}",
                )
            )  # fmt: skip
    change = change_kind(scale)
    unit = scale.change_unit
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT), column("from", "from", DATE),
        column("cause", "began with", TEXT), column("kind", "kind", TEXT),
        column("centre", "centre", RESULT, scale.quantity.unit),
        column("lower", "lower limit", RESULT, scale.quantity.unit),
        column("upper", "upper limit", RESULT, scale.quantity.unit),
        column("sd", "SD of a point", change, unit), column("between", "visit to visit", change, unit),
        column("within", "within a visit", change, unit), column("base", "base visits", COUNT),
        column("removed", "left out", COUNT), column("method", "method", TEXT),
    )  # fmt: skip
    return Table(
        key="limits",
        caption="Limits and what they rest on",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "The limits are those of the first reference of their time; a linked change-over moves them.",
        ),
    )


def frozen_table(
    question: ControlChart,
    data: ReferenceData,
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
) -> Table | None:
    """Limits that were formed here and are complete: what a ledger keeps, so that later months judge by exactly these.

    Of each rig and section those since the last restart; limits that were recorded earlier once more where their points
    run over a further step between references since. Not those whose base is still being formed or moves itself.
    """
    rows: list[tuple[Value, ...]] = []
    for (rig, section), regimes in watched.items():
        mine, last = series[rig, section], regimes[-1]
        if last.limits is None or not _freezes(last, last.limits):
            continue
        source = data.sources[mine.cells.source[last.regime.start]]
        told_source = None if source == UNNAMED else source
        if last.regime.stated is not None:
            # Older results may have come since, and the regime begin with another reference than its centre is for.
            told_source = last.regime.stated.reference
        rows.append((rig, section, told_source, *_frozen(last, last.limits, mine), question.analysis.value))
    if not rows:
        return None
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT), column("reference", "reference", TEXT),
        column("centre", "centre", RESULT), column("sd", "SD of a point", RESULT),
        column("base", "base visits", COUNT), column("first", "first", TEXT), column("last", "last", TEXT),
        column("left_out", "left out", TEXT), column("runs", "runs a visit", COUNT),
        column("within_sd", "within a visit", RESULT), column("within_df", "its degrees of freedom", NUMBER),
        column("between_sd", "visit to visit", RESULT), column("df", "degrees of freedom", NUMBER),
        column("centre_variance", "variance of the centre over a point's", NUMBER),
        column("ratio_of_means", "scatter of means over that within", NUMBER),
        column("carry", "carry-over", NUMBER), column("form", "points", TEXT),
        column("wear_told_by", "wear told by", TEXT), column("wear_per_run", "wear per run", NUMBER),
        column("wear_se", "its standard error", NUMBER), column("wear_df", "its degrees of freedom", NUMBER),
        column("wear_base_age", "runs of the sets before, in the base", NUMBER),
        column("steps", "steps between references", TEXT), column("analysis", "analysis", TEXT),
    )  # fmt: skip
    remark = "A ledger keeps these, and later months judge by exactly them if the study says base.from_ledger = true."
    if question.analysis is Analysis.RATIO:
        remark += " Centre, standard deviations, wear and steps are natural logarithms."
    told = [i for i in range(len(columns)) if any(row[i] is not None for row in rows)]
    if {columns[i].key for i in told} & {"wear_per_run", "steps"}:
        remark += " Wear and steps between references are kept with them and taken out as they stand here."
    return Table(
        key="frozen_limits", caption="Limits as they stay frozen for the months to come",
        columns=tuple(columns[i] for i in told), rows=tuple(tuple(row[i] for i in told) for row in rows),
        remarks=(remark,),
    )  # fmt: skip


def _frozen(last: Watched, found: SeriesLimits, series: Series) -> tuple[Value, ...]:
    """Limits of a regime with their base: from the centre to the steps that move it."""
    kept = set(base_kept(last.regime, found).tolist())
    labels = {int(i): series.visits.labels[series.visit[i]] for i in last.regime.base}
    out = [label for place, label in labels.items() if place not in kept]
    return (
        found.limits.centre, found.limits.sd, found.limits.count,
        *(labels[int(last.regime.base[i])] for i in (0, -1)),
        json.dumps(out, ensure_ascii=False) if out else None, found.runs, found.within_sd, found.within_df,
        found.between_sd, found.limits.df, found.centre_variance,
        found.spread.ratio_of_means if found.spread else None, found.model.carry if found.model else None,
        found.plotted.value, *_frozen_past(last.regime),
    )  # fmt: skip


def _frozen_past(regime: Regime) -> tuple[Value, ...]:
    """The wear taken out, and the steps between references, as text: [earlier, later, step, standard error] each."""
    worn = regime.wear
    told: tuple[Value, ...] = (None,) * 5
    if worn is not None:
        told = (worn.told_by.value, worn.per_run, worn.se, worn.df, regime.base_age)
    steps = [[one.earlier, one.later, one.value, one.se] for one in regime.steps]
    return (*told, json.dumps(steps, ensure_ascii=False) if steps else None)


def _freezes(last: Watched, limits: SeriesLimits) -> bool:
    if limits.recorded is not None:
        return len(last.regime.steps) > len(limits.recorded.steps)
    return last.regime.complete and not limits.stated and limits.trend is None


def neighbours_table(watched: Mapping[Key, tuple[Watched, ...]]) -> Table | None:
    """Tests on neighbouring base visits."""
    rows: list[tuple[Value, ...]] = []
    for (rig, section), regimes in watched.items():
        for one in regimes:
            found: SeriesLimits | None = one.limits
            if found is None or found.neighbours is None:
                continue
            test = found.neighbours
            rows.append(
                (
                    rig, section, one.regime.cause or "beginning", test.count, test.lag_one, test.p,
                    found.model.carry if found.model else None,
                    100 * found.model.false_alarms_if_ignored(limit=found.nominal) if found.model else None,
                )
            )  # fmt: skip
    if not rows:
        return None
    columns = (
        column("rig", "rig", TEXT), column("section", "section", TEXT),
        column("cause", "began with", TEXT), column("count", "base visits", COUNT),
        column("lag_one", "correlation of neighbours", NUMBER), column("p", "p", P),
        column("carry", "carry-over of the residual chart", NUMBER),
        column("ignored", "false alarms were it ignored", PERCENT),
    )  # fmt: skip
    return Table(
        key="neighbours",
        caption="Whether neighbouring base visits resemble each other, and what is charted then",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "Residuals are charted where p is below 0.01 on 20 base visits or more, unless the study says "
            "otherwise. On "
            "a chart of residuals a shift shows fully in its first point only.",
        ),
    )
