"""Tables of a control chart, as data.

In: states, signals, limits, links, run lengths.  Out: Table values.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from repeatab.jobs.charts.data import ReferenceData, Visits
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.lengths import ChartLengths, LimitEffect
from repeatab.jobs.charts.links import Step
from repeatab.jobs.charts.past_visits import UNNAMED
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits, base_kept
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.watch import ChartSignal, Watched
from repeatab.jobs.charts.wear import Wear
from repeatab.jobs.charts.words import Scale, neighbours_words, of_what, section_name, side_word
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Column, ColumnKind, Table, Value

Key = tuple[str, str]
_MOST_SIGNALS = 500
_TEXT, _RESULT, _COUNT = ColumnKind.TEXT, ColumnKind.RESULT, ColumnKind.COUNT
_NUMBER, _PERCENT, _P, _DATE = ColumnKind.NUMBER, ColumnKind.PERCENT, ColumnKind.PROBABILITY, ColumnKind.DATE


def _column(key: str, caption: str, kind: ColumnKind, unit: str = "") -> Column:
    return Column(key=key, caption=caption, kind=kind, unit=unit)


def _change_kind(scale: Scale) -> ColumnKind:
    return _PERCENT if scale.ratio else _RESULT


def states_table(states: Sequence[RigState], visits: Mapping[str, Visits], scale: Scale) -> Table:
    """Rig and section with state, since when, and when it probably began."""
    rows: list[tuple[Value, ...]] = []
    for state in states:
        mine = visits[state.rig]
        for part in state.sections:
            began = part.began
            first = part.open[0] if part.open else None
            rows.append(
                (
                    state.rig, section_name(part.section), part.verdict.value, part.decides,
                    mine.when(first.at) if first else None,
                    mine.when(began.visit) if began else None,
                    mine.when(began.first) if began else None,
                    mine.when(began.last) if began else None,
                    scale.change(began.now) if began and not began.changes else None,
                    "; ".join(dict.fromkeys(signal.rule for signal in part.open)) or None,
                )
            )  # fmt: skip
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT), _column("state", "state", _TEXT),
        _column("decides", "decides", _TEXT), _column("since", "signals since", _DATE),
        _column("began", "probably began", _DATE), _column("began_from", "from", _DATE),
        _column("began_to", "to", _DATE), _column("change", "change by now", _change_kind(scale), scale.change_unit),
        _column("given_by", "given by", _TEXT),
    )  # fmt: skip
    return Table(
        key="states",
        caption="The state of each rig and section, and since when it signals",
        columns=columns,
        rows=tuple(rows),
    )


def signals_table(
    signals: Sequence[ChartSignal],
    data: ReferenceData,
    series: Mapping[Key, Series],
    scale: Scale,
    level: float,
) -> Table | None:
    """Every signal, closed ones too, with its points and what else happened then."""
    if not signals:
        return None
    rows: list[tuple[Value, ...]] = []
    ordered = sorted(signals, key=lambda s: (not s.open, s.rig, s.at, s.section))
    for one in ordered[:_MOST_SIGNALS]:
        mine = data.visits[one.rig]
        what = of_what(series.get((one.rig, one.section or data.sections[0])), data)
        rows.append(
            (
                one.rig, section_name(one.section), what, one.given_by.value, one.rule, side_word(one.side),
                mine.when(one.at), ", ".join(mine.labels[i] for i in one.points), mine.when(one.until),
                mine.when(one.began.visit) if one.began else None,
                f"{mine.when(one.began.first)} to {mine.when(one.began.last)}" if one.began else None,
                scale.change(one.began.now) if one.began and not one.began.changes else None,
                "; ".join(str(event) for event in one.nearby) or None,
                _driven_by(one, scale), one.closed or "open",
            )
        )  # fmt: skip
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT),
        _column("what", "is", _TEXT), _column("chart", "chart", _TEXT),
        _column("rule", "rule", _TEXT), _column("side", "side", _TEXT), _column("since", "given since", _DATE),
        _column("points", "by the visits", _TEXT), _column("until", "given until", _DATE),
        _column("began", "probably began", _DATE), _column("range", f"between ({level:.0%})", _TEXT),
        _column("change", "change", _change_kind(scale), scale.change_unit),
        _column("events", "what else changed then", _TEXT), _column("drivers", "driven by", _TEXT),
        _column("closed", "closed by", _TEXT),
    )  # fmt: skip
    rest = len(ordered) - len(rows)
    remarks = (f"{rest} further signals are not shown.",) if rest else ()
    return Table(
        key="signals", caption="Signals, open ones first", columns=columns, rows=tuple(rows), remarks=remarks
    )


def _driven_by(signal: ChartSignal, scale: Scale) -> str | None:
    """The sections that drive a joint signal, each with its change by now."""
    changes = dict(signal.began.changes) if signal.began else {}
    return (
        ", ".join(
            f"{name} ({scale.change_text(changes[name])})" if name in changes else name
            for name in signal.drivers
        )
        or None
    )


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
    change = _change_kind(scale)
    unit = scale.change_unit
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT), _column("from", "from", _DATE),
        _column("cause", "began with", _TEXT), _column("kind", "kind", _TEXT),
        _column("centre", "centre", _RESULT, scale.quantity.unit),
        _column("lower", "lower limit", _RESULT, scale.quantity.unit),
        _column("upper", "upper limit", _RESULT, scale.quantity.unit),
        _column("sd", "SD of a point", change, unit), _column("between", "visit to visit", change, unit),
        _column("within", "within a visit", change, unit), _column("base", "base visits", _COUNT),
        _column("removed", "left out", _COUNT), _column("method", "method", _TEXT),
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

    Of each rig and section those since the last restart. Not those whose base is still being formed or moves itself,
    nor those of sets whose wear is taken out: the wear is estimated anew each time, and the base with it.
    """
    rows: list[tuple[Value, ...]] = []
    for (rig, section), regimes in watched.items():
        mine, last = series[rig, section], regimes[-1]
        if last.limits is None or not _freezes(last, last.limits, mine):
            continue
        found, kept = last.limits, set(base_kept(last.regime, last.limits).tolist())
        labels = {int(i): mine.visits.labels[mine.visit[i]] for i in last.regime.base}
        out = [label for place, label in labels.items() if place not in kept]
        source = data.sources[mine.cells.source[last.regime.start]]
        rows.append(
            (
                rig, section, None if source == UNNAMED else source, found.limits.centre, found.limits.sd,
                found.limits.count, *(labels[int(last.regime.base[i])] for i in (0, -1)),
                json.dumps(out, ensure_ascii=False) if out else None, found.runs, found.within_sd, found.within_df,
                found.between_sd, found.limits.df, found.centre_variance,
                found.spread.ratio_of_means if found.spread else None, found.model.carry if found.model else None,
                found.plotted.value, question.analysis.value,
            )
        )  # fmt: skip
    if not rows:
        return None
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT), _column("reference", "reference", _TEXT),
        _column("centre", "centre", _RESULT), _column("sd", "SD of a point", _RESULT),
        _column("base", "base visits", _COUNT), _column("first", "first", _TEXT), _column("last", "last", _TEXT),
        _column("left_out", "left out", _TEXT), _column("runs", "runs a visit", _COUNT),
        _column("within_sd", "within a visit", _RESULT), _column("within_df", "its degrees of freedom", _NUMBER),
        _column("between_sd", "visit to visit", _RESULT), _column("df", "degrees of freedom", _NUMBER),
        _column("centre_variance", "variance of the centre over a point's", _NUMBER),
        _column("ratio_of_means", "scatter of means over that within", _NUMBER),
        _column("carry", "carry-over", _NUMBER), _column("form", "points", _TEXT),
        _column("analysis", "analysis", _TEXT),
    )  # fmt: skip
    remark = "A ledger keeps these, and later months judge by exactly them if the study says base.from_ledger = true."
    if question.analysis is Analysis.RATIO:
        remark += " Centre and standard deviations are natural logarithms."
    told = [i for i in range(len(columns)) if any(row[i] is not None for row in rows)]
    return Table(
        key="frozen_limits", caption="Limits as they stay frozen for the months to come",
        columns=tuple(columns[i] for i in told), rows=tuple(tuple(row[i] for i in told) for row in rows),
        remarks=(remark,),
    )  # fmt: skip


