"""Values that a ledger hands to the jobs: past offsets, corrections, events, limits, components. Jobs see only these.

In: a ledger, and the day of the study.  Out: frozen values from the records that are neither superseded nor
withdrawn.
Old outcomes are read from their JSON by the keys of their tables, so that a field added later does not shut them out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from repeatab.intake.events import Event
from repeatab.jobs.charts.past_corrections import RecordedStep, RecordedWear, ToldBy
from repeatab.jobs.charts.question import BaseOfLimits, ControlChart, Plotted, StatedLimits
from repeatab.jobs.correlation.past_offsets import PastCorrection, PastOffset, PastOffsets
from repeatab.jobs.questions import Analysis
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.records import Correction, CorrectionForm, Kind, Record
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import HISTORY


@dataclass(frozen=True, slots=True, kw_only=True)
class PastComponent:
    """A standard deviation that a gauge study found, for planning: source ("repeatability", "rig", …) in a section.

    lower, upper : its interval where the study gave one. unit of the result.
    """

    section: str
    source: str
    sd: float
    lower: float | None
    upper: float | None
    as_of: str | None
    record: int


def past_offsets(ledger: Ledger, *, as_of: str, pairs: Sequence[str] = ()) -> PastOffsets:
    """What correlation checks before the day `as_of` found, and the corrections and events up to that day.

    pairs : "R2 against R1" and so on; all if none is named.
    """
    offsets = [
        offset
        for record in ledger.records(kinds=[Kind.OUTCOME], topic="correlation_check", current=True)
        if record.as_of is not None and record.as_of < as_of
        if not pairs or any(pair in record.subject for pair in pairs)
        for offset in _offsets_of(ledger, record)
        if not pairs or offset.pair in pairs
    ]
    corrections = [one for one in _corrections(ledger) if not pairs or one.pair in pairs]
    first = min((offset.as_of for offset in offsets), default=as_of)
    rigs = {rig for pair in pairs for rig in pair.split(" against ")}
    events = [
        event
        for event in events_of(ledger, since=first, until=as_of)
        if not rigs or event.rig is None or event.rig in rigs
    ]
    return PastOffsets(
        as_of=as_of, offsets=tuple(offsets), corrections=tuple(corrections), events=tuple(events)
    )


def _offsets_of(ledger: Ledger, record: Record) -> Iterator[PastOffset]:
    content = ledger.body(record)["content"]
    for row in table_rows(content, "offsets"):
        if row.get("offset") is None:
            continue
        yield PastOffset(
            as_of=str(record.as_of),
            pair=str(row.get("pair") or content["headline"]["subject"]),
            section=str(row["section"]),
            offset=float(row["offset"]),
            lower=row.get("inner_lower"),
            upper=row.get("inner_upper"),
            unit=str(row.get("unit") or ""),
            verdict=str(row.get("verdict") or ""),
            record=record.number,
        )


def table_rows(content: dict[str, Any], key: str) -> Iterator[dict[str, Any]]:
    """The rows of a table of an outcome's JSON, by the keys of its columns."""
    for table in content.get("tables", ()):
        if table["key"] == key:
            names = [column["key"] for column in table["columns"]]
            for row in table["rows"]:
                yield dict(zip(names, row, strict=True))


def _corrections(ledger: Ledger) -> Iterator[PastCorrection]:
    for record in ledger.records(kinds=[Kind.CORRECTION], current=True):
        one = correction_in(ledger, record)
        yield PastCorrection(
            pair=f"{one.rig} against {one.reference_rig}", section=one.section, form=one.form.value, value=one.value,
            uncertainty=one.uncertainty, unit=one.unit, valid_from=one.valid_from, expires=one.expires,
            record=record.number,
        )  # fmt: skip


def correction_in(ledger: Ledger, record: Record) -> Correction:
    """The correction that a record holds."""
    content = ledger.body(record)["content"]
    try:
        return Correction(**{**content, "form": CorrectionForm(content["form"])})
    except (TypeError, KeyError, ValueError):
        raise LedgerError.not_readable(ledger.address.shown, record.number) from None


def events_of(ledger: Ledger, *, since: str | None = None, until: str | None = None) -> tuple[Event, ...]:
    """The events of a time, in the order of their days."""
    return tuple(
        event
        for _, event in events_with_records(ledger)
        if (since is None or event.day >= since) and (until is None or event.day <= until)
    )


def events_with_records(ledger: Ledger) -> tuple[tuple[int, Event], ...]:
    """Every event with the number of its record, in the order of their days."""
    found = []
    for record in ledger.records(kinds=[Kind.EVENT], current=True):
        content = ledger.body(record)["content"]
        event = Event(**{name: content[name] for name in ("day", "kind", "text", "rig")})
        found.append((record.number, event))
    return tuple(sorted(found, key=lambda pair: pair[1].day))


