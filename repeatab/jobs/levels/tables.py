"""Tables of a comparison of levels.

In: a LevelComparison with its scatter and planning.  Out: tables as data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.layout import ComparisonLayout
from repeatab.jobs.levels.scatter import LevelScatter
from repeatab.jobs.questions import Analysis
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.next_runs import MoreRuns

PERCENT = "%"

Key = tuple[str, str]
"""Section and pair name of a claim."""


def key_of(claim: Claim) -> Key:
    """The section and the pair of a claim."""
    return claim.section.name, claim.pair.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """How a claim's offset is shown: in percent of the reference, or in the unit of the result."""

    unit: str
    analysis: Analysis
    of_ratio: bool

    def value(self, inner: float) -> float:
        """From the scale of the bounds to the scale shown."""
        if self.analysis is Analysis.RATIO:
            return 100 * (math.exp(inner) - 1)
        return 100 * (inner - 1) if self.of_ratio else inner


def shown_as(claim: Claim, analysis: Analysis, quantity: Quantity) -> Shown:
    """The scale of a claim: percent where its margin is one, or where the analysis is of ratios."""
    of_ratio = claim.bounds is not None and claim.bounds.of_ratio
    in_percent = of_ratio or analysis is Analysis.RATIO
    return Shown(unit=PERCENT if in_percent else quantity.unit, analysis=analysis, of_ratio=of_ratio)


def verdict_words(claim: Claim) -> str:
    """The verdict with its qualifier."""
    tail = f", {claim.qualifier.value}" if claim.qualifier.value else ""
    return f"{claim.verdict.value}{tail}"


def claim_name(claim: Claim, comparison: LevelComparison) -> str:
    """The section, and the pair where there are several."""
    return (
        claim.section.name if len(comparison.how.pairs) == 1 else f"{claim.section.name}, {claim.pair.name}"
    )


def level_names(comparison: LevelComparison) -> tuple[str, str]:
    """What the two sides are called in captions: their own names where there is one pair."""
    if len(comparison.how.pairs) == 1:
        pair = comparison.how.pairs[0]
        return str(pair.a), str(pair.b)
    return "first", "second"


def offsets_table(comparison: LevelComparison, quantity: Quantity) -> Table:
    """Offset, intervals, margin and verdict per section and pair."""
    a, b = level_names(comparison)
    outer, inner = (level_text(v) for v in (comparison.difference_level, comparison.inner_level))
    units = {shown_as(claim, comparison.analysis, quantity).unit for claim in comparison.compared}
    offset = ColumnKind.PERCENT if units == {PERCENT} else ColumnKind.RESULT
    columns = (
        *leading(comparison),
        Column(key="role", caption="role", kind=ColumnKind.TEXT),
        Column(key="mean_a", caption=f"mean {a}", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="mean_b", caption=f"mean {b}", kind=ColumnKind.RESULT, unit=quantity.unit),
        Column(key="offset", caption=f"offset {a} against {b}", kind=offset),
        Column(key="lower", caption=f"lower, {outer} adjusted", kind=offset),
        Column(key="upper", caption=f"upper, {outer} adjusted", kind=offset),
        Column(key="inner_lower", caption=f"lower, {inner}", kind=offset),
        Column(key="inner_upper", caption=f"upper, {inner}", kind=offset),
        Column(key="p", caption="p, no difference", kind=ColumnKind.PROBABILITY),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="margin", caption="margin", kind=ColumnKind.TEXT),
        Column(key="verdict", caption="verdict", kind=ColumnKind.TEXT),
    )
    remark = (
        f"The adjusted interval carries the claim of a difference ({outer} over all deciding claims together); "
        f"the {inner} interval carries the claim of equivalence (two one-sided tests, each at "
        f"{level_text(comparison.rates.equivalence)}). Both are the wider of the pooled and the separate view of the "
        "scatter."
    )
    return Table(
        key="offsets",
        caption="Offset by section",
        columns=columns,
        rows=tuple(_offset_row(claim, comparison, quantity) for claim in comparison.claims),
        remarks=(remark,),
    )


def _offset_row(claim: Claim, comparison: LevelComparison, quantity: Quantity) -> tuple[Value, ...]:
    role = "decides" if claim.section.decides else "informs"
    margin = "" if claim.section.margin is None else str(claim.section.margin)
    start = leading_values(claim, comparison)
    if claim.trouble is not None:
        return (*start, role, *[None] * 9, margin, "undecided")
    shown = shown_as(claim, comparison.analysis, quantity)
    means = (claim.mean_a, claim.mean_b)
    if comparison.analysis is Analysis.RATIO:
        means = (math.exp(means[0]), math.exp(means[1]))
    values = [claim.estimate, claim.lower, claim.upper, claim.inner_lower, claim.inner_upper]
    limits = [finite(shown.value(value)) for value in values]
    return (
        *start,
        role,
        *means,
        *limits,
        claim.p,
        shown.unit or quantity.symbol,
        margin,
        verdict_words(claim),
    )