def _freezes(last: Watched, limits: SeriesLimits, series: Series) -> bool:
    worn = series.wear is not None and series.wear.per_run is not None
    set_before = limits.stated or limits.recorded is not None
    return last.regime.complete and not (set_before or worn or limits.trend is not None)


def lengths_table(lengths: ChartLengths) -> Table:
    """Run lengths of every chart: in control and after shifts."""
    dated = lengths.visits_per_month is not None
    rows: list[tuple[Value, ...]] = []
    for one in lengths.charts:
        months = lengths.months(one.in_control)
        rows.append((one.words, *map(_short, (one.in_control, months, *one.shifted))))
    columns = (
        _column("chart", "chart", _TEXT),
        _column("in_control", "visits to a false alarm", _NUMBER),
        _column("months", "months to a false alarm", _NUMBER),
        *(_column(f"shift_{s:g}", f"visits to find {s:g} SD", _NUMBER) for s in lengths.shifts),
    )
    remark = (
        f"Months at {lengths.visits_per_month:.3g} visits a month, from the dates."
        if dated
        else "No dates, no months."
    )
    return Table(
        key="run_lengths",
        caption="How often each chart gives a false alarm and how soon it finds a shift, on average",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            remark,
            "Computed for independent normal points, limits taken as known, the shift there from the first point on. "
            "For sections together the shift is a distance in the metric of their covariance.",
        ),
    )


