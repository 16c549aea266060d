"""What all commands share: how an answer, a refusal and progress reach the terminal, and options for reading files.

In: what a command does and says.  Out: text, a progress bar, and an exit status: 0 it ran, 2 the input is at fault
(one message, no traceback), 1 a defect of ours. Nothing heavy is imported before a command needs it.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import typer

from repeatab.base.errors import RepeatabError

if TYPE_CHECKING:
    from repeatab.base.progress import Progress
    from repeatab.intake.options import ReadOptions
    from repeatab.study.loading import Study

INPUT_AT_FAULT, OUR_DEFECT, STOPPED = 2, 1, 130
# From so many on, a count is told with rate and time left.
_MANY = 100


@contextmanager
def answering(context: typer.Context) -> Iterator[None]:
    """Turn what goes wrong into one message and the exit status that belongs to it."""
    _end_in_order()
    # Without a home folder the drawing library tells of a folder it made for itself; no user can act on that.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    try:
        yield
    except RepeatabError as error:
        say_on_stderr(str(error))
        raise typer.Exit(INPUT_AT_FAULT) from None
    except KeyboardInterrupt:
        raise _stopped() from None
    except BrokenPipeError:
        # The reader of our output went away; what is still buffered must not fail again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(OUR_DEFECT) from None
    except Exception as error:
        if _asked_to_stop(error):
            raise _stopped() from None
        if context.obj:
            raise
        say_on_stderr(
            f"This is a defect of repeatab, not of your input: {type(error).__name__}: {error}\n"
            "Please report it with what `repeatab --traceback …` shows. Nothing was written."
        )
        raise typer.Exit(OUR_DEFECT) from None


def _stopped() -> typer.Exit:
    say_on_stderr("Stopped. Nothing was written.")
    return typer.Exit(STOPPED)


def _asked_to_stop(error: Exception) -> bool:
    """Whether an engine that was at work says that it was interrupted."""
    if not isinstance(error, RuntimeError):
        return False
    from repeatab.intake.watching import was_interrupted

    return was_interrupted(error)


def _end_in_order() -> None:
    """Asked to end by another program, leave as if by the keyboard, so that temporary files go."""

    def stop(_signal: int, _frame: object) -> None:
        raise KeyboardInterrupt

    # Only the main thread may say what happens then.
    with suppress(ValueError):
        signal.signal(signal.SIGTERM, stop)


def say(text: str) -> None:
    """Print text line by line, without control characters.

    Raises
    ------
    RepeatabError
        Standard output leads to a file or device that takes no more.
    """
    say_as_it_is("".join(f"{harmless(line)}\n" for line in text.splitlines()))


def say_as_it_is(text: str) -> None:
    """Print text of our own unchanged.

    Raises
    ------
    RepeatabError
        See `say`.
    """
    try:
        typer.echo(text, nl=False)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise no_output(error) from None


def say_on_stderr(text: str) -> None:
    """Print text on standard error, line by line, without control characters."""
    # Where even that cannot be written, the exit status has to do.
    with suppress(OSError):
        for line in text.splitlines():
            typer.echo(harmless(line), err=True)


def no_output(error: OSError) -> RepeatabError:
    """The refusal where standard output takes no more, after the command did its work."""
    return RepeatabError(
        f"standard output: cannot be written ({error.strerror or error}). The command was carried out; send its output "
        "elsewhere to read what it says."
    )


def harmless(line: str) -> str:
    """A line without control characters, its spaces kept: names come from files."""
    from repeatab.report.words import printable

    return " ".join(printable(part) for part in line.split(" "))


@contextmanager
def show_progress() -> Iterator[Progress]:
    """A progress bar on a terminal, with rate and time left where there is much to count; silence in a pipe."""
    from repeatab.base.progress import silent

    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn

    columns = (
        TextColumn("{task.description}", markup=False, style="none"),
        BarColumn(complete_style="cyan", finished_style="cyan", pulse_style="cyan"),
        TextColumn("{task.completed:,.0f} of {task.total:,.0f}{task.fields[pace]}", style="none"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}
        began: dict[str, float] = {}

        def show(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bar.add_task(harmless(step), pace="")
                began[step] = time.monotonic()
            spent = time.monotonic() - began[step]
            bar.update(tasks[step], completed=done, total=total, pace=pace(done, total, spent))

        yield show


def pace(done: int, total: int, seconds: float) -> str:
    """How many a second and how long it still takes; nothing for a few steps or before a second has passed."""
    if total < _MANY or seconds < 1 or not 0 < done < total:
        return ""
    rate = done / seconds
    left = round((total - done) / rate)
    minutes, rest = divmod(left, 60)
    hours, minutes = divmod(minutes, 60)
    clock = (
        f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
    )
    return f", {rate:,.0f} a second, {clock} left"


def with_engine(study: Study, address: str | None) -> Study:
    """The study, read by the machines of the scheduler that the command line names.

    Raises
    ------
    InputError
        The text is no address.
    """
    if address is None:
        return study
    from dataclasses import replace

    from repeatab.intake.machines import Machines

    return replace(study, machines=Machines(address))


def role_and_column(text: str) -> tuple[str, str]:
    """The two halves of ROLE=COLUMN.

    Raises
    ------
    InputError
    """
    from repeatab.base.errors import InputError

    role, mark, name = text.partition("=")
    if not (mark and role.strip() and name.strip()):
        raise InputError(f"--column: found '{text}', expected ROLE=COLUMN, such as result=mu.")
    return role.strip(), name.strip()


def read_options(
    separator: str, decimal: str, thousands: str, encoding: str, sheet: str | None
) -> ReadOptions:
    """How to read a file, from the words of the command line.

    Raises
    ------
    StudyError
    """
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


def toml_text(text: str) -> str:
    """A text as TOML writes it."""
    import json

    return json.dumps(text, ensure_ascii=False)
