"""Tables of run lengths: how often a chart gives a false alarm, and what limits from few base visits cost.

In: run lengths and effects of estimated limits.  Out: Table values.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.jobs.charts.columns import COUNT, NUMBER, PERCENT, TEXT, column
from repeatab.jobs.charts.lengths import ChartLength, ChartLengths, LimitEffect
from repeatab.outcome.tables import Table, Value


def lengths_table(lengths: ChartLengths) -> Table:
    """Run lengths of every chart: in control and after shifts."""
    dated = lengths.visits_per_month is not None
    rows: list[tuple[Value, ...]] = []
    for one in lengths.charts:
        months = lengths.months(one.in_control)
        rows.append((_chart_words(one), *map(_short, (one.in_control, months, *one.shifted))))
    columns = (
        column("chart", "chart", TEXT),
        column("in_control", "visits to a false alarm", NUMBER),
        column("months", "months to a false alarm", NUMBER),
        *(column(f"shift_{s:g}", f"visits to find {s:g} SD", NUMBER) for s in lengths.shifts),
    )
    remark = (
        f"Months at {lengths.visits_per_month:.3g} visits a month, from the dates."
        if dated
        else "No dates, no months."
    )
    own = [one for one in lengths.charts if one.residuals is not None]
    more = f" {lengths.more_residuals} further such series are not shown." if lengths.more_residuals else ""
    return Table(
        key="run_lengths",
        caption="How often each chart gives a false alarm and how soon it finds a shift, on average",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            remark,
            "Computed for independent normal points, limits taken as known, the shift there from the first point on. "
            "For sections together the shift is a distance in the metric of their covariance.",
            *((_OF_RESIDUALS + more,) if own else ()),
        ),
    )


_OF_RESIDUALS = (
    "Of residuals: the shift is in standard deviations of the results; it shows in full in the first residual and then "
    "as one less the carry-over of it. The model is taken as known."
)


def _chart_words(one: ChartLength) -> str:
    if one.residuals is None:
        return one.words
    return f"{one.words}, residuals of {one.residuals} (carry-over {one.residuals.carry:.2f})"


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
        column("base", "base visits", COUNT), column("linked", "linked", TEXT),
        column("as_good_as", "as good as", COUNT), column("series", "series", COUNT),
        column("kind", "limits", TEXT), column("factor", "distance in estimated SD", NUMBER),
        column("plain", f"false alarms at {nominal:g} SD", PERCENT), column("chart", "chart", TEXT),
        column("known", "run length, known limits", COUNT),
        column("typical", "typical run length", COUNT), column("worst", "one chart in ten below", COUNT),
        column("median", "half have signalled after", COUNT),
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