def stated_limits(ledger: Ledger, *, as_of: str | None = None) -> tuple[StatedLimits, ...]:
    """The limits in force on the day `as_of` (the latest if not said), in the order in which they were frozen.

    One per rig, section, reference and quantity; of recorded ones also per beginning of their base period, since limits
    start anew after a restart.
    """
    latest: dict[tuple[Any, ...], tuple[str, StatedLimits]] = {}
    for record, limits in limits_with_records(ledger):
        day, key = str(record.as_of), limits_key(limits)
        if (as_of is None or day <= as_of) and (key not in latest or latest[key][0] <= day):
            latest.pop(key, None)
            latest[key] = (day, limits)
    return tuple(limits for _, limits in sorted(latest.values(), key=lambda pair: pair[0]))


def limits_for(
    ledger: Ledger, question: ControlChart, *, quantity: str, before: str
) -> tuple[StatedLimits, ...]:
    """The recorded limits that a control study of this quantity judges by: frozen before the day `before`.

    Those of another analysis, another form of points or another section or rig than the study asks for take no part.
    """
    sections = {one.name for one in question.sections}
    return tuple(
        one
        for one in stated_limits(ledger, as_of=_day_before(before))
        if one.rests_on is not None
        and (one.rests_on.quantity, one.rests_on.analysis) == (quantity, question.analysis)
        and question.plotted in (None, one.rests_on.form)
        and one.section in sections
        and (not question.rigs or one.rig in question.rigs)
    )


def _day_before(day: str) -> str:
    return (date.fromisoformat(day) - timedelta(days=1)).isoformat()


def limits_key(limits: StatedLimits) -> tuple[Any, ...]:
    """What tells limits apart: later ones with the same key take their place."""
    rests_on = limits.rests_on
    base = () if rests_on is None else (rests_on.first, rests_on.quantity, rests_on.analysis)
    return limits.rig, limits.section, limits.reference, *base


def limits_with_records(ledger: Ledger) -> tuple[tuple[Record, StatedLimits], ...]:
    """Every frozen limit with its record, in the order in which they were recorded."""
    records = ledger.records(kinds=[Kind.LIMITS], current=True)
    return tuple((record, _limits_in(ledger, record)) for record in records)


def _limits_in(ledger: Ledger, record: Record) -> StatedLimits:
    content = dict(ledger.body(record)["content"])
    try:
        rests_on = content.pop("rests_on", None)
        if rests_on is None:
            return StatedLimits(**content)
        base = BaseOfLimits(
            **{
                **rests_on, "form": Plotted(rests_on["form"]), "analysis": Analysis(rests_on["analysis"]),
                "left_out": tuple(rests_on["left_out"]), "wear": _wear_in(rests_on.get("wear")),
                "steps": tuple(RecordedStep(**step) for step in rests_on.get("steps", ())),
                "noted": f"as recorded on {record.as_of} (record {record.number})",
            }
        )  # fmt: skip
        return StatedLimits(**content, rests_on=base)
    except (TypeError, KeyError, ValueError):
        raise LedgerError.not_readable(ledger.address.shown, record.number) from None


def _wear_in(content: dict[str, Any] | None) -> RecordedWear | None:
    return None if content is None else RecordedWear(**{**content, "told_by": ToldBy(content["told_by"])})


def past_components(
    ledger: Ledger, *, as_of: str | None = None, sections: Sequence[str] = ()
) -> tuple[PastComponent, ...]:
    """The latest standard deviations that gauge studies found, per section and source, for planning.

    Taken from the key figures "section: source_sd" of each outcome, with their limits where there are any.
    """
    latest: dict[tuple[str, str], PastComponent] = {}
    for record in ledger.records(kinds=[Kind.OUTCOME], topic="gauge_study", current=True):
        if as_of is not None and record.as_of is not None and record.as_of > as_of:
            continue
        for one in _components_of(ledger, record):
            key = (one.section, one.source)
            if (not sections or one.section in sections) and _is_later(one, latest.get(key)):
                latest[key] = one
    return tuple(latest.values())


def _components_of(ledger: Ledger, record: Record) -> Iterator[PastComponent]:
    numbers: dict[str, float | None] = ledger.body(record)["content"].get("numbers", {})
    for name, value in numbers.items():
        section, mark, key = name.rpartition(": ")
        if mark and key.endswith("_sd") and value is not None:
            yield PastComponent(
                section=section, source=key.removesuffix("_sd"), sd=value, lower=numbers.get(f"{name}_lower"),
                upper=numbers.get(f"{name}_upper"), as_of=record.as_of, record=record.number,
            )  # fmt: skip


def _is_later(one: PastComponent, known: PastComponent | None) -> bool:
    return known is None or (one.as_of or "") >= (known.as_of or "")


def fingerprint_of(ledger: Ledger, numbers: Iterable[int]) -> tuple[tuple[str, str], ...]:
    """Settings that say on which records a study drew: their numbers, and one SHA-256 over their hashes."""
    drawn_on = sorted(set(numbers))
    if not drawn_on:
        return ((HISTORY, "none"),)
    hashes = [ledger.record(number).hash for number in drawn_on]
    digest = hashlib.sha256("".join(hashes).encode("ascii")).hexdigest()
    return ((HISTORY, ", ".join(map(str, drawn_on))), ("history sha256", digest))
