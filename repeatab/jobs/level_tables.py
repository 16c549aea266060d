"""Tables and figures of a two-level comparison.

In: a LevelComparison with its scatter and planning.  Out: tables and figures as data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repeatab.base.quantity import Quantity
from repeatab.jobs.comparison_layout import ComparisonLayout, SetUse
from repeatab.jobs.level_comparison import LevelComparison, SectionComparison
from repeatab.jobs.level_scatter import LevelScatter
from repeatab.jobs.questions import Analysis
from repeatab.outcome.figures import (
    Estimate,
    Figure,
    MoreRunsRow,
    OffsetRow,
    OffsetsBySection,
    OrderOfRuns,
    OrderPoint,
    RepeatabilityByRig,
    SetPoint,
    SetsAcrossRigs,
    WhatMoreRunsBuy,
)
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.next_runs import MoreRuns

PERCENT = "%"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """How a section's offset is shown: in percent of the reference, or in the unit of the result."""

    unit: str
    analysis: Analysis
    of_ratio: bool

    def value(self, inner: float) -> float:
        """From the scale of the bounds to the scale shown."""
        if self.analysis is Analysis.RATIO:
            return 100 * (math.exp(inner) - 1)
        return 100 * (inner - 1) if self.of_ratio else inner


def shown_as(part: SectionComparison, analysis: Analysis, quantity: Quantity) -> Shown:
    """The scale of a section: percent where its margin is one, or where the analysis is of ratios."""
    of_ratio = part.bounds is not None and part.bounds.of_ratio
    in_percent = of_ratio or analysis is Analysis.RATIO
    return Shown(unit=PERCENT if in_percent else quantity.unit, analysis=analysis, of_ratio=of_ratio)


def offsets_table(comparison: LevelComparison, quantity: Quantity) -> Table:
    """Offset, intervals, margin and verdict per section."""
    a, b = comparison.how.a, comparison.how.b
    rows: list[tuple[Value, ...]] = []
    for part in comparison.sections:
        role = "decides" if part.section.decides else "informs"
        margin = "" if part.section.margin is None else str(part.section.margin)
        if part.trouble is not None:
            rows.append((part.section.name, role, *[None] * 9, margin, "undecided"))
            continue
        shown = shown_as(part, comparison.analysis, quantity)
        mean_a, mean_b = _means(part, comparison.analysis)
        values = [part.estimate, part.lower, part.upper, part.inner_lower, part.inner_upper]
        rows.append(
            (
                part.section.name,
                role,
                mean_a,
                mean_b,
                *(_finite(shown.value(v)) for v in values),
                part.p,
                shown.unit or quantity.symbol,
                margin,
                _words(part),
            )  # fmt: skip
        )
    c = comparison.confidence
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="role", caption="role", kind=ColumnKind.TEXT),
        Column(key="mean_a", caption=f"mean {a}", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="mean_b", caption=f"mean {b}", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="offset", caption=f"offset {a} against {b}", kind=ColumnKind.RESULT),
        Column(key="lower", caption=f"lower, {c:.0%} adjusted", kind=ColumnKind.RESULT),
        Column(key="upper", caption=f"upper, {c:.0%} adjusted", kind=ColumnKind.RESULT),
        Column(key="inner_lower", caption=f"lower, {2 * c - 1:.0%}", kind=ColumnKind.RESULT),
        Column(key="inner_upper", caption=f"upper, {2 * c - 1:.0%}", kind=ColumnKind.RESULT),
        Column(key="p", caption="p, no difference", kind=ColumnKind.PROBABILITY),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="margin", caption="margin", kind=ColumnKind.TEXT),
        Column(key="verdict", caption="verdict", kind=ColumnKind.TEXT),
    )
    remarks = (
        f"The adjusted interval carries the claim of a difference ({c:.0%} over all deciding sections together, "
        f"Holm); the {2 * c - 1:.0%} interval carries the claim of equivalence (two one-sided tests, each at "
        f"{1 - c:.0%}). Both are the wider of the pooled and the separate view of the scatter.",
    )
    return Table(
        key="offsets", caption=f"Offset of {a} against {b} by section", columns=columns, rows=tuple(rows),
        remarks=remarks,
    )  # fmt: skip


