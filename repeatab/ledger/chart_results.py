"""The reference results that control charts take from a ledger: by visit where that is enough, else one by one.

In: a ledger, the question, the results of the study's own files if it names any.  Out: PastVisits or Results.
Results by visit are enough for fresh sets of a lot that each ran once at a visit, analysed as differences, with no
range charted: a million results are then read in a second.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa

from repeatab.base.errors import InputError, listed
from repeatab.base.quantity import Quantity
from repeatab.intake.checks.order import read_times
from repeatab.intake.results import Results
from repeatab.jobs.charts.past_visits import PastVisits
from repeatab.jobs.charts.question import ControlChart, Plotted, Reference
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import plural
from repeatab.ledger.faults import LedgerError
from repeatab.ledger.records import Kind
from repeatab.ledger.reference import ROLES, current_batches
from repeatab.ledger.schema import RECORDS, REFERENCE, SETS, VISITS
from repeatab.ledger.store import Ledger
from repeatab.outcome.outcome import InputFile

SOURCE = "reference results of the ledger"
_KEPT = ("rig", "section", "visit", "time", "pad_lot", "pad_set", "run", "result")
_RANGED = (Plotted.MEAN_AND_RANGE, Plotted.MEAN_AND_SD)


def results_of_the_ledger(
    ledger: Ledger, question: ControlChart, *, quantity: Quantity, until: str | None, files: Results | None
) -> PastVisits | Results:
    """The reference results up to the day `until` (all if None), with those of the study's files if it has any.

    Visits of which no day is recorded are taken whatever `until` is.

    Raises
    ------
    LedgerError
        The ledger holds no such results.
    InputError
        A visit, or a file, is in the ledger and among the files too: its results would count twice.
    """
    wanted = _Wanted(
        quantity=quantity,
        rigs=question.rigs,
        sections=tuple(one.name for one in question.sections),
        until=until,
    )
    source = _fingerprint(ledger, wanted)
    if files is None and _by_visit(ledger, question, wanted):
        return _visits(ledger, wanted, source)
    if files is not None:
        _refuse_known_file(ledger, files)
    return _rows(ledger, wanted, source, files)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    quantity: Quantity
    rigs: tuple[str, ...]
    sections: tuple[str, ...]
    until: str | None

    def of(self, table: sa.Table) -> list[sa.ColumnElement[bool]]:
        """What rows of a table have to fulfil."""
        found: list[sa.ColumnElement[bool]] = [table.c.record.in_(current_batches(self.quantity.key))]
        if self.rigs:
            found.append(table.c.rig.in_(self.rigs))
        if "section" in table.c:
            found.append(table.c.section.in_(self.sections))
        if self.until is not None and "day" in table.c:
            found.append(sa.or_(table.c.day.is_(None), table.c.day <= self.until))
        return found


def _fingerprint(ledger: Ledger, wanted: _Wanted) -> InputFile:
    """One SHA-256 over the hashes of the batches, which cover their results, and over what is taken of them."""
    parts = sa.select(VISITS.c.record, sa.func.sum(VISITS.c.count)).where(*wanted.of(VISITS))
    with ledger.database.reading() as connection:
        counts = {
            int(number): int(count) for number, count in connection.execute(parts.group_by(VISITS.c.record))
        }
        if not counts:
            raise LedgerError.no_reference(
                ledger.address.shown, wanted.quantity.key, list(wanted.rigs), list(wanted.sections), None,
                wanted.until,
            )  # fmt: skip
        query = sa.select(RECORDS.c.hash).where(RECORDS.c.number.in_(counts)).order_by(RECORDS.c.number)
        hashes = [str(value) for (value,) in connection.execute(query)]
    taken = [*hashes, *wanted.rigs, *wanted.sections, wanted.until or ""]
    digest = hashlib.sha256("\n".join(taken).encode()).hexdigest()
    return InputFile(name=SOURCE, sha256=digest, rows=sum(counts.values()))


def _by_visit(ledger: Ledger, question: ControlChart, wanted: _Wanted) -> bool:
    if question.reference is not Reference.LOT or question.analysis is not Analysis.DIFFERENCE:
        return False
    if question.plotted in _RANGED:
        return False
    return _most_runs(ledger, wanted) < 2


def _most_runs(ledger: Ledger, wanted: _Wanted) -> int:
    """How often a pad set ran in a section of one visit at most."""
    most = sa.select(sa.func.max(SETS.c.runs), sa.func.count(sa.distinct(SETS.c.record))).where(
        *wanted.of(SETS)
    )
    parts = (SETS.c.rig, SETS.c.visit, SETS.c.reference, SETS.c.pad_set)
    again = sa.select(SETS.c.pad_set).where(*wanted.of(SETS)).group_by(*parts).having(sa.func.count() > 1)
    with ledger.database.reading() as connection:
        runs, batches = connection.execute(most).one()
        # A visit that came in several batches may hold one run of a set in each.
        if batches > 1 and connection.execute(again.limit(1)).first() is not None:
            return 2
    return int(runs or 0)


def _sets_return(ledger: Ledger, wanted: _Wanted) -> bool:
    """Whether a set of a reference lot ran at more than one visit."""
    query = (
        sa.select(SETS.c.pad_set)
        .where(*wanted.of(SETS))
        .group_by(SETS.c.reference, SETS.c.pad_set)
        .having(sa.func.count() > 1)
        .limit(1)
    )
    with ledger.database.reading() as connection:
        return connection.execute(query).first() is not None


def _visits(ledger: Ledger, wanted: _Wanted, source: InputFile) -> PastVisits:
    selected = [
        VISITS.c.rig, VISITS.c.section, VISITS.c.visit, VISITS.c.reference, sa.func.coalesce(VISITS.c.day, ""),
        VISITS.c.count, VISITS.c.mean, VISITS.c.centred_ss,
    ]  # fmt: skip
    query = sa.select(*selected).where(*wanted.of(VISITS))
    columns: list[list[Any]] = [[] for _ in range(len(selected))]
    with ledger.database.reading() as connection:
        cursor = connection.execute(query).cursor
        assert cursor is not None
        # The driver's plain tuples, some thousands at a time: a quarter of a million of them, or of row objects, at
        # once would cost the collector of garbage a second.
        while rows := cursor.fetchmany(20_000):
            for column, values in zip(columns, zip(*rows, strict=True), strict=True):
                column.extend(values)
    rig, section, visit, reference, day, count, mean, squares = columns
    return PastVisits(
        quantity=wanted.quantity, rig=rig, section=section, visit=visit, reference=reference, day=day, count=count,
        mean=mean, centred_ss=squares, sets_return=_sets_return(ledger, wanted), inputs=(source,),
    )  # fmt: skip


def _rows(ledger: Ledger, wanted: _Wanted, source: InputFile, files: Results | None) -> Results:
    import pandas as pd

    columns = [REFERENCE.c[column].label(role) for role, column in ROLES.items()]
    query = sa.select(*columns).where(*wanted.of(REFERENCE)).order_by(REFERENCE.c.record, REFERENCE.c.place)
    with ledger.database.reading() as connection:
        rows = [tuple(row) for row in connection.execute(query)]
    frame = pd.DataFrame(rows, columns=list(ROLES))
    said = f"{plural(source.rows, 'reference result')} {'are' if source.rows != 1 else 'is'} from the ledger"
    base = Results(frame=None, quantity=wanted.quantity, factors=(), inputs=(source,), detected=(said,))
    if files is not None:
        own = _own(files)
        _refuse_twice(frame, own)
        frame = pd.concat([frame, own], ignore_index=True)
        base = replace(files, inputs=(*files.inputs, source), detected=(*files.detected, said), covariates=())
    frame = frame.loc[:, frame.notna().any()]
    if frame["visit"].map(str.isdigit).all():
        frame = frame.assign(visit=frame["visit"].astype(int))
    return replace(base, frame=frame, factors=tuple(name for name in frame.columns if name != "result"))


def _own(files: Results) -> Any:
    """The results of the files, written as the ledger writes them."""
    table = files.to_frame()
    own = table[[name for name in _KEPT if name in table.columns]].copy()
    if "time" in own.columns:
        times = read_times(own["time"])
        if times is None or not hasattr(times, "dt"):
            raise InputError(
                f"The times of the files cannot all be read in one way (such as '{own['time'].iloc[0]}'), so they "
                "cannot be set beside those of the ledger. Expected 2024-03-31 or 31.03.2024."
            )
        own["time"] = times.dt.strftime("%Y-%m-%d")
    if "visit" not in own.columns:
        own["visit"] = own["time"]
    for name in own.columns:
        if name != "result":
            own[name] = own[name].map(lambda label: None if label is None or label != label else str(label))
    return own[own["visit"].notna()]


def _refuse_twice(past: Any, own: Any) -> None:
    keys = [name for name in ("rig", "section", "visit") if name in own.columns]
    both = own[keys].drop_duplicates().merge(past[keys].drop_duplicates(), on=keys)
    if len(both):
        first = ", ".join(f"{name} {both[name].iloc[0]}" for name in keys)
        more = f" and {plural(len(both) - 1, 'other')}" if len(both) > 1 else ""
        raise InputError(
            f"results.files: the visit {first}{more} is in the ledger too, and its results would count twice. Leave "
            "out results.files, or the file that the ledger holds already."
        )


def _refuse_known_file(ledger: Ledger, files: Results) -> None:
    marks = {file.sha256: file.name for file in files.inputs}
    for record in ledger.records(kinds=[Kind.REFERENCE], current=True):
        for file in ledger.body(record)["inputs"]:
            if file["sha256"] in marks:
                raise InputError(
                    f"results.files: {listed([marks[file['sha256']]])} is in the ledger already, as record "
                    f"{record.number}, and its results would count twice. Leave the file out of the study."
                )
