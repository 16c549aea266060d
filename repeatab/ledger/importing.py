"""Past reference results and events from a laboratory's own files into the ledger.

In: a file, read and checked by intake.  Out: the Record of the batch, and what reading found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError, listed
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.intake.checks.order import read_times
from repeatab.intake.condense import condense, holds_stops
from repeatab.intake.events import read_events
from repeatab.intake.options import ReadOptions
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_ROW, STOPS
from repeatab.intake.statistics import Mean, Statistic
from repeatab.ledger.records import (
    Kind,
    Record,
    ReferenceResults,
    ReferenceRow,
    Stamp,
    of_event,
    of_reference,
)
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import InputFile

_NO_OPTIONS = ReadOptions()
_KEPT = ("rig", "section", "visit", "pad_lot", "pad_set", "run")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What went in: the record, how many results, and the results as they were read (with their findings)."""

    record: Record
    count: int
    results: Results


def import_reference(
    ledger: Ledger,
    source: str | Path,
    *,
    columns: Mapping[str, str],
    stamp: Stamp,
    options: ReadOptions = _NO_OPTIONS,
    quantity: Quantity = FRICTION,
    section: str | None = None,
    statistic: Statistic | None = None,
    supersedes: int | None = None,
) -> Imported:
    """Record the reference results of a file as one batch, one result per run and section.

    Parameters
    ----------
    columns : role -> column, as for any result file. Needed: result, rig, and visit or time; the reference lot is
        the role pad_lot.
    section : the section of all results, where the file has no column for it.
    statistic : how the stops of a run become its result, where the file has several stops per run.
    supersedes : the number of the batch whose place it takes.

    Raises
    ------
    InputError
        The file cannot be read, holds several stops per run and no statistic is given, lacks rig, section or visit,
        or is in the ledger already.
    LedgerError
    """
    results = read_results(source, columns=columns, options=options, quantity=quantity)
    _check(results, section)
    results = _condensed(results, statistic)
    inputs = tuple(InputFile(name=Path(f.name).name, sha256=f.sha256, rows=f.rows) for f in results.inputs)
    _refuse_twice(ledger, Kind.REFERENCE, inputs, supersedes)
    settings = (
        *((f"columns.{role}", column) for role, column in columns.items()),
        *((("section", section),) if section else ()),
        *((("statistic", str(statistic)),) if statistic else ()),
    )
    batch = ReferenceResults(quantity=quantity.key, rows=_rows(results, section))
    entry = of_reference(batch, inputs=inputs, settings=settings, supersedes=supersedes)
    return Imported(record=ledger.append(entry, stamp), count=len(batch.rows), results=results)


def import_events(ledger: Ledger, source: str | Path, *, stamp: Stamp) -> tuple[Record, ...]:
    """Record every event of an event file (columns date, rig, kind, event), each as a record of its own.

    Raises
    ------
    InputError
        The file cannot be read, or is in the ledger already.
    LedgerError
    """
    events, file = read_events(source)
    file = InputFile(name=Path(file.name).name, sha256=file.sha256, rows=file.rows)
    _refuse_twice(ledger, Kind.EVENT, (file,), None)
    return ledger.append_all([of_event(event, inputs=(file,)) for event in events], stamp)


def _check(results: Results, section: str | None) -> None:
    if results.blocks:
        raise InputError(f"The results cannot be kept as they are: {results.blocks[0]}")
    missing = [role for role in ("rig",) if not results.has(role)]
    if not results.has("section") and section is None:
        missing.append("section")
    if not (results.has("visit") or results.has("time")):
        missing.append("visit (or time)")
    if missing:
        raise InputError(
            f"No column is named for {listed(missing)}. Name it with --column ROLE=COLUMN"
            + (", or the section of all results with --section." if "section" in missing else ".")
        )


def _condensed(results: Results, statistic: Statistic | None) -> Results:
    if not holds_stops(results):
        return results
    runs = condense(results, statistic or Mean())
    if statistic is None and int(runs.to_frame()[STOPS].max()) > 1:
        raise InputError(
            "The file has several stops per run, and the ledger keeps one result per run and section. Say how stops "
            "become one number, as your test standard does: --statistic mean, minimum, or 'last 3 stops'."
        )
    return runs


def _rows(results: Results, section: str | None) -> tuple[ReferenceRow, ...]:
    table = results.to_frame().reset_index(drop=True)
    days = _days(table)
    labels = {name: _labels(table, name) for name in _KEPT}
    if section is not None and "section" not in table.columns:
        labels["section"] = [section] * len(table)
    if "visit" not in table.columns:
        labels["visit"] = days
    _refuse_gaps(table, labels)
    values = [float(value) for value in table["result"]]
    return tuple(
        ReferenceRow(str(rig), str(part), str(visit), value, day, lot, pad_set, run)
        for rig, part, visit, value, day, lot, pad_set, run in zip(
            labels["rig"], labels["section"], labels["visit"], values, days, labels["pad_lot"], labels["pad_set"],
            labels["run"], strict=True,
        )
    )  # fmt: skip


def _labels(table: Any, name: str) -> list[str | None]:
    if name not in table.columns:
        return [None] * len(table)
    column = table[name]
    return [str(value) if known else None for value, known in zip(column, column.notna(), strict=True)]


def _refuse_gaps(table: Any, labels: Mapping[str, list[str | None]]) -> None:
    """Every result needs a rig, a section and a visit."""
    for name in ("rig", "section", "visit"):
        for at, label in enumerate(labels[name]):
            if label is None or not label.strip():
                row = (
                    f"row {int(table[SOURCE_ROW][at])}" if SOURCE_ROW in table.columns else f"result {at + 1}"
                )
                raise InputError(
                    f"{row}: found no {name}. Every reference result needs one; complete the file, or take the row out."
                )


def _days(table: Any) -> list[str | None]:
    """The day of each result; None where no time is recorded.

    Raises
    ------
    InputError
        The times cannot all be read in one way.
    """
    if "time" not in table.columns:
        return [None] * len(table)
    times = read_times(table["time"])
    if times is None or not hasattr(times, "dt"):
        raise InputError(
            f"The times cannot all be read in one way (such as '{table['time'].iloc[0]}'); expected 2024-03-31 or "
            "31.03.2024. Leave the column out if the visit says enough."
        )
    known = times.notna()
    texts = times.dt.strftime("%Y-%m-%d")
    return [str(text) if there else None for text, there in zip(texts, known, strict=True)]


def _refuse_twice(ledger: Ledger, kind: Kind, inputs: tuple[InputFile, ...], supersedes: int | None) -> None:
    """The same file twice would count every result twice."""
    marks = {file.sha256 for file in inputs}
    for record in ledger.records(kinds=[kind], current=True):
        known = {file["sha256"] for file in ledger.body(record)["inputs"]}
        if marks & known and record.number != supersedes:
            raise InputError(
                f"This file is in the ledger already, as record {record.number}. To read it in another way, add "
                f"--supersedes {record.number}."
            )
