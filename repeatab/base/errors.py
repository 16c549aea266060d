"""Errors a user can act on: each names the place, what was found, what was expected and what to do.

Every class here means that the input is at fault (exit status 2). A defect of ours raises anything else.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

MOST_LETTERS = 1400
"""Of one message. What does not fit is cut from the middle: place and remedy stand at its ends."""

_BEGINNING = 900
_LONGEST_NAME = 80


def short(found: object) -> str:
    """What was found, cut so that it can stand in a message: a cell may hold a whole file."""
    text = str(found)
    return text if len(text) <= _LONGEST_NAME else f"{text[: _LONGEST_NAME - 3]}..."


def _one_line(message: str) -> str:
    """The message as one line of bearable length, whatever a name in it brings along."""
    line = " ".join(message.splitlines())
    if len(line) <= MOST_LETTERS:
        return line
    return f"{line[:_BEGINNING]} … {line[_BEGINNING - MOST_LETTERS + 3 :]}"


def nearest(found: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """Return " Did you mean 'x'?" for the known name nearest to `found`, or nothing if none is near.

    cutoff : how like the names must be, 0 to 1 (ratio of matching letters).
    """
    if len(found) > _LONGEST_NAME:
        return ""
    match = difflib.get_close_matches(found, list(known), n=1, cutoff=cutoff)
    return f" Did you mean '{match[0]}'?" if match else ""


def listed(names: Iterable[object], *, most: int = 8) -> str:
    """Join names for a message, quoted and cut after `most`, so that a message stays one message."""
    quoted = [f"'{short(name)}'" for name in names]
    rest = len(quoted) - most
    return ", ".join(quoted[:most]) + (f" and {rest} more" if rest > 0 else "")


class RepeatabError(ValueError):
    """The input is at fault; the message says where and what to do, in one line."""

    def __init__(self, message: str = "") -> None:
        super().__init__(_one_line(message))


class InputError(RepeatabError):
    """A result file or table cannot be used as it is."""

    @classmethod
    def not_a_number(cls, *, file: str, row: int, column: str, found: str) -> InputError:
        return cls(
            f"{file}, row {row}, column '{column}': found '{short(found)}', expected a number. "
            "If this run was rejected, list it under [[exclude]] with a reason."
        )

    @classmethod
    def no_such_column(cls, *, file: str, column: str, role: str, present: Sequence[str]) -> InputError:
        return cls(
            f"{file}: the role '{role}' names the column '{column}', which the table does not have. "
            f"It has {listed(present)}.{nearest(column, present)} Correct it under [columns]."
        )


class StudyError(RepeatabError):
    """A study file says something that cannot be carried out."""

    @classmethod
    def unknown_choice(cls, key: str, found: str, *, allowed: Sequence[str]) -> StudyError:
        return cls(
            f"{key}: found '{short(found)}', expected one of {listed(allowed)}.{nearest(found, allowed)}"
        )

    @classmethod
    def unknown_key(cls, *, file: str, key: str, known: Sequence[str]) -> StudyError:
        last = key.rsplit(".", 1)[-1]
        return cls(
            f"{file}: unknown key '{short(key)}'.{nearest(last, known)} "
            f"Known here: {listed(sorted(known), most=30)}. Remove or correct it."
        )


class LayoutError(RepeatabError):
    """The design of the data cannot answer what was asked."""


class NotSeparableError(LayoutError):
    """Two sources of scatter, or an effect and a source, are one number in this design."""


class EstimationError(RepeatabError):
    """The numbers do not allow the estimate: no scatter, no degrees of freedom, no finite optimum."""
