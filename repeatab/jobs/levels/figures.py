"""Figures of a comparison of levels.

In: a LevelComparison with its scatter and planning.  Out: figures as data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from scipy import special

from repeatab.base.quantity import Quantity
from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.layout import ComparisonLayout, SetUse
from repeatab.jobs.levels.scatter import LevelScatter
from repeatab.jobs.levels.tables import Key, claim_name, key_of, shown_as, verdict_words
from repeatab.jobs.wording import enumerated
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
from repeatab.outcome.verdict import Qualifier
from repeatab.planning.next_runs import MoreRuns

_ORDERS = ("run_order", "time", "day")


def figures_of(
    comparison: LevelComparison,
    scatter: Mapping[Key, LevelScatter],
    planned: Mapping[Key, MoreRuns],
    quantity: Quantity,
    hours_per_set: float | None,
) -> tuple[Figure, ...]:
    """The figures of the page, in its order."""
    found = figures_before_planning(comparison, scatter, quantity)
    return (*found, *planning_figures(comparison, planned, hours_per_set))


def figures_before_planning(
    comparison: LevelComparison, scatter: Mapping[Key, LevelScatter], quantity: Quantity
) -> tuple[Figure, ...]:
    """What was found."""
    sets, *order = figures_of_runs(comparison.how, quantity)
    found: list[Figure] = [*_offset_figures(comparison, quantity), sets]
    if any(s.ratio is not None for s in scatter.values()):
        found.append(_scatter_figure(comparison, scatter, quantity))
    return (*found, *order)


def figures_of_runs(how: ComparisonLayout, quantity: Quantity) -> tuple[Figure, ...]:
    """The runs as they are, which no comparison changes: set by set, and in their order where that is known."""
    ordered = any(name in how.table.columns for name in _ORDERS)
    return (_sets_figure(how, quantity), *([_order_figure(how, quantity)] if ordered else []))


def planning_figures(
    comparison: LevelComparison, planned: Mapping[Key, MoreRuns], hours_per_set: float | None
) -> tuple[Figure, ...]:
    """What more runs would bring."""
    return tuple(
        _more_runs_figure(claim, comparison, planned[key_of(claim)], hours_per_set)
        for claim in comparison.compared
        if key_of(claim) in planned
    )


def _offset_figures(comparison: LevelComparison, quantity: Quantity) -> list[Figure]:
    """One figure per pair and unit in which offsets are shown."""
    grouped: dict[tuple[str, str, str], list[OffsetRow]] = {}
    endless: dict[tuple[str, str, str], list[str]] = {}
    for claim in comparison.compared:
        if claim.bounds is None or claim.qualifier is Qualifier.BETWEEN_LOOKS:
            continue
        shown = shown_as(claim, comparison.analysis, quantity)
        values = [claim.estimate, claim.lower, claim.upper, claim.inner_lower, claim.inner_upper]
        value, lower, upper, inner_lower, inner_upper = (shown.value(v) for v in values)
        name = (str(claim.pair.a), str(claim.pair.b), shown.unit or quantity.symbol)
        if not all(math.isfinite(v) for v in (value, lower, upper, inner_lower, inner_upper)):
            endless.setdefault(name, []).append(claim.section.name)
            continue
        row = OffsetRow(
            label=claim.section.name,
            value=value,
            lower=lower,
            upper=upper,
            inner_lower=inner_lower,
            inner_upper=inner_upper,
            margin_low=shown.value(claim.bounds.low),
            margin_high=shown.value(claim.bounds.high),
            decides=claim.section.decides,
            verdict=verdict_words(claim),
        )
        grouped.setdefault(name, []).append(row)
    return [
        OffsetsBySection(
            key="offsets" if len(grouped) == 1 else f"offsets {i + 1}",
            title=f"How far does {a} read from {b}, and does it matter?",
            reading=_offset_reading(rows, endless.get((a, b, unit), []), a, b),
            unit=unit,
            rows=tuple(rows),
            first=a,
            second=b,
        )
        for i, ((a, b, unit), rows) in enumerate(grouped.items())
    ]


def _offset_reading(rows: Sequence[OffsetRow], endless: Sequence[str], a: str, b: str) -> str:
    """endless : sections whose interval has no end on one side, which no figure can show."""
    worst = max(rows, key=lambda row: abs(row.value) / max(row.margin_high, 1e-300))
    inside = [row for row in rows if row.margin_low < row.inner_lower and row.inner_upper < row.margin_high]
    return (
        f"The largest offset of {a} against {b}, measured by its margin, is in {worst.label}; "
        f"{len(inside)} of {len(rows)} sections have their inner interval inside the margin."
        + (f" Not drawn, because the interval has no end: {', '.join(endless)}." if endless else "")
    )


def _sets_figure(how: ComparisonLayout, quantity: Quantity) -> Figure:
    table = how.table
    points = tuple(
        SetPoint(
            section=str(section), rig=str(level), pad_set=str(pad_set), order=number, value=float(value)
        )
        for section, level, pad_set, number, value in zip(
            table["section"], table[how.factor], table["pad_set"], _order_numbers(how), table["result"],
            strict=True,
        )
    )  # fmt: skip
    split = all(pair.use is SetUse.SPLIT for pair in how.pairs)
    reading = (
        f"Each point is one pad set: a shift of all points of a {how.factor_name} is a step of the {how.factor_name}."
        if split
        else f"Each line joins the results of one pad set: lines that slope alike show a step of the {how.factor_name}."
    )
    return SetsAcrossRigs(
        key="sets",
        title="The single pad sets",
        reading=reading,
        unit=quantity.symbol,
        points=points,
        rigs=tuple(str(level) for level in how.levels),
        sections=tuple(dict.fromkeys(str(s) for s in table["section"])),
        level=how.factor_name,
    )


def _order_numbers(how: ComparisonLayout) -> list[int]:
    """The order of the runs over all levels."""
    names = [name for name in _ORDERS if name in how.table.columns and how.table[name].notna().all()]
    if names:
        # An order within each set tells less of the whole than a date does.
        finest = max(names, key=lambda name: how.table[name].nunique())
        return [int(v) for v in how.table[finest].rank(method="dense")]
    return list(range(1, len(how.table) + 1))


def _order_figure(how: ComparisonLayout, quantity: Quantity) -> Figure:
    table = how.table
    together = ["section", how.factor, *how.blocks]
    left = table["result"] - table.groupby(together)["result"].transform("mean")
    points = tuple(
        OrderPoint(section=str(section), series=str(level), order=number, value=float(value))
        for section, level, number, value in zip(
            table["section"], table[how.factor], _order_numbers(how), left, strict=True
        )
    )
    named = [how.factor_name, *(block.replace("_", " ") for block in how.blocks)]
    return OrderOfRuns(
        key="order",
        title="What is left in the order of the runs",
        reading=f"Results less the mean of their {', '.join(named)} and section: a trend that all share comes from "
        f"what they share, one that a single {how.factor_name} shows is its own.",
        unit=quantity.symbol,
        points=points,
        removed=enumerated([*named, "section"]),
    )


def _scatter_figure(
    comparison: LevelComparison, scatter: Mapping[Key, LevelScatter], quantity: Quantity
) -> Figure:
    """One row per section, one point per level; a level that is in several pairs is shown once."""
    level, how = comparison.confidence, comparison.how
    sections: dict[str, dict[str, Estimate]] = {}
    for claim in comparison.compared:
        found = scatter.get(key_of(claim))
        if found is None or found.ratio is None:
            continue
        ratio = found.ratio
        row = sections.setdefault(claim.section.name, {})
        for name, sd, df in ((claim.pair.a, ratio.sd_a, ratio.df_a), (claim.pair.b, ratio.sd_b, ratio.df_b)):
            row[str(name)] = _with_chi_square(str(name), sd, df, level)
    names = tuple(str(name) for name in how.levels)
    whole = {section: row for section, row in sections.items() if len(row) == len(names)}
    source = next(found.source for found in scatter.values() if found.ratio is not None)
    return RepeatabilityByRig(
        key="scatter",
        title=f"Standard deviation by {how.factor_name} ({source})",
        reading=f"Whiskers are {level:.0%} intervals; few sets leave them wide, and overlap is the rule.",
        unit=quantity.symbol,
        sections=tuple(whole),
        rigs=names,
        estimates=tuple(tuple(row[name] for name in names) for row in whole.values()),
    )


def _with_chi_square(label: str, sd: float, df: int, level: float) -> Estimate:
    tail = (1 - level) / 2
    low = sd * math.sqrt(df / float(special.chdtri(df, tail)))
    high = sd * math.sqrt(df / float(special.chdtri(df, 1 - tail)))
    return Estimate(label=label, value=sd, lower=low, upper=high)


def _more_runs_figure(
    claim: Claim, comparison: LevelComparison, plan: MoreRuns, hours_per_set: float | None
) -> Figure:
    name = claim_name(claim, comparison)
    rows = tuple(
        MoreRunsRow(
            sets_per_arm=point.sets,
            rig_hours=None if hours_per_set is None else sum(plan.further(point.sets)) * hours_per_set,
            probability_no_difference=point.none.decided,
            probability_observed=point.observed.decided,
            interval_half_width=point.half_width,
        )
        for point in plan.curve
    )
    return WhatMoreRunsBuy(
        key=f"more runs {name}",
        title=f"What more sets would buy: {name}",
        reading=f"Probability of a verdict on {name} against the number of sets per {comparison.how.factor_name}; the "
        f"line marks {plan.target:.0%}.",
        unit="",
        rows=rows,
        target=plan.target,
        margin=None,
        level=comparison.how.factor_name,
    )
