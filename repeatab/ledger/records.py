"""Records: what can stand in a ledger, as frozen values.

In: what a laboratory found, decided or did.  Out: an Entry to append; a Record as it stands in the ledger.
Not here: the database (store.py), hashing (chain.py).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from enum import Enum
from typing import Any, NamedTuple

from repeatab.base.errors import InputError
from repeatab.intake.events import Event
from repeatab.jobs.charts.question import StatedLimits
from repeatab.outcome.outcome import InputFile, Outcome
from repeatab.outcome.serialise import to_jsonable

_LARGEST = 1e100


class Kind(Enum):
    """What a record holds; the value is what is stored and shown."""

    OUTCOME = "outcome"
    REFERENCE = "reference results"
    LIMITS = "limits"
    EVENT = "event"
    CORRECTION = "correction"
    WITHDRAWAL = "withdrawal"


class CorrectionForm(Enum):
    """How a correction is applied: subtracted from the result, or the result divided by it."""

    OFFSET = "offset"
    GAIN = "gain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """Who recorded something, and when (ISO 8601 with the offset from UTC)."""

    by: str
    at: str

    def __post_init__(self) -> None:
        if not self.by.strip():
            raise InputError("by: found nothing, expected the name of the person who records this.")
        try:
            aware = datetime.fromisoformat(self.at).tzinfo is not None
        except ValueError:
            aware = False
        if not aware:
            raise InputError(
                f"at: found '{self.at}', expected a time with its offset from UTC, such as 2026-03-31T14:05:00+00:00."
            )

    @classmethod
    def now(cls, by: str | None = None) -> Stamp:
        """The clock of this machine, and the name of its user unless `by` is given."""
        import getpass

        return cls(by=by or getpass.getuser(), at=datetime.now(UTC).isoformat(timespec="seconds"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A correction in use: results of `rig` brought to the level of `reference_rig` in one section.

    value : the offset that is subtracted, or the gain by which results are divided. uncertainty : its standard
    uncertainty, same unit. valid_from, expires : first and last day on which it holds.
    """

    rig: str
    reference_rig: str
    section: str
    form: CorrectionForm
    value: float
    uncertainty: float
    valid_from: str
    expires: str
    unit: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        check_day("valid_from", self.valid_from)
        check_day("expires", self.expires)
        if self.expires < self.valid_from:
            raise InputError(f"expires: found {self.expires}, which is before valid_from {self.valid_from}.")
        check_finite("value", self.value)
        check_finite("uncertainty", self.uncertainty)
        if self.uncertainty < 0 or (self.form is CorrectionForm.GAIN and self.value <= 0):
            raise InputError(
                f"correction: found value {self.value:g} and uncertainty {self.uncertainty:g}, expected an "
                "uncertainty of zero or more, and a gain above zero."
            )


