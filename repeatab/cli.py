"""The commands: what a person types, and what they read on the terminal.

In: words on the command line.  Out: text, files, and an exit status: 0 it ran, 2 the input is at fault (one
message, no traceback), 1 a defect of ours. Nothing heavy is imported before a command needs it.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repeatab import __version__
from repeatab.cli_cells import cells
from repeatab.cli_dossier import dossier
from repeatab.cli_history import history
from repeatab.cli_verify import verify
from repeatab.terminal import (
    INPUT_AT_FAULT,
    answering,
    no_output,
    read_options,
    role_and_column,
    say,
    say_as_it_is,
    say_on_stderr,
    show_progress,
    toml_text,
    with_engine,
)

if TYPE_CHECKING:
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.results import Results
    from repeatab.ledger.store import Ledger
    from repeatab.outcome.outcome import Outcome
    from repeatab.study.loading import Study

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    help="Say whether a friction laboratory's numbers can be trusted and compared.",
)
app.add_typer(history, name="history")
app.command()(cells)
app.command()(verify)
app.command()(dossier)


def main() -> None:
    """Entry point of the command `repeatab`."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show μ or a pad's name gets a replacement sign, not a crash.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    # A command is short and keeps most of what it makes: at the usual pace the search for unreachable objects takes
    # a tenth of its time and finds next to nothing.
    gc.set_threshold(50_000, 20, 20)
    try:
        app()
    except OSError as error:  # what help, version and printed templates meet; commands answer for themselves
        say_on_stderr(str(no_output(error)))
        sys.exit(INPUT_AT_FAULT)
    finally:
        # On the way out nothing that is left needs to be searched: the process ends with it.
        gc.freeze()


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"repeatab {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    context: typer.Context,
    traceback: Annotated[
        bool, typer.Option("--traceback", help="Show where in the program a defect happened.")
    ] = False,
    version: Annotated[  # noqa: ARG001 - answered by its callback
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    context.obj = traceback


@app.command()
def run(
    context: typer.Context,
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="The study file (TOML).")],
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Where the report goes; out/NAME-OF-STUDY if not said."),
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option(
            "--ledger", metavar="FILE-or-URL", help="Record the outcome there, and show what is past."
        ),
    ] = None,
    engine: Annotated[
        str | None,
        typer.Option(
            "--engine", metavar="ADDRESS", help="A Dask scheduler whose machines share the reading."
        ),
    ] = None,
) -> None:
    """Run a study and write its report."""
    with answering(context):
        from repeatab.base.files import reachable
        from repeatab.base.folders import check_folder
        from repeatab.report.drawing_process import drawing_process
        from repeatab.study.loading import load_study

        loaded = with_engine(load_study(study), engine)
        folder = to or reachable(Path("out") / loaded.name)
        check_folder(folder)
        # The other process loads the drawing library while this one loads those for numbers and reads the results.
        with drawing_process() as drawing:
            from repeatab.report.text import summary
            from repeatab.report.write import draw_at_once, write_report
            from repeatab.run import answer_study, study_ledger

            # A ledger that is not there yet is made once there is something to record.
            with _stand_in(loaded, ledger) as trial, show_progress() as progress:
                opened = trial or study_ledger(loaded, ledger)
                ready = draw_at_once(drawing)
                outcome = answer_study(loaded, ledger=opened, progress=progress, ready=ready)
                files = write_report(outcome, folder, progress=progress, drawing=drawing)
        say(summary(outcome, files))
        if opened is not None:
            _record(lambda: study_ledger(loaded, ledger) if trial else opened, outcome)


def _stand_in(study: Study, ledger: str | None) -> AbstractContextManager[Ledger | None]:
    where = ledger if ledger is not None else study.history.ledger
    if where is None or study.history.takes.results:
        return nullcontext()
    from repeatab.ledger.entrance import stand_in

    return stand_in(where)


def _record(opening: Callable[[], Ledger | None], outcome: Outcome) -> None:
    """Record after the report is written, so that a ledger that fails costs no result."""
    from repeatab.ledger.faults import LedgerError
    from repeatab.ledger.outcomes import record_outcome
    from repeatab.ledger.records import Stamp

    try:
        ledger = opening()
        assert ledger is not None
        record = record_outcome(ledger, outcome, Stamp.now())
    except LedgerError as error:
        raise LedgerError(f"The report is written, but the outcome is not recorded. {error}") from None
    say(f"Recorded in {ledger}: {record}")