def _short(value: float | None) -> float | None:
    """Four digits: a run length is an average over decades."""
    return None if value is None else float(f"{value:.4g}")


def _points(value: float) -> int:
    """So many points, with three digits: what estimated limits do is not known better."""
    return round(float(f"{value:.3g}"))


def effects_table(effects: Sequence[LimitEffect], nominal: float) -> Table | None:
    """What estimated limits do, by size of the base."""
    if not effects:
        return None
    rows: list[tuple[Value, ...]] = [
        (
            effect.base, effect.linked, effect.as_good_as, effect.series, "trial" if effect.trial else "control",
            effect.factor, 100 * effect.plain_rate, name,
            _points(found.nominal) if found and not effect.trial else None,
            _points(found.typical) if found else None, _points(found.one_in_ten) if found else None,
            _points(found.median) if found else None,
        )
        for effect in effects
        for name, found in effect.effects
    ]  # fmt: skip
    columns = (
        _column("base", "base visits", _COUNT), _column("linked", "linked", _TEXT),
        _column("as_good_as", "as good as", _COUNT), _column("series", "series", _COUNT),
        _column("kind", "limits", _TEXT), _column("factor", "distance in estimated SD", _NUMBER),
        _column("plain", f"false alarms at {nominal:g} SD", _PERCENT), _column("chart", "chart", _TEXT),
        _column("known", "run length, known limits", _COUNT),
        _column("typical", "typical run length", _COUNT), _column("worst", "one chart in ten below", _COUNT),
        _column("median", "half have signalled after", _COUNT),
    )  # fmt: skip
    return Table(
        key="estimated_limits",
        caption="What it costs that limits come from few base visits (rigs in control)",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "As good as: the number of base visits whose mean would tell the centre as well; the uncertainty "
            "of a linked "
            "change-over counts as fewer. Of each kind the series that knows its centre least; at most the "
            "four smallest "
            "bases are shown.",
        ),
    )


def links_table(steps: Sequence[Step], scale: Scale, level: float) -> Table | None:
    """Steps between references."""
    if not steps:
        return None
    rows: list[tuple[Value, ...]] = []
    for step in steps:
        interval = step.interval(level)
        rows.append(
            (
                step.earlier, step.later, step.section, scale.change(step.value),
                scale.change(interval.lower), scale.change(interval.upper), step.df, step.visits, step.rigs,
                step.unequal,
            )
        )  # fmt: skip
    kind, unit = _change_kind(scale), scale.change_unit
    columns = (
        _column("earlier", "from", _TEXT), _column("later", "to", _TEXT), _column("section", "section", _TEXT),
        _column("step", "step", kind, unit), _column("lower", "lower", kind, unit),
        _column("upper", "upper", kind, unit), _column("df", "degrees of freedom", _NUMBER),
        _column("overlaps", "overlaps", _COUNT), _column("rigs", "rigs", _COUNT),
        _column("unequal", "p, overlaps alike", _P),
    )  # fmt: skip
    return Table(
        key="links",
        caption=f"Steps between references from the visits at which both ran, with the interval at {level:.0%}",
        columns=columns,
        rows=tuple(rows),
        remarks=("Where the overlaps are not alike (p below 0.05) their own scatter carries the interval.",),
    )


