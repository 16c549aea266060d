"""The percentage comparison: each lot as a percentage of the reference lot, in the manner of UN Regulation 90.

In: a LevelComparison against a reference lot and the percentage.  Out: a table.
The regulation sets the deceleration of a replacement lining against that of the original one at equal pressures over
the upper two thirds of the curve (UN Regulation 90, annex 3, 2.2.3: within 15 %). Here the same percentage is applied
to the sections of this study. That is a comparison and no approval: an approval is for the type approval authority.
"""

from __future__ import annotations

import math

from repeatab.jobs.levels.comparison import Claim, LevelComparison
from repeatab.jobs.levels.tables import level_text
from repeatab.jobs.lots.question import R90_PERCENT
from repeatab.jobs.questions import Analysis
from repeatab.judgement.comparison import Bounds, limits_over
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


def percentage_table(comparison: LevelComparison, percent: float) -> Table:
    """Each lot in percent of the reference lot, with the interval at 2c - 1 and where both lie."""
    rows = tuple(_row(claim, comparison, percent) for claim in comparison.claims)
    level = 2 * comparison.confidence - 1
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="lot", caption="lot", kind=ColumnKind.TEXT),
        Column(key="percent", caption="percent of the reference lot", kind=ColumnKind.PERCENT),
        Column(key="lower", caption=f"lower, {level_text(level)}", kind=ColumnKind.PERCENT),
        Column(key="upper", caption=f"upper, {level_text(level)}", kind=ColumnKind.PERCENT),
        Column(key="mean_within", caption=f"mean within {percent:g} %", kind=ColumnKind.TEXT),
        Column(key="shown", caption=f"shown at {level_text(comparison.confidence)}", kind=ColumnKind.TEXT),
    )
    rule = (
        f"UN Regulation 90 allows a replacement lining {R90_PERCENT:g} % to either side of the original one, on "
        "decelerations at equal pressure. The same comparison is made here on the sections of this study. It is a "
        "comparison, not an approval, and says nothing about the other requirements of the regulation."
    )
    return Table(
        key="percentage",
        caption=f"Percentage comparison with the reference lot, within {percent:g} %",
        columns=columns,
        rows=rows,
        remarks=(rule, "Each line is an individual claim, from the wider of the two views of the scatter."),
    )


def _row(claim: Claim, comparison: LevelComparison, percent: float) -> tuple[Value, ...]:
    start = (claim.section.name, str(claim.pair.a))
    if claim.trouble is not None:
        return (*start, None, None, None, "not compared", "undecided")
    value, lower, upper = _ratio(claim, comparison)
    low, high = 1 - percent / 100, 1 + percent / 100
    shown = (
        "inside"
        if low < lower and upper < high
        else "outside"
        if upper < low or lower > high
        else "undecided"
    )
    if claim.pair.confounded:
        shown = "undecided, mixed with another effect"
    ends = [100 * end if math.isfinite(end) else None for end in (lower, upper)]
    return (*start, 100 * value, *ends, "yes" if low <= value <= high else "no", shown)


def _ratio(claim: Claim, comparison: LevelComparison) -> tuple[float, float, float]:
    """Ratio of the means with its interval; on logarithms it is the exponential of their difference."""
    logarithmic = comparison.analysis is Analysis.RATIO
    any_ratio = Bounds(low=0.0, high=math.inf, of_ratio=not logarithmic)
    low, high = (float(v[0]) for v in limits_over(claim.views, any_ratio, 2 * comparison.confidence - 1))
    if logarithmic:
        return math.exp(claim.mean_a - claim.mean_b), math.exp(low), math.exp(high)
    return claim.mean_a / claim.mean_b, low, high