def views_table(comparison: LevelComparison) -> Table:
    """Standard error and degrees of freedom under each view of the scatter."""
    rows: list[tuple[Value, ...]] = []
    for part in comparison.sections:
        for pair, verdict in zip(part.pairs, part.single_views, strict=True):
            ratio = pair.mean_a / pair.mean_b if part.bounds and part.bounds.of_ratio else pair.mean_a * 0 + 1
            se, df = pair.precision(ratio)
            rows.append((part.section.name, pair.method.value, float(se[0]), float(df[0]), verdict.value))
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="view", caption="view of the scatter", kind=ColumnKind.TEXT),
        Column(key="se", caption="standard error of the offset", kind=ColumnKind.RESULT),
        Column(key="df", caption="degrees of freedom", kind=ColumnKind.NUMBER),
        Column(key="verdict", caption="verdict under this view alone", kind=ColumnKind.TEXT),
    )
    return Table(
        key="views", caption="The verdict must hold whether the scatter is pooled or taken rig by rig",
        columns=columns, rows=tuple(rows),
    )  # fmt: skip


def scatter_table(comparison: LevelComparison, scatter: Mapping[str, LevelScatter]) -> Table:
    """Standard deviations at both levels and their ratio."""
    a, b = comparison.how.a, comparison.how.b
    rows: list[tuple[Value, ...]] = []
    for name, found in scatter.items():
        if found.ratio is None:
            rows.append((name, found.source, *[None] * 7))
            continue
        r = found.ratio
        rows.append(
            (name, found.source, r.sd_a, r.df_a, r.sd_b, r.df_b, r.ratio, r.interval.lower, r.interval.upper)
        )
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="source", caption="what scatters", kind=ColumnKind.TEXT),
        Column(key="sd_a", caption=f"SD {a}", kind=ColumnKind.RESULT),
        Column(key="df_a", caption=f"df {a}", kind=ColumnKind.COUNT),
        Column(key="sd_b", caption=f"SD {b}", kind=ColumnKind.RESULT),
        Column(key="df_b", caption=f"df {b}", kind=ColumnKind.COUNT),
        Column(key="ratio", caption=f"ratio {a} / {b}", kind=ColumnKind.RATIO),
        Column(key="lower", caption="lower", kind=ColumnKind.RATIO),
        Column(key="upper", caption="upper", kind=ColumnKind.RATIO),
    )
    return Table(
        key="scatter", caption="Does one of the two repeat worse?", columns=columns, rows=tuple(rows)
    )


def runs_table(how: ComparisonLayout) -> Table:
    """Sets and runs per level and section."""
    rows: list[tuple[Value, ...]] = []
    for name, part in how.table.groupby("section", sort=False):
        counts = [
            (int(own["pad_set"].nunique()), len(own))
            for own in (part[part[how.factor] == level] for level in (how.a, how.b))
        ]
        rows.append((str(name), counts[0][0], counts[0][1], counts[1][0], counts[1][1]))
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="sets_a", caption=f"sets {how.a}", kind=ColumnKind.COUNT),
        Column(key="runs_a", caption=f"runs {how.a}", kind=ColumnKind.COUNT),
        Column(key="sets_b", caption=f"sets {how.b}", kind=ColumnKind.COUNT),
        Column(key="runs_b", caption=f"runs {how.b}", kind=ColumnKind.COUNT),
    )
    return Table(key="runs", caption="What was run", columns=columns, rows=tuple(rows))