@app.command()
def plan(
    context: typer.Context,
    study: Annotated[
        Path, typer.Argument(metavar="STUDY", help="The study file (TOML), with a table [plan].")
    ],
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Where the plan goes; out/NAME-OF-STUDY if not said."),
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option("--ledger", metavar="FILE-or-URL", help="Where earlier gauge studies are found."),
    ] = None,
) -> None:
    """Say which runs a study needs, and write the run sheet."""
    with answering(context):
        from repeatab.base.files import reachable
        from repeatab.base.folders import check_folder
        from repeatab.intake.options import Separator
        from repeatab.report.drawing_process import drawing_process
        from repeatab.study.loading import load_study

        loaded = load_study(study)
        folder = to or reachable(Path("out") / loaded.name)
        check_folder(folder)
        with drawing_process() as drawing:
            from repeatab.report.text import summary
            from repeatab.report.write import write_report
            from repeatab.run import plan_study

            marks = {Separator.SEMICOLON: ";", Separator.TAB: "\t"}
            with show_progress() as progress:
                outcome = plan_study(loaded, ledger=ledger, progress=progress)
                files = write_report(
                    outcome, folder, progress=progress, drawing=drawing,
                    sheet_separator=marks.get(loaded.source.options.separator, ","),
                )  # fmt: skip
        say(summary(outcome, files))
        say(f"Run sheet: {folder / 'run_sheet.csv'} and run_sheet.xlsx")


@app.command()
def check(
    context: typer.Context,
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="A result file, a pattern in quotes, or a study file.")
    ],
    column: Annotated[
        list[str] | None,
        typer.Option("--column", metavar="ROLE=COLUMN", help="What a column holds; guessed if not said."),
    ] = None,
    separator: Annotated[str, typer.Option(help="comma, semicolon, tab")] = "automatic",
    decimal: Annotated[str, typer.Option(help="point, comma")] = "automatic",
    thousands: Annotated[str, typer.Option(help="none, point, comma, space, apostrophe")] = "automatic",
    encoding: Annotated[str, typer.Option(help="utf-8, utf-16, cp1252")] = "automatic",
    sheet: Annotated[str | None, typer.Option(help="The sheet of a workbook.")] = None,
    quantity: Annotated[str, typer.Option(help="What is measured; sets the plausible range.")] = "friction",
) -> None:
    """Show how a result file is read and what is wrong with it."""
    with answering(context):
        if file.lower().endswith(".toml"):
            _check_study(Path(file))
            return
        options = read_options(separator, decimal, thousands, encoding, sheet)
        _check_results(file, column or [], options, quantity)


def _check_study(path: Path) -> None:
    from repeatab.run import read_study
    from repeatab.study.loading import load_study

    study = load_study(path)
    with show_progress() as progress:
        said = read_study(study, progress=progress)
    say(said)
    say(f"\nThe study file is in order. Next: repeatab run {path}")


def _check_results(file: str, columns: list[str], options: ReadOptions, quantity: str) -> None:
    from repeatab.intake.reading import read_results
    from repeatab.study.guess import guess_columns
    from repeatab.study.parts import quantity_from

    stated = dict(role_and_column(text) for text in columns)
    guessed = {} if "result" in stated else guess_columns(file, options)
    mapping = {**{role: name for role, name in guessed.items() if name not in stated.values()}, **stated}
    with show_progress() as progress:
        results = read_results(
            file, columns=mapping, options=options, quantity=quantity_from(quantity), progress=progress
        )
    say(str(results))
    say(_next_step(file, mapping, results, guessed=bool(guessed)))


def _next_step(file: str, mapping: dict[str, str], results: Results, *, guessed: bool) -> str:
    """What to do with a file that could be read: the job that fits, and the columns to paste."""
    two_rigs = "rig" in results.factors and len(results.levels("rig")) == 2
    job = "correlation_check" if two_rigs else "gauge_study"
    lacking = [role for role in ("rig", "pad_set") if role not in mapping]
    elsewhere = (
        f"\nNo column was taken for {' and '.join(lacking)}. If the lines above the header or the file names tell "
        "them, say so in the study file (header_values, name_pattern)."
    )
    pairs = [f"  {role} = {toml_text(name)}" for role, name in mapping.items()]
    how = " (guessed from the names; correct them with --column ROLE=COLUMN)" if guessed else ""
    return "\n".join(
        [
            "",
            f"Read with these columns{how}:",
            "  [columns]",
            *pairs,
            "",
            f"Next: repeatab start {job}, then put {Path(file).name} and these columns into the study file."
            + (elsewhere if lacking else ""),
        ]
    )


@app.command()
def start(
    context: typer.Context,
    job: Annotated[
        str, typer.Argument(metavar="JOB", help="Such as correlation_check, gauge_study or round_robin")
    ],
    to: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="FILE", help="Where the study file goes; JOB.toml if not said, - prints it."
        ),
    ] = None,
) -> None:
    """Write a commented study file to begin with."""
    with answering(context):
        from repeatab.study.start import template, write_template

        name = job.replace("-", "_")
        if to == "-":
            say_as_it_is(template(name))
            return
        path = Path(to or f"{name}.toml")
        write_template(name, path)
        say(f"Wrote {path}. Fill it in, then: repeatab check {path}")


if __name__ == "__main__":
    main()
