"""One file per run: values from the lines above the header, or from the file's name.

In: the heading of a file, or its relative path.  Out: name -> text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from repeatab.base.errors import InputError, listed
from repeatab.intake.raw import Record

_FIELD = re.compile(r"\{([^{}]*)\}")
_VALUE = re.compile(r"^\s*[:=]\s*")


def heading_values(heading: Sequence[Record], wanted: Mapping[str, str], *, file: str) -> dict[str, str]:
    """The values of lines such as "Rig: R1" (one cell) or "Rig" | "R1" (two cells) above the header.

    Raises
    ------
    InputError
        A key has no line, or two lines with different values; the message lists the lines there are.
    """
    return {name: _heading_value(heading, key, file=file) for name, key in wanted.items()}


def _heading_value(heading: Sequence[Record], key: str, *, file: str) -> str:
    found = [value for record in heading if (value := _value_after(record, key)) is not None]
    if not found:
        lines = [" ".join(cell.strip() for cell in record if cell.strip()) for record in heading]
        lines = [line for line in lines if line]
        raise InputError(
            f"{file}: no line above the header begins with '{key}:', expected one that gives its value. "
            + (f"The lines are {listed(lines)}. " if lines else "There is no line above the header. ")
            + "Correct header_values."
        )
    if len(set(found)) > 1:
        raise InputError(
            f"{file}: '{key}' stands {len(found)} times above the header with different values "
            f"({listed(found)}), expected one. Correct the file."
        )
    return found[0]


def _value_after(record: Record, key: str) -> str | None:
    cells = [cell.strip() for cell in record]
    if not cells or not cells[0].startswith(key):
        return None
    rest = cells[0][len(key) :]
    others = [cell for cell in cells[1:] if cell]
    if rest.strip() in {"", ":", "="}:
        return others[0] if others else ""
    mark = _VALUE.match(rest)
    # "Rig type: X" is another key than "Rig".
    return rest[mark.end() :].strip() if mark else None


class NamePattern:
    """A file-name pattern such as "{rig}_{pad_lot}_{pad_set}_{run}.csv"; a "/" in it stands for a folder.

    Raises
    ------
    InputError
        The pattern has no field, names one twice, or has two fields with nothing between them.
    """

    __slots__ = ("_greedy", "_lazy", "_parts", "fields", "text")

    def __init__(self, text: str) -> None:
        pieces = _FIELD.split(text)
        self.text = text
        self.fields = tuple(field.strip() for field in pieces[1::2])
        between = pieces[2:-1:2]
        if not self.fields or "" in self.fields or len(set(self.fields)) < len(self.fields):
            raise InputError(
                f"name_pattern '{text}': expected each value once in braces, as in "
                f"'{{rig}}_{{pad_set}}_{{run}}.csv'."
            )
        if "" in between:
            raise InputError(
                f"name_pattern '{text}': two values follow each other with nothing between them, so that it "
                "cannot be told where one ends. Put a separator between them."
            )
        self._parts = text.count("/") + 1
        self._lazy = _pattern(pieces, "+?")
        self._greedy = _pattern(pieces, "+")

    def values(self, path: str) -> dict[str, str]:
        """The values in a relative path.

        Raises
        ------
        InputError
            The name does not fit the pattern, or fits it in two ways.
        """
        tail = "/".join(PurePosixPath(path).parts[-self._parts :])
        short, long = self._lazy.fullmatch(tail), self._greedy.fullmatch(tail)
        if short is None or long is None:
            raise InputError(
                f"{path}: the name does not fit the pattern '{self.text}', from which {listed(self.fields)} "
                "should be read. Rename the file, correct name_pattern, or leave the file out."
            )
        if short.groups() != long.groups():
            raise InputError(
                f"{path}: the name fits the pattern '{self.text}' in two ways ({listed(short.groups())} or "
                f"{listed(long.groups())}). Use a separator that does not occur in the values."
            )
        return dict(zip(self.fields, short.groups(), strict=True))


def _pattern(pieces: Sequence[str], amount: str) -> re.Pattern[str]:
    parts = [re.escape(piece) if at % 2 == 0 else f"([^/]{amount})" for at, piece in enumerate(pieces)]
    return re.compile("".join(parts), re.DOTALL)