def more_runs_table(planned: Mapping[str, MoreRuns], hours_per_set: float | None, arms: int) -> Table:
    """Sets per rig needed for the wanted probability of a verdict, under each belief."""
    rows: list[tuple[Value, ...]] = []
    for name, plan in planned.items():
        for need in plan.needed:
            hours = None
            if need.further is not None and hours_per_set is not None:
                hours = need.further * arms * hours_per_set
            rows.append((name, need.belief, need.sets, need.further, hours))
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="belief", caption="if the truth is", kind=ColumnKind.TEXT),
        Column(key="sets", caption="sets per rig in all", kind=ColumnKind.COUNT),
        Column(key="further", caption="further sets per rig", kind=ColumnKind.COUNT),
        Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
    )
    any_plan = next(iter(planned.values()))
    remark = (
        f"Sets (not stops) for a probability of {any_plan.target:.0%} of a verdict, judged afresh on all sets "
        f"together; {any_plan.draws} simulated studies per number, Monte Carlo error about "
        f"{100 * (any_plan.target * (1 - any_plan.target) / any_plan.draws) ** 0.5:.1f} points. "
        f"No entry: no number up to {any_plan.reach} sets per rig suffices."
    )
    return Table(
        key="next_runs", caption="What to run next", columns=columns, rows=tuple(rows), remarks=(remark,)
    )


def figures_of(
    comparison: LevelComparison,
    scatter: Mapping[str, LevelScatter],
    planned: Mapping[str, MoreRuns],
    quantity: Quantity,
    hours_per_set: float | None,
) -> tuple[Figure, ...]:
    """The figures of the page, in its order."""
    found: list[Figure] = [*_offset_figures(comparison, quantity)]
    found.append(_sets_figure(comparison.how, quantity))
    if any(s.ratio is not None for s in scatter.values()):
        found.append(_scatter_figure(comparison, scatter, quantity))
    order = _order_figure(comparison.how, quantity)
    found += [order] if order is not None else []
    found += [_more_runs_figure(name, plan, comparison, hours_per_set) for name, plan in planned.items()]
    return tuple(found)


def _offset_figures(comparison: LevelComparison, quantity: Quantity) -> list[Figure]:
    """One figure per unit in which offsets are shown."""
    how = comparison.how
    by_unit: dict[str, list[OffsetRow]] = {}
    for part in comparison.sections:
        if part.trouble is not None or part.bounds is None:
            continue
        shown = shown_as(part, comparison.analysis, quantity)
        values = [part.estimate, part.lower, part.upper, part.inner_lower, part.inner_upper]
        value, lower, upper, inner_lower, inner_upper = (shown.value(v) for v in values)
        by_unit.setdefault(shown.unit or quantity.symbol, []).append(
            OffsetRow(
                label=part.section.name,
                value=value,
                lower=lower,
                upper=upper,
                inner_lower=inner_lower,
                inner_upper=inner_upper,
                margin_low=shown.value(part.bounds.low),
                margin_high=shown.value(part.bounds.high),
                decides=part.section.decides,
                verdict=_words(part),
            )  # fmt: skip
        )
    return [
        OffsetsBySection(
            key="offsets" if len(by_unit) == 1 else f"offsets_{i + 1}",
            title=f"How far does {how.a} read from {how.b}, and does it matter?",
            reading=_offset_reading(rows, str(how.a), str(how.b)),
            unit=unit,
            rows=tuple(rows),
            first=str(how.a),
            second=str(how.b),
        )
        for i, (unit, rows) in enumerate(by_unit.items())
    ]


def _offset_reading(rows: Sequence[OffsetRow], a: str, b: str) -> str:
    worst = max(rows, key=lambda row: abs(row.value) / max(row.margin_high, 1e-300))
    inside = [
        row.label for row in rows if row.margin_low < row.inner_lower and row.inner_upper < row.margin_high
    ]
    return (
        f"The largest offset of {a} against {b}, in terms of its margin, is in {worst.label}; "
        f"{len(inside)} of {len(rows)} sections have their inner interval inside the margin."
    )


