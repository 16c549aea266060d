"""Tables and figures of the offsets over the months.

In: the series of offsets and what the history holds.  Out: tables and figures as data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from repeatab.base.quantity import Quantity
from repeatab.jobs.correlation.offset_trend import Series
from repeatab.jobs.correlation.past_offsets import PastCorrection, PastOffsets
from repeatab.jobs.levels.tables import PERCENT, finite
from repeatab.jobs.wording import enumerated
from repeatab.outcome.figures import Figure, OffsetHistory, OffsetMonth, OffsetSeries
from repeatab.outcome.tables import Column, ColumnKind, Table, Value


def history_table(shown: Sequence[Series]) -> Table:
    """The offsets of every month, section by section."""
    rows: list[tuple[Value, ...]] = [
        (
            one.claim.section.name, one.claim.pair.name, month.as_of, month.offset, month.lower, month.upper,
            month.unit, month.verdict, "this check" if month.record == 0 else f"record {month.record}",
        )
        for one in shown
        for month in one.months
    ]  # fmt: skip
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="pair", caption="compared", kind=ColumnKind.TEXT),
        Column(key="as_of", caption="as of", kind=ColumnKind.DATE),
        Column(key="offset", caption="offset", kind=ColumnKind.RESULT),
        Column(key="lower", caption="lower", kind=ColumnKind.RESULT),
        Column(key="upper", caption="upper", kind=ColumnKind.RESULT),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="verdict", caption="verdict then", kind=ColumnKind.TEXT),
        Column(key="source", caption="from", kind=ColumnKind.TEXT),
    )
    return Table(
        key="offset_history",
        caption="Offsets of the months before beside this month's",
        columns=columns,
        rows=tuple(rows),
        remarks=(
            "Each month with its own interval for the equivalence claim, at the confidence of that study.",
        ),
    )


def trend_table(shown: Sequence[Series], confidence: float) -> Table:
    """The slope of every section with its adjusted interval."""
    rows: list[tuple[Value, ...]] = []
    for one in shown:
        start = (one.claim.section.name, one.claim.pair.name, len(one.months))
        trend = one.trend
        if trend is None:
            rows.append((*start, None, None, None, None, one.unit, "too few months"))
            continue
        limits = finite(trend.interval.lower), finite(trend.interval.upper)
        words = "trend" if one.moved else "no trend shown"
        rows.append((*start, trend.slope, *limits, trend.p_value, one.unit, words))
    columns = (
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="pair", caption="compared", kind=ColumnKind.TEXT),
        Column(key="months", caption="months", kind=ColumnKind.COUNT),
        Column(key="slope", caption="change of the offset a year", kind=ColumnKind.RESULT),
        Column(key="lower", caption=f"lower, {confidence:.0%} adjusted", kind=ColumnKind.RESULT),
        Column(key="upper", caption=f"upper, {confidence:.0%} adjusted", kind=ColumnKind.RESULT),
        Column(key="p", caption="p, no trend", kind=ColumnKind.PROBABILITY),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="words", caption="answer", kind=ColumnKind.TEXT),
    )
    remark = (
        "Straight line through the monthly offsets, each month one point; adjusted over all sections tested. It "
        "informs and does not change the verdict."
    )
    return Table(
        key="offset_trend",
        caption="Do the offsets move over the months?",
        columns=columns,
        rows=tuple(rows),
        remarks=(remark,),
    )


def corrections_table(past: PastOffsets) -> Table:
    """The corrections that the ledger holds and whether they still stand."""
    columns = (
        Column(key="record", caption="record", kind=ColumnKind.COUNT),
        Column(key="pair", caption="corrected", kind=ColumnKind.TEXT),
        Column(key="section", caption="section", kind=ColumnKind.TEXT),
        Column(key="form", caption="form", kind=ColumnKind.TEXT),
        Column(key="value", caption="value", kind=ColumnKind.RESULT),
        Column(key="uncertainty", caption="standard uncertainty", kind=ColumnKind.RESULT),
        Column(key="unit", caption="in", kind=ColumnKind.TEXT),
        Column(key="valid_from", caption="valid from", kind=ColumnKind.DATE),
        Column(key="expires", caption="expires", kind=ColumnKind.DATE),
        Column(key="state", caption=f"on {past.as_of}", kind=ColumnKind.TEXT),
    )
    rows = tuple(
        (
            one.record, one.pair, one.section, one.form, one.value, one.uncertainty,
            one.unit if one.form == "offset" else "", one.valid_from, one.expires, _state(one, past.as_of),
        )
        for one in past.corrections
    )  # fmt: skip
    return Table(
        key="corrections_in_ledger", caption="Corrections that the ledger holds", columns=columns, rows=rows
    )


def _state(one: PastCorrection, as_of: str) -> str:
    if one.expires < as_of:
        return "expired"
    return "in use" if one.valid_from <= as_of else "not yet in use"


def events_table(past: PastOffsets) -> Table:
    """What happened to the rigs meanwhile."""
    columns = (
        Column(key="day", caption="day", kind=ColumnKind.DATE),
        Column(key="rig", caption="rig", kind=ColumnKind.TEXT),
        Column(key="kind", caption="kind", kind=ColumnKind.TEXT),
        Column(key="text", caption="what happened", kind=ColumnKind.TEXT),
    )
    rows = tuple((event.day, event.rig or "all rigs", event.kind, event.text) for event in past.events)
    return Table(key="events", caption="What happened to these rigs meanwhile", columns=columns, rows=rows)


def history_figures(shown: Sequence[Series], past: PastOffsets, quantity: Quantity) -> tuple[Figure, ...]:
    """One figure per pair and unit."""
    grouped: dict[tuple[str, str], list[Series]] = {}
    for one in shown:
        grouped.setdefault((one.claim.pair.name, one.unit), []).append(one)
    return tuple(
        OffsetHistory(
            key="offset_history" if len(grouped) == 1 else f"offset_history_{i}",
            title=f"How has the offset of {pair} moved over the months?",
            reading=_reading(group),
            unit=unit or quantity.symbol,
            series=tuple(_figure_series(one) for one in group),
            events=tuple((event.day, event.kind) for event in past.events),
        )
        for i, ((pair, unit), group) in enumerate(grouped.items(), start=1)
    )


def _reading(group: Sequence[Series]) -> str:
    moved = [one.claim.section.name for one in group if one.moved]
    last = "the last point is this check"
    if moved:
        return f"The offset moves over the months in {enumerated(moved)}; {last}."
    return f"No section shows a trend over the months; {last}."


def _figure_series(one: Series) -> OffsetSeries:
    low = high = None
    if one.claim.bounds is not None:
        bounds = one.claim.bounds
        low, high = bounds.low, bounds.high
        if one.unit == PERCENT:
            # Percent margins bound a ratio, or (in a ratio analysis) its logarithm.
            scale = (lambda v: 100 * (v - 1)) if bounds.of_ratio else (lambda v: 100 * (math.exp(v) - 1))
            low, high = scale(low), scale(high)
    months = tuple(
        OffsetMonth(day=month.as_of, value=month.offset, lower=month.lower, upper=month.upper)
        for month in one.months
    )
    return OffsetSeries(label=one.claim.section.name, months=months, margin_low=low, margin_high=high)