def views_table(comparison: LevelComparison) -> Table:
    """Standard error and degrees of freedom under each view of the scatter."""
    rows: list[tuple[Value, ...]] = []
    for claim in comparison.compared:
        for view, verdict in zip(claim.views, claim.single_views, strict=True):
            of_ratio = claim.bounds is not None and claim.bounds.of_ratio
            se, df = view.precision(view.mean_a / view.mean_b if of_ratio else np.ones(1))
            start = leading_values(claim, comparison)
            rows.append((*start, view.method.value, float(se[0]), float(df[0]), verdict.value))
    columns = (
        *leading(comparison),
        Column(key="view", caption="view of the scatter", kind=ColumnKind.TEXT),
        Column(key="se", caption="standard error of the offset", kind=ColumnKind.RESULT),
        Column(key="df", caption="degrees of freedom", kind=ColumnKind.NUMBER),
        Column(key="verdict", caption="verdict under this view alone", kind=ColumnKind.TEXT),
    )
    factor = comparison.how.factor_name
    return Table(
        key="views",
        caption=f"The verdict must hold whether the scatter is pooled or taken {factor} by {factor}",
        columns=columns,
        rows=tuple(rows),
    )


def scatter_table(comparison: LevelComparison, scatter: Mapping[Key, LevelScatter]) -> Table:
    """Standard deviations at both levels and their ratio."""
    a, b = level_names(comparison)
    rows: list[tuple[Value, ...]] = []
    for claim in comparison.compared:
        found = scatter[key_of(claim)]
        start = (*leading_values(claim, comparison), found.source)
        if found.ratio is None:
            rows.append((*start, *[None] * 7))
            continue
        r = found.ratio
        rows.append((*start, r.sd_a, r.df_a, r.sd_b, r.df_b, r.ratio, r.interval.lower, r.interval.upper))
    columns = (
        *leading(comparison),
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
        key="scatter", caption="Does one repeat worse than the other?", columns=columns, rows=tuple(rows)
    )


def runs_table(how: ComparisonLayout) -> Table:
    """Sets and runs per section and level."""
    rows: list[tuple[Value, ...]] = []
    for name, part in how.table.groupby("section", sort=False):
        counts: list[Value] = []
        for level in how.levels:
            own = part[part[how.factor] == level]
            counts += [int(own["pad_set"].nunique()), len(own)]
        rows.append((str(name), *counts))
    columns = [Column(key="section", caption="section", kind=ColumnKind.TEXT)]
    for level in how.levels:
        columns += [
            Column(key=f"sets {level}", caption=f"sets {level}", kind=ColumnKind.COUNT),
            Column(key=f"runs {level}", caption=f"runs {level}", kind=ColumnKind.COUNT),
        ]
    return Table(key="runs", caption="What was run", columns=tuple(columns), rows=tuple(rows))


def more_runs_table(
    comparison: LevelComparison, planned: Mapping[Key, MoreRuns], hours_per_set: float | None
) -> Table:
    """Sets per arm needed for the wanted probability of a verdict, under each belief."""
    rows: list[tuple[Value, ...]] = []
    uneven = any(plan.lead for plan in planned.values())
    for claim in comparison.compared:
        plan = planned.get(key_of(claim))
        for need in plan.needed if plan else ():
            hours = None
            if need.further is not None and hours_per_set is not None:
                # A set costs one run per level: on both levels where it runs on both, else a set for each.
                hours = (need.further + (need.beside or 0)) * hours_per_set
            start = leading_values(claim, comparison)
            beside = (need.beside,) if uneven else ()
            rows.append((*start, need.belief, need.sets, need.further, *beside, hours))
    factor = comparison.how.factor_name
    columns = (
        *leading(comparison),
        Column(key="belief", caption="if the truth is", kind=ColumnKind.TEXT),
        Column(
            key="sets",
            caption=f"sets {f'of the {factor} that has fewer,' if uneven else f'per {factor}'} in all",
            kind=ColumnKind.COUNT,
        ),
        Column(
            key="further",
            caption=f"further sets {'of it' if uneven else f'per {factor}'}",
            kind=ColumnKind.COUNT,
        ),
        *(
            [Column(key="beside", caption="further sets of the other", kind=ColumnKind.COUNT)]
            if uneven
            else []
        ),
        Column(key="hours", caption="rig hours", kind=ColumnKind.NUMBER, unit="h"),
    )
    any_plan = next(iter(planned.values()))
    error = 100 * (any_plan.target * (1 - any_plan.target) / any_plan.draws) ** 0.5
    remark = (
        f"Sets (not stops) for a probability of {any_plan.target:.0%} of a verdict, judged once on all sets "
        f"together; {any_plan.draws} simulated studies per number, Monte Carlo error about {error:.1f} points. "
        f"No entry: no number up to {any_plan.reach} sets per {factor} suffices."
    )
    return Table(
        key="next_runs", caption="What to run next", columns=columns, rows=tuple(rows), remarks=(remark,)
    )


def level_text(value: float) -> str:
    """A confidence or an error rate in percent, with the digits that a declared look needs."""
    return "over 99.99%" if value > 0.9999 else "below 0.01%" if value < 1e-4 else f"{100 * value:.4g}%"


def finite(value: float) -> float | None:
    """None for an open limit."""
    return value if math.isfinite(value) else None


def leading(comparison: LevelComparison) -> tuple[Column, ...]:
    """The columns that name a claim."""
    section = Column(key="section", caption="section", kind=ColumnKind.TEXT)
    if len(comparison.how.pairs) == 1:
        return (section,)
    return section, Column(key="pair", caption="compared", kind=ColumnKind.TEXT)


def leading_values(claim: Claim, comparison: LevelComparison) -> tuple[Value, ...]:
    """What stands in them."""
    return (claim.section.name,) if len(comparison.how.pairs) == 1 else key_of(claim)