def _sets_figure(how: ComparisonLayout, quantity: Quantity) -> Figure:
    table = how.table
    points = tuple(
        SetPoint(
            section=str(section), rig=str(level), pad_set=str(pad_set), order=number, value=float(value)
        )
        for section, level, pad_set, number, value in zip(
            table["section"],
            table[how.factor],
            table["pad_set"],
            _order_numbers(how),
            table["result"],
            strict=True,
        )
    )
    reading = (
        "Each point is one pad set on one rig: a shift of all points of a rig is a step of the rig."
        if how.use is SetUse.SPLIT
        else "Each line joins the results of one pad set: lines that slope alike show a step between the rigs."
    )
    sections = tuple(dict.fromkeys(str(s) for s in how.table["section"]))
    return SetsAcrossRigs(
        key="sets", title="The single pad sets on both rigs", reading=reading, unit=quantity.symbol,
        points=points, rigs=(str(how.a), str(how.b)), sections=sections,
    )  # fmt: skip


def _order_numbers(how: ComparisonLayout) -> list[int]:
    for name in ("run_order", "time", "day"):
        if name in how.table.columns:
            return [int(v) for v in how.table[name].rank(method="dense")]
    return list(range(1, len(how.table) + 1))


def _order_figure(how: ComparisonLayout, quantity: Quantity) -> Figure | None:
    if not any(name in how.table.columns for name in ("run_order", "time", "day")):
        return None
    numbers = _order_numbers(how)
    points = tuple(
        OrderPoint(section=str(section), series=str(level), order=number, value=float(value))
        for section, level, number, value in zip(
            how.table["section"], how.table[how.factor], numbers, how.table["result"], strict=True
        )
    )
    return OrderOfRuns(
        key="order", title="The results in the order of the runs",
        reading="A trend that both rigs share is drift of the lot or the season; one that only one shows is its own.",
        unit=quantity.symbol, points=points,
    )  # fmt: skip


def _scatter_figure(
    comparison: LevelComparison, scatter: Mapping[str, LevelScatter], quantity: Quantity
) -> Figure:
    from scipy import special

    how, level = comparison.how, comparison.confidence
    names, rows = [], []
    for name, found in scatter.items():
        if found.ratio is None:
            continue
        r = found.ratio
        tail = (1 - level) / 2
        pair = []
        for label, sd, df in ((how.a, r.sd_a, r.df_a), (how.b, r.sd_b, r.df_b)):
            low = sd * math.sqrt(df / float(special.chdtri(df, tail)))
            high = sd * math.sqrt(df / float(special.chdtri(df, 1 - tail)))
            pair.append(Estimate(label=str(label), value=sd, lower=low, upper=high))
        names.append(name)
        rows.append(tuple(pair))
    source = next(found.source for found in scatter.values() if found.ratio is not None)
    return RepeatabilityByRig(
        key="scatter", title=f"Standard deviation by rig ({source})",
        reading=f"Whiskers are {level:.0%} intervals; few sets leave them wide, and overlap is the rule.",
        unit=quantity.symbol, sections=tuple(names), rigs=(str(how.a), str(how.b)), estimates=tuple(rows),
    )  # fmt: skip


def _more_runs_figure(
    name: str, plan: MoreRuns, comparison: LevelComparison, hours_per_set: float | None
) -> Figure:
    arms = 1 if comparison.how.use is SetUse.SAME else 2
    rows = tuple(
        MoreRunsRow(
            sets_per_arm=point.sets,
            rig_hours=None if hours_per_set is None else (point.sets - plan.present) * arms * hours_per_set,
            probability_no_difference=point.none.decided,
            probability_observed=point.observed.decided,
            interval_half_width=point.half_width,
        )
        for point in plan.curve
    )
    return WhatMoreRunsBuy(
        key=f"more_runs_{name}", title=f"What more sets would buy: {name}",
        reading=f"Probability of a verdict on {name} against the number of sets per rig; the line marks "
        f"{plan.target:.0%}.",
        unit="", rows=rows, target=plan.target, margin=None,
    )  # fmt: skip


def _means(part: SectionComparison, analysis: Analysis) -> tuple[float, float]:
    if analysis is Analysis.RATIO:
        return math.exp(part.mean_a), math.exp(part.mean_b)
    return part.mean_a, part.mean_b


def _words(part: SectionComparison) -> str:
    tail = f", {part.qualifier.value}" if part.qualifier.value else ""
    return f"{part.verdict.value}{tail}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
