"""The commands `repeatab history …`: what the ledger holds, and what goes into it by hand.

In: words on the command line; who and when come from this machine's user and clock.  Out: text, files, records.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from repeatab.terminal import answering, read_options, role_and_column, say, show_progress

if TYPE_CHECKING:
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.statistics import Statistic
    from repeatab.ledger.records import Record, Stamp
    from repeatab.ledger.store import Ledger

history = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Look into the ledger, add to it, check that it is whole.",
)

Where = Annotated[str, typer.Argument(metavar="LEDGER", help="A file, or postgresql://user@host/database.")]
By = Annotated[str | None, typer.Option("--by", help="Who records this; your user name if not said.")]
Supersedes = Annotated[
    int | None, typer.Option("--supersedes", metavar="NUMBER", help="The record whose place it takes.")
]


def _enter(where: str, *, write: bool = False, create: bool = False) -> Ledger:
    from repeatab.ledger.entrance import enter

    return enter(where, write=write, create=create)


def _stamp(by: str | None) -> Stamp:
    from repeatab.ledger.records import Stamp

    return Stamp.now(by)


def _recorded(record: Record) -> None:
    say(f"Recorded as {record}")


@history.command("list")
def show_list(
    context: typer.Context,
    ledger: Where,
    kind: Annotated[str | None, typer.Option("--kind", help="Only this kind of record.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Superseded records too.")] = False,
) -> None:
    """List the records, the latest last."""
    with answering(context):
        from repeatab.base.errors import StudyError
        from repeatab.ledger.records import Kind

        known = {one.value: one for one in Kind}
        if kind is not None and kind not in known:
            raise StudyError.unknown_choice("--kind", kind, allowed=list(known))
        opened = _enter(ledger)
        kinds = [known[kind]] if kind else []
        records = opened.records(kinds=kinds, current=not everything, bodies=False)
        for record in records:
            say(str(record))
        if not records:
            say("No record of that kind." if kind else "No record yet.")


@history.command()
def show(
    context: typer.Context,
    ledger: Where,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="The record's number.")],
) -> None:
    """Show one record whole, as JSON below its heading."""
    with answering(context):
        import json

        opened = _enter(ledger)
        record = opened.record(number)
        say(str(record))
        say(f"made by repeatab {record.program}; hash {record.hash}")
        if record.supersedes is not None:
            say(f"supersedes record {record.supersedes}")
        say(json.dumps(opened.body(record), ensure_ascii=False, indent=1))


@history.command()
def export(
    context: typer.Context,
    ledger: Where,
    to: Annotated[str, typer.Argument(metavar="FILE", help="Its ending says how: .csv, .parquet, .json")],
    what: Annotated[
        str, typer.Option(help="records, reference, offsets, events, corrections, limits")
    ] = "records",
) -> None:
    """Write what the ledger holds to a file for other programs."""
    with answering(context):
        opened = _enter(ledger)
        from repeatab.ledger.export import export as write
        from repeatab.ledger.export import what_from

        count = write(opened, to, what=what_from(what))
        say(f"Wrote {count} rows to {to}.")


@history.command()
def verify(
    context: typer.Context,
    ledger: Where,
    noted: Annotated[
        str | None, typer.Option("--noted", metavar="HASH", help="A hash that was noted earlier.")
    ] = None,
) -> None:
    """Check that no record was changed, taken out or put in between."""
    with answering(context):
        opened = _enter(ledger)
        from repeatab.base.errors import InputError
        from repeatab.ledger.verify import verify as check

        with show_progress() as progress:
            found = check(opened, noted=noted, progress=progress)
        if not found.whole:
            faults = " ".join(str(fault) for fault in found.faults[:5])
            more = f" And {len(found.faults) - 5} more." if len(found.faults) > 5 else ""
            raise InputError(
                f"{opened}: is not what was recorded. {faults}{more} Keep the file as it is, and go back to the last "
                "copy that verifies."
            )
        say(f"{opened}: whole. {found.records} records, {found.reference_results} reference results.")
        say(f"The last hash is {found.head}")
        say("Note it outside the ledger; verify --noted HASH then shows if records were cut off.")


@history.command()
def event(
    context: typer.Context,
    ledger: Where,
    kind: Annotated[str, typer.Option(help="relocation, rebuild, recalibration, repair, maintenance, …")],
    day: Annotated[str, typer.Option(metavar="YEAR-MONTH-DAY", help="When it happened.")],
    text: Annotated[str, typer.Option(help="What happened, in a few words.")] = "",
    rig: Annotated[str | None, typer.Option(help="The rig; all rigs if not said.")] = None,
    by: By = None,
    supersedes: Supersedes = None,
) -> None:
    """Record what happened to a rig, or to all."""
    with answering(context):
        from repeatab.intake.events import EVERY_RIG, Event
        from repeatab.ledger.records import of_event

        concerned = None if rig is None or rig.casefold() in EVERY_RIG else rig
        entry = of_event(Event(day=day, kind=kind, text=text, rig=concerned), supersedes=supersedes)
        _recorded(_enter(ledger, write=True, create=True).append(entry, _stamp(by)))


@history.command("import")
def take_in(
    context: typer.Context,
    ledger: Where,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A file of reference results, or of events.")],
    column: Annotated[
        list[str] | None,
        typer.Option("--column", metavar="ROLE=COLUMN", help="What a column holds; guessed if not said."),
    ] = None,
    events: Annotated[bool, typer.Option("--events", help="The file holds events.")] = False,
    section: Annotated[
        str | None, typer.Option(help="The section, if the file has no column for it.")
    ] = None,
    statistic: Annotated[
        str | None, typer.Option(help="How the stops of a run become one result, such as mean.")
    ] = None,
    quantity: Annotated[str, typer.Option(help="What is measured.")] = "friction",
    separator: Annotated[str, typer.Option(help="comma, semicolon, tab")] = "automatic",
    decimal: Annotated[str, typer.Option(help="point, comma")] = "automatic",
    thousands: Annotated[str, typer.Option(help="none, point, comma, space, apostrophe")] = "automatic",
    encoding: Annotated[str, typer.Option(help="utf-8, utf-16, cp1252")] = "automatic",
    sheet: Annotated[str | None, typer.Option(help="The sheet of a workbook.")] = None,
    by: By = None,
    supersedes: Supersedes = None,
) -> None:
    """Take in past reference results, or events, from a file."""
    with answering(context):
        from repeatab.ledger.entrance import enter, stand_in

        options = read_options(separator, decimal, thousands, encoding, sheet)

        def taken_in(opened: Ledger) -> str:
            if events:
                return _events_in(opened, file, by)
            return _results_in(
                opened, file, column or [], options, quantity, section, statistic, by, supersedes
            )

        with stand_in(ledger) as trial:
            if trial is not None:
                taken_in(trial)
        say(taken_in(enter(ledger, write=True, create=True)))


def _events_in(ledger: Ledger, file: str, by: str | None) -> str:
    from repeatab.ledger.importing import import_events

    records = import_events(ledger, file, stamp=_stamp(by))
    return f"Recorded {len(records)} events from {file}."


def _results_in(
    ledger: Ledger,
    file: str,
    column: list[str],
    options: ReadOptions,
    quantity: str,
    section: str | None,
    statistic: str | None,
    by: str | None,
    supersedes: int | None,
) -> str:
    from repeatab.ledger.importing import import_reference
    from repeatab.study.guess import guess_columns
    from repeatab.study.parts import quantity_from

    stated = dict(role_and_column(text) for text in column)
    guessed = {} if "result" in stated else guess_columns(file, options)
    columns = {**{r: name for r, name in guessed.items() if name not in stated.values()}, **stated}
    found = import_reference(
        ledger, file, columns=columns, stamp=_stamp(by), options=options, quantity=quantity_from(quantity),
        section=section, supersedes=supersedes, statistic=_statistic(statistic),
    )  # fmt: skip
    read_with = ", ".join(f"{role}={name}" for role, name in columns.items())
    return f"{found.results}\nRead with: {read_with}\nRecorded as {found.record}"


def _statistic(text: str | None) -> Statistic | None:
    from repeatab.base.errors import StudyError
    from repeatab.study.values import statistic_from

    if text is None:
        return None
    try:
        return statistic_from(text)
    except StudyError as error:
        raise StudyError(f"--statistic: {error}") from None


@history.command()
def correction(
    context: typer.Context,
    ledger: Where,
    rig: Annotated[str, typer.Option(help="The rig whose results are corrected.")],
    reference_rig: Annotated[str, typer.Option(help="The rig to whose level they are brought.")],
    section: Annotated[str, typer.Option(help="The section.")],
    value: Annotated[float, typer.Option(help="What is subtracted, or the gain that divides.")],
    uncertainty: Annotated[float, typer.Option(help="Its standard uncertainty.")],
    valid_from: Annotated[str, typer.Option(metavar="YEAR-MONTH-DAY")],
    expires: Annotated[str, typer.Option(metavar="YEAR-MONTH-DAY", help="The last day on which it holds.")],
    form: Annotated[str, typer.Option(help="offset, gain")] = "offset",
    unit: Annotated[str, typer.Option(help="The unit of an offset; % of the reference rig.")] = "",
    reason: Annotated[str, typer.Option(help="Why, such as the record of the check behind it.")] = "",
    by: By = None,
    supersedes: Supersedes = None,
) -> None:
    """Record that a correction comes into use; withdraw ends it."""
    with answering(context):
        from repeatab.base.errors import StudyError
        from repeatab.ledger.records import Correction, CorrectionForm, of_correction

        forms = {one.value: one for one in CorrectionForm}
        if form not in forms:
            raise StudyError.unknown_choice("--form", form, allowed=list(forms))
        one = Correction(
            rig=rig, reference_rig=reference_rig, section=section, form=forms[form], value=value,
            uncertainty=uncertainty, valid_from=valid_from, expires=expires, unit=unit, reason=reason,
        )  # fmt: skip
        entry = of_correction(one, supersedes=supersedes)
        _recorded(_enter(ledger, write=True, create=True).append(entry, _stamp(by)))


@history.command()
def adopt(
    context: typer.Context,
    ledger: Where,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="The record of the correlation check.")],
    by: By = None,
) -> None:
    """Put the correction that a correlation check offers into use, section by section."""
    with answering(context):
        opened = _enter(ledger, write=True)
        from repeatab.ledger.adopting import offered_corrections
        from repeatab.ledger.records import of_correction

        entries = [of_correction(one) for one in offered_corrections(opened, number)]
        for record in opened.append_all(entries, _stamp(by)):
            _recorded(record)


@history.command()
def withdraw(
    context: typer.Context,
    ledger: Where,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="The record that no longer stands.")],
    reason: Annotated[str, typer.Option(help="Why it no longer stands.")],
    by: By = None,
) -> None:
    """Withdraw a record, such as a correction; it stays in the ledger and no longer counts."""
    with answering(context):
        from repeatab.ledger.records import of_withdrawal

        opened = _enter(ledger, write=True)
        _recorded(opened.append(of_withdrawal(opened.record(number), reason=reason), _stamp(by)))
