"""The commands: what a person types, and what they read on the terminal.

In: words on the command line.  Out: text, files, and an exit status: 0 it ran, 2 the input is at fault (one
message, no traceback), 1 a defect of ours. Nothing heavy is imported before a command needs it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repeatab import __version__
from repeatab.base.errors import RepeatabError

if TYPE_CHECKING:
    from repeatab.base.progress import Progress
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.results import Results

INPUT_AT_FAULT, OUR_DEFECT, STOPPED = 2, 1, 130

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    help="Say whether a friction laboratory's numbers can be trusted and compared.",
)


def main() -> None:
    """Entry point of the command `repeatab`."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show μ or a pad's name gets a replacement sign, not a crash.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


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


@contextmanager
def _answering(context: typer.Context) -> Iterator[None]:
    """Turn what goes wrong into one message and the exit status that belongs to it."""
    try:
        yield
    except RepeatabError as error:
        _say_on_stderr(str(error))
        raise typer.Exit(INPUT_AT_FAULT) from None
    except KeyboardInterrupt:
        _say_on_stderr("Stopped. Nothing was written.")
        raise typer.Exit(STOPPED) from None
    except BrokenPipeError:
        # The reader of our output went away; what is still buffered must not fail again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(OUR_DEFECT) from None
    except Exception as error:
        if context.obj:
            raise
        _say_on_stderr(
            f"This is a defect of repeatab, not of your input: {type(error).__name__}: {error}\n"
            "Please report it with what `repeatab --traceback …` shows. Nothing was written."
        )
        raise typer.Exit(OUR_DEFECT) from None


def _say(text: str) -> None:
    for line in text.splitlines():
        typer.echo(_harmless(line))


def _say_on_stderr(text: str) -> None:
    for line in text.splitlines():
        typer.echo(_harmless(line), err=True)


def _harmless(line: str) -> str:
    """A line without control characters, its spaces kept: names come from files."""
    from repeatab.report.words import printable

    return " ".join(printable(part) for part in line.split(" "))


@contextmanager
def _progress() -> Iterator[Progress]:
    """A progress bar on a terminal, silence in a pipe."""
    from repeatab.base.progress import silent

    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn

    columns = (
        TextColumn("{task.description}", markup=False, style="none"),
        BarColumn(complete_style="cyan", finished_style="cyan", pulse_style="cyan"),
        TextColumn("{task.completed:.0f} of {task.total:.0f}", style="none"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def show(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bar.add_task(_harmless(step))
            bar.update(tasks[step], completed=done, total=total)

        yield show


@app.command()
def run(
    context: typer.Context,
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="The study file (TOML).")],
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Where the report goes; out/NAME-OF-STUDY if not said."),
    ] = None,
) -> None:
    """Run a study and write its report."""
    with _answering(context):
        from repeatab.base.folders import check_folder
        from repeatab.report.text import summary
        from repeatab.report.write import write_report
        from repeatab.run import run_study
        from repeatab.study.loading import load_study

        loaded = load_study(study)
        folder = to or Path("out") / loaded.name
        check_folder(folder)
        with _progress() as progress:
            outcome = run_study(loaded, progress=progress)
            files = write_report(outcome, folder, progress=progress)
        _say(summary(outcome, files))


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
    with _answering(context):
        if file.lower().endswith(".toml"):
            _check_study(Path(file))
            return
        options = _read_options(separator, decimal, thousands, encoding, sheet)
        _check_results(file, column or [], options, quantity)


def _check_study(path: Path) -> None:
    from dataclasses import replace

    from repeatab.run import run_results, study_results
    from repeatab.study.loading import load_study

    study = load_study(path)
    with _progress() as progress:
        results = study_results(study, progress=progress)
        runs = run_results(study, results)
    _say(str(replace(results, findings=runs.findings, detected=runs.detected)))
    _say(f"\nThe study file is in order. Next: repeatab run {path}")


def _check_results(file: str, columns: list[str], options: ReadOptions, quantity: str) -> None:
    from repeatab.intake.reading import read_results
    from repeatab.study.guess import guess_columns
    from repeatab.study.parts import quantity_from

    stated = dict(_role_and_column(text) for text in columns)
    guessed = {} if "result" in stated else guess_columns(file, options)
    mapping = {**{role: name for role, name in guessed.items() if name not in stated.values()}, **stated}
    with _progress() as progress:
        results = read_results(
            file, columns=mapping, options=options, quantity=quantity_from(quantity), progress=progress
        )
    _say(str(results))
    _say(_next_step(file, mapping, results, guessed=bool(guessed)))


def _role_and_column(text: str) -> tuple[str, str]:
    from repeatab.base.errors import InputError

    role, mark, name = text.partition("=")
    if not (mark and role.strip() and name.strip()):
        raise InputError(f"--column: found '{text}', expected ROLE=COLUMN, such as result=mu.")
    return role.strip(), name.strip()


def _read_options(
    separator: str, decimal: str, thousands: str, encoding: str, sheet: str | None
) -> ReadOptions:
    from enum import Enum
    from typing import TypeVar

    from repeatab.base.errors import StudyError
    from repeatab.intake.options import DecimalMark, Encoding, ReadOptions, Separator, ThousandsMark

    choice = TypeVar("choice", bound=Enum)

    def chosen(option: str, text: str, kind: type[choice]) -> choice:
        try:
            return kind(text)
        except ValueError:
            allowed = [str(member.value) for member in kind]
            raise StudyError.unknown_choice(f"--{option}", text, allowed=allowed) from None

    return ReadOptions(
        separator=chosen("separator", separator, Separator),
        decimal=chosen("decimal", decimal, DecimalMark),
        thousands=chosen("thousands", thousands, ThousandsMark),
        encoding=chosen("encoding", encoding, Encoding),
        sheet=sheet,
    )


def _next_step(file: str, mapping: dict[str, str], results: Results, *, guessed: bool) -> str:
    """What to do with a file that could be read: the job that fits, and the columns to paste."""
    two_rigs = "rig" in results.factors and len(results.levels("rig")) == 2
    job = "correlation_check" if two_rigs else "gauge_study"
    lacking = [role for role in ("rig", "pad_set") if role not in mapping]
    elsewhere = (
        f"\nNo column was taken for {' and '.join(lacking)}. If the lines above the header or the file names tell "
        "them, say so in the study file (header_values, name_pattern)."
    )
    pairs = [f"  {role} = {_toml_text(name)}" for role, name in mapping.items()]
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


def _toml_text(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


@app.command()
def start(
    context: typer.Context,
    job: Annotated[str, typer.Argument(metavar="JOB", help="correlation_check or gauge_study")],
    to: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="FILE", help="Where the study file goes; JOB.toml if not said, - prints it."
        ),
    ] = None,
) -> None:
    """Write a commented study file to begin with."""
    with _answering(context):
        from repeatab.study.start import template, write_template

        name = job.replace("-", "_")
        if to == "-":
            typer.echo(template(name), nl=False)
            return
        path = Path(to or f"{name}.toml")
        write_template(name, path)
        _say(f"Wrote {path}. Fill it in, then: repeatab check {path}")


if __name__ == "__main__":
    main()
