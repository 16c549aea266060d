"""This month's offsets beside those of the months before, and whether they have moved.

In: the comparison of this month and PastOffsets.  Out: tables, a figure, sentences and notes for the Outcome.
The trend informs and never changes the verdict, which rests on this month's runs alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repeatab.base.notes import Note, NoteKind
from repeatab.base.quantity import Quantity
from repeatab.jobs.correlation.offset_history_tables import (
    corrections_table,
    events_table,
    history_figures,
    history_table,
    trend_table,
)
from repeatab.jobs.correlation.offset_trend import Series, series_name, series_of
from repeatab.jobs.correlation.past_offsets import PastCorrection, PastOffsets
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.tables import PERCENT, shown_as
from repeatab.jobs.wording import enumerated, p_value, percent, plural, result
from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import MethodNote, Outcome
from repeatab.outcome.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetPast:
    """What the history adds to the Outcome of a correlation check."""

    tables: tuple[Table, ...]
    figures: tuple[Figure, ...]
    evidence: tuple[str, ...]
    notes: tuple[Note, ...]
    methods: tuple[MethodNote, ...]
    numbers: tuple[tuple[str, float | None], ...]


def offset_past(comparison: LevelComparison, past: PastOffsets, quantity: Quantity) -> OffsetPast:
    """Set this month beside the months before, test each section for a trend, and look at the corrections."""
    series = series_of(comparison, past, quantity)
    shown = [one for one in series if len(one.months) > 1]
    tables = [history_table(shown), trend_table(shown, comparison.confidence)] if shown else []
    if past.corrections:
        tables.append(corrections_table(past))
    if shown and past.events:
        tables.append(events_table(past))
    return OffsetPast(
        tables=tuple(tables),
        figures=history_figures(shown, past, quantity),
        evidence=(*_trend_sentences(shown, past), *_expired(past)),
        notes=(*_in_use(past), *_other_units(comparison, past, quantity)),
        methods=_methods(shown),
        numbers=_numbers(shown),
    )


def with_past(outcome: Outcome, past: OffsetPast) -> Outcome:
    """The outcome of this month with what the history adds to it; the verdict stays."""
    return replace(
        outcome,
        evidence=(*outcome.evidence, *past.evidence),
        tables=(*outcome.tables, *past.tables),
        figures=(*outcome.figures, *past.figures),
        notes=(*outcome.notes, *past.notes),
        methods=(*outcome.methods, *past.methods),
        numbers=(*outcome.numbers, *past.numbers),
    )


def _size(value: float, unit: str, *, sign: bool = True) -> str:
    return percent(value, sign=sign) if unit == PERCENT else result(value, sign=sign)


def _trend_sentences(shown: Sequence[Series], past: PastOffsets) -> list[str]:
    if not shown:
        return ["The ledger holds no earlier check of these rigs and sections in the same unit."]
    first = min(one.months[0].as_of for one in shown)
    most = max(len(one.months) for one in shown)
    start = f"Beside {plural(most - 1, 'earlier check')} since {first}:"
    tested = [one for one in shown if one.trend is not None]
    if not tested:
        return [f"{start} too few months for a test of trend (three are needed)."]
    moved = [one for one in tested if one.moved]
    if not moved:
        return [
            f"{start} no section shows a trend of its offset over the months ({plural(len(tested), 'section')} tested, "
            "adjusted for that); with few months only a strong trend can show."
        ]
    sentences = []
    for one in moved:
        assert one.trend is not None
        between = [event for event in past.events if one.months[0].as_of <= event.day <= past.as_of]
        also = f" In this time: {'; '.join(str(event) for event in between[:3])}." if between else ""
        sentences.append(
            f"{start} the offset in {series_name(one, shown)} moves by {_size(one.trend.slope, one.unit)} a year "
            f"({p_value(one.trend.p_value)}, {len(one.months)} months).{also}"
        )
    return sentences


def _expired(past: PastOffsets) -> list[str]:
    return [
        f"The correction of {one.pair} in {one.section} (record {one.record}: {one.form} {_value(one)}) expired on "
        f"{one.expires} and no longer holds on {past.as_of}. Renew it from this check, or withdraw it."
        for one in past.corrections
        if one.expires < past.as_of
    ]


def _in_use(past: PastOffsets) -> list[Note]:
    current = [one for one in past.corrections if one.valid_from <= past.as_of <= one.expires]
    return [
        Note(
            kind=NoteKind.CONDITION,
            sources=(one.section,),
            text=f"A correction of {one.pair} is in use in {one.section} (record {one.record}: {one.form} "
            f"{_value(one)}, until {one.expires}).",
            remedy="The offset above is of the results as they were read: say in the study whether they were "
            "corrected already.",
        )
        for one in current
    ]


def _value(one: PastCorrection) -> str:
    if one.form == "gain":
        return f"{one.value:.4f}, standard uncertainty {one.uncertainty:.4f}"
    return (
        f"{_size(one.value, one.unit)}, standard uncertainty {_size(one.uncertainty, one.unit, sign=False)}"
    )


def _other_units(comparison: LevelComparison, past: PastOffsets, quantity: Quantity) -> list[Note]:
    units = {
        (claim.pair.name, claim.section.name): shown_as(claim, comparison.analysis, quantity).unit
        or quantity.symbol
        for claim in comparison.compared
    }
    left_out = [
        month for month in past.offsets if units.get((month.pair, month.section), month.unit) != month.unit
    ]
    if not left_out:
        return []
    sections = list(dict.fromkeys(month.section for month in left_out))
    return [
        Note(
            kind=NoteKind.INPUT,
            sources=tuple(sections),
            text=f"Earlier offsets in another unit are not set beside this month's: {enumerated(sections)} "
            f"({plural(len(left_out), 'offset')}).",
            remedy="State the margin in the same way as before to compare the months.",
        )
    ]


def _methods(shown: Sequence[Series]) -> tuple[MethodNote, ...]:
    if not any(one.trend is not None for one in shown):
        return ()
    return (
        MethodNote(
            quantity="trend of the offsets",
            method="least-squares line through the monthly offsets with Student's t, months weighted alike; claims and "
            "intervals adjusted over the sections by Holm's steps",
            source="Draper & Smith (1998), Applied Regression Analysis, ch. 1; Holm (1979), Scand. J. Statist. 6, "
            "65-70",
        ),
    )


def _numbers(shown: Sequence[Series]) -> tuple[tuple[str, float | None], ...]:
    found: list[tuple[str, float | None]] = []
    for one in shown:
        if one.trend is None:
            continue
        name = series_name(one, shown)
        found += [(f"{name}: trend a year", one.trend.slope), (f"{name}: trend p", one.trend.p_value)]
    return tuple(found)
