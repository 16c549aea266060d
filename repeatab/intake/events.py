"""Events: what happened to the rigs and to the reference, and when.

In: an event file (or its rows).  Out: Event values, in the order of their dates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from repeatab.base.errors import InputError, short
from repeatab.base.files import fingerprint
from repeatab.intake.csv_files import read_text_table
from repeatab.intake.options import ReadOptions
from repeatab.intake.raw import RawTable
from repeatab.intake.sources import FileKind, SourceFile, find_files
from repeatab.intake.workbook_files import read_workbook
from repeatab.outcome.outcome import InputFile

if TYPE_CHECKING:
    import pandas as pd

EVENT_COLUMNS = ("date", "rig", "kind", "event")
EVERY_RIG = ("", "all", "every rig")
"""What stands in the rig column of an event that concerns all rigs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What happened on a day: to one rig, or to all (`rig` None); `day` is an ISO date."""

    day: str
    kind: str
    text: str = ""
    rig: str | None = None

    def concerns(self, rig: str) -> bool:
        """Whether the event is this rig's or everybody's."""
        return self.rig is None or self.rig == rig

    def __str__(self) -> str:
        where = "all rigs" if self.rig is None else self.rig
        return f"{self.day}, {where}: {self.kind}{f' ({self.text})' if self.text else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSource:
    """An event file as a study names it, and which column holds what where it is called otherwise."""

    file: str
    columns: Mapping[str, str]


def read_events(
    source: str | Path, *, columns: Mapping[str, str] | None = None, relative_to: Path | None = None
) -> tuple[tuple[Event, ...], InputFile]:
    """Read an event file: a text table or workbook with columns for date, rig, kind and event.

    Parameters
    ----------
    columns : date, rig, kind, event -> column of the file, where it is called otherwise. Only the date and the kind
        are needed; without a rig (or with "all") an event concerns every rig.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a date cannot be read; the message names file and row.
    """
    names = {name: name for name in EVENT_COLUMNS} | dict(columns or {})
    file = find_files(source, relative_to=relative_to)[0]
    try:
        raw = _raw(file, tuple(names.values()))
    except OSError as error:
        raise InputError(f"{file.name}: cannot be read ({error.strerror}). Correct the path.") from None
    present = list(raw.table.column_names)
    for role in ("date", "kind"):
        if names[role] not in present:
            raise InputError.no_such_column(file=file.name, column=names[role], role=role, present=present)
    table = raw.table.select([name for name in names.values() if name in present]).to_pandas()
    table = table.rename(columns={column: role for role, column in names.items()})
    rows = [int(row) for row in raw.row_numbers]
    return events_of(table, file=file.name, rows=rows), InputFile(
        name=file.name, sha256=fingerprint(file.path), rows=len(table)
    )


def events_of(
    table: pd.DataFrame, *, file: str = "events", rows: list[int] | None = None
) -> tuple[Event, ...]:
    """Events from a table with columns date and kind, and perhaps rig and event; sorted by date.

    Raises
    ------
    InputError
        A column is missing, or a date or a kind is empty or cannot be read.
    """
    for name in ("date", "kind"):
        if name not in table.columns:
            raise InputError.no_such_column(file=file, column=name, role=name, present=list(table.columns))
    numbers = rows or list(range(1, len(table) + 1))
    found = []
    cells = table.to_dict("records")
    for number, row, day in zip(numbers, cells, _days(table["date"]), strict=True):
        if day is None:
            raise InputError(
                f"{file}, row {number}, column 'date': found '{short(_text(row['date']))}', expected a date such as "
                "2026-03-31 or 31.03.2026."
            )
        kind = _text(row["kind"])
        if not kind:
            raise InputError(f"{file}, row {number}, column 'kind': is empty. Say what kind of event it was.")
        rig = _text(row.get("rig", ""))
        found.append(
            Event(
                day=day,
                kind=kind,
                text=_text(row.get("event", "")),
                rig=None if rig.casefold() in EVERY_RIG else rig,
            )
        )
    return tuple(sorted(found, key=lambda event: event.day))


def _days(dates: pd.Series[Any]) -> list[str | None]:
    """The ISO date of each cell, whichever way it is written; None where it is a number or cannot be read."""
    import pandas as pd

    from repeatab.intake.checks.order import FORMATS

    text = dates.map(_text).astype("string")
    text = text.where(pd.to_numeric(text.str.replace(",", "."), errors="coerce").isna())
    days: list[str | None] = [None] * len(text)
    for pattern in FORMATS:
        stamps = pd.to_datetime(text, format=pattern, errors="coerce", utc=True)
        days = [
            day if day is not None or pd.isna(stamp) else stamp.strftime("%Y-%m-%d")
            for day, stamp in zip(days, stamps, strict=True)
        ]
    return days


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value).strip()


def _raw(file: SourceFile, wanted: tuple[str, ...]) -> RawTable:
    match file.kind:
        case FileKind.TEXT:
            raw = file.path.read_bytes()
            return read_text_table(raw, file=file.name, wanted=wanted, numbers=(), options=ReadOptions())
        case FileKind.WORKBOOK:
            return read_workbook(file.path, file=file.name, wanted=wanted, numbers=(), options=ReadOptions())
        case FileKind.PARQUET:
            raise InputError(
                f"{file.name}: events are read from a text table or a workbook. Export it as CSV."
            )