class ReferenceRow(NamedTuple):
    """One run result on reference pads. day, reference (the lot or set line), pad_set, run may be unknown (None)."""

    rig: str
    section: str
    visit: str
    value: float
    day: str | None = None
    reference: str | None = None
    pad_set: str | None = None
    run: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceResults:
    """A batch of reference results of one quantity; it is recorded, superseded and withdrawn as a whole."""

    quantity: str
    rows: tuple[ReferenceRow, ...]

    def __post_init__(self) -> None:
        if not self.rows:
            raise InputError("reference results: found none, expected at least one.")
        for place, row in enumerate(self.rows, start=1):
            if not abs(row.value) <= _LARGEST:
                raise InputError(
                    f"reference results, result {place}: found {row.value}, expected a finite number (and one whose "
                    "square is finite too)."
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What is to be appended.

    topic : the job, the kind of event, the section or the quantity. subject : the rigs, sections or things
    concerned, in words. as_of : the day it stands for. content : plain JSON values. supersedes : the number of the
    record it takes the place of.
    """

    kind: Kind
    topic: str
    subject: str
    content: dict[str, Any]
    as_of: str | None = None
    inputs: tuple[InputFile, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    supersedes: int | None = None
    reference: ReferenceResults | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record as it stands in the ledger. superseded_by : the number of the record that took its place, if any."""

    number: int
    kind: Kind
    topic: str
    subject: str
    as_of: str | None
    by: str
    at: str
    program: str
    body: str
    supersedes: int | None
    previous: str
    hash: str
    superseded_by: int | None = None

    def __str__(self) -> str:
        day = f", as of {self.as_of}" if self.as_of else ""
        gone = "" if self.superseded_by is None else f" (superseded by {self.superseded_by})"
        return (
            f"{self.number}  {self.kind.value}: {self.topic.replace('_', ' ')}, {self.subject}{day}; "
            f"recorded {self.at} by {self.by}{gone}"
        )


def of_outcome(outcome: Outcome, *, supersedes: int | None = None) -> Entry:
    """The entry of a study's outcome, whole as result.json holds it."""
    made = outcome.provenance
    return Entry(
        kind=Kind.OUTCOME,
        topic=outcome.job,
        subject=outcome.headline.subject,
        as_of=made.as_of,
        content=to_jsonable(outcome),
        inputs=made.inputs,
        settings=made.settings,
        supersedes=supersedes,
    )


def of_event(event: Event, *, inputs: tuple[InputFile, ...] = (), supersedes: int | None = None) -> Entry:
    """The entry of an event.

    Raises
    ------
    InputError
        The day is no calendar day, or the kind is empty.
    """
    check_day("day", event.day)
    if not event.kind.strip():
        raise InputError("kind: found nothing, expected what kind of event it was, such as relocation.")
    return Entry(
        kind=Kind.EVENT, topic=event.kind, subject=event.rig or "all rigs", as_of=event.day, content=asdict(event),
        inputs=inputs, supersedes=supersedes,
    )  # fmt: skip


def of_correction(
    correction: Correction, *, inputs: tuple[InputFile, ...] = (), supersedes: int | None = None
) -> Entry:
    """The entry of a correction that comes into use."""
    content = {**asdict(correction), "form": correction.form.value}
    return Entry(
        kind=Kind.CORRECTION, topic=correction.section,
        subject=f"{correction.rig} against {correction.reference_rig}", as_of=correction.valid_from, content=content,
        inputs=inputs, supersedes=supersedes,
    )  # fmt: skip


def of_limits(
    limits: StatedLimits, *, as_of: str, inputs: tuple[InputFile, ...] = (), supersedes: int | None = None
) -> Entry:
    """The entry of limits that are frozen from the day `as_of` on."""
    check_day("as_of", as_of)
    reference = f", {limits.reference}" if limits.reference else ""
    content = asdict(limits)
    if limits.rests_on is not None:
        base = {name: value for name, value in content["rests_on"].items() if name != "noted"}
        content["rests_on"] = {
            **base, "form": limits.rests_on.form.value, "analysis": limits.rests_on.analysis.value,
            "left_out": list(limits.rests_on.left_out), "steps": list(base["steps"]),
        }  # fmt: skip
        if limits.rests_on.wear is not None:
            content["rests_on"]["wear"] = {**base["wear"], "told_by": limits.rests_on.wear.told_by.value}
    return Entry(
        kind=Kind.LIMITS, topic=limits.section, subject=f"{limits.rig}{reference}", as_of=as_of, content=content,
        inputs=inputs, supersedes=supersedes,
    )  # fmt: skip


def of_reference(
    results: ReferenceResults,
    *,
    inputs: tuple[InputFile, ...] = (),
    settings: tuple[tuple[str, str], ...] = (),
    supersedes: int | None = None,
) -> Entry:
    """The entry of a batch of reference results; its rows go into a table of their own."""
    rigs = sorted({row.rig for row in results.rows})
    days = [row.day for row in results.rows if row.day is not None]
    return Entry(
        kind=Kind.REFERENCE, topic=results.quantity, subject=", ".join(rigs), as_of=max(days, default=None),
        content={"quantity": results.quantity}, inputs=inputs, settings=settings, supersedes=supersedes,
        reference=results,
    )  # fmt: skip


def of_withdrawal(record: Record, *, reason: str) -> Entry:
    """The entry that withdraws a record without putting anything in its place."""
    if not reason.strip():
        raise InputError("reason: found nothing, expected why the record is withdrawn.")
    return Entry(
        kind=Kind.WITHDRAWAL, topic=record.kind.value, subject=f"record {record.number}", supersedes=record.number,
        content={"reason": reason},
    )  # fmt: skip


def check_day(name: str, value: str) -> None:
    """Refuse what is not a calendar day written as year-month-day.

    Raises
    ------
    InputError
    """
    try:
        whole = date.fromisoformat(value).isoformat() == value
    except (TypeError, ValueError):
        whole = False
    if not whole:
        raise InputError(f"{name}: found '{value}', expected a day such as 2026-03-31 (year-month-day).")


def check_finite(name: str, value: float) -> None:
    """Refuse a number that is not finite.

    Raises
    ------
    InputError
    """
    if not math.isfinite(value):
        raise InputError(f"{name}: found {value}, expected a finite number.")