def screening_table(
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    joint: Mapping[str, tuple[JointRegime, ...]],
    visits: Mapping[str, Visits],
    scale: Scale,
) -> Table | None:
    """Every base visit left out, in order, with the limits it exceeded."""
    rows: list[tuple[Value, ...]] = [
        (
            rig, section_name(""), one.round, visits[rig].named(int(regime.complete[one.index])), one.judged,
            one.value, None, one.upper,
        )
        for rig, regimes in joint.items()
        for regime in regimes
        for one in regime.screened.removed
    ]  # fmt: skip
    for (rig, section), regimes in watched.items():
        mine = series[rig, section]
        for one in regimes:
            if one.limits is None:
                continue
            for removed in one.limits.limits.removed:
                visit = int(mine.visit[one.regime.base[removed.index]])
                mean = "mean" in removed.judged or removed.judged == "result"
                shown = scale.level if mean else scale.change
                top = removed.upper if removed.upper < 1e300 else None
                rows.append(
                    (
                        rig, section, removed.round, mine.visits.named(visit), removed.judged,
                        shown(removed.value), shown(removed.lower), None if top is None else shown(top),
                    )
                )  # fmt: skip
            for place in one.limits.left_out:
                at = int(one.regime.base[place])
                name, read = mine.visits.named(int(mine.visit[at])), scale.level(float(mine.cells.mean[at]))
                rows.append((rig, section, 0, name, "when the limits were recorded", read, None, None))
            for place in one.limits.odd_sizes:
                visit = int(mine.visit[one.regime.base[place]])
                rows.append(
                    (
                        rig, section, 0, mine.visits.named(visit), "number of runs differs",
                        float(mine.cells.count[one.regime.base[place]]), None, None,
                    )
                )  # fmt: skip
    if not rows:
        return None
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT), _column("round", "round", _COUNT),
        _column("visit", "visit", _TEXT), _column("judged", "judged by", _TEXT),
        _column("value", "value", _RESULT), _column("lower", "lower limit", _RESULT),
        _column("upper", "upper limit", _RESULT),
    )  # fmt: skip
    return Table(
        key="screening",
        caption="Base visits that were left out of the limits, and why",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "Only the limits leave them out; they stay on the charts. One goes at a time, the worst first.",
        ),
    )


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
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT),
        _column("cause", "began with", _TEXT), _column("count", "base visits", _COUNT),
        _column("lag_one", "correlation of neighbours", _NUMBER), _column("p", "p", _P),
        _column("carry", "carry-over of the residual chart", _NUMBER),
        _column("ignored", "false alarms were it ignored", _PERCENT),
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


def wear_table(wear: Mapping[Key, Wear], scale: Scale, level: float) -> Table | None:
    """Wear of the sets, and what told it from drift."""
    if not wear:
        return None
    from scipy.stats import t

    rows: list[tuple[Value, ...]] = []
    for (rig, section), one in wear.items():
        if one.per_run is None or one.se is None or one.df is None:
            rows.append((rig, section, one.told_by.value, None, None, None))
            continue
        half = float(t.ppf((1 + level) / 2, one.df)) * one.se
        rows.append(
            (
                rig, section, one.told_by.value, scale.change(one.per_run),
                scale.change(one.per_run - half), scale.change(one.per_run + half),
            )
        )  # fmt: skip
    kind, unit = _change_kind(scale), scale.change_unit
    columns = (
        _column("rig", "rig", _TEXT), _column("section", "section", _TEXT),
        _column("told_by", "told from drift by", _TEXT), _column("wear", "wear per run", kind, unit),
        _column("lower", "lower", kind, unit), _column("upper", "upper", kind, unit),
    )  # fmt: skip
    return Table(
        key="wear",
        caption=f"Wear of the reference sets as taken out of the charts, with the interval at {level:.0%}",
        columns=columns,
        rows=tuple(rows),
    )
