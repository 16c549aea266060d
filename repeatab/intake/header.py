"""Finding the header below title lines, and the units row below the header.

In: the first records of a file as lists of cells.  Out: where the header is, and whether a units row follows.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from repeatab.base.errors import InputError
from repeatab.intake.options import ReadOptions, UnitsRow
from repeatab.intake.raw import Record

_NUMBER = re.compile(r"^\s*[+-]?[\d.,]*\d[\d.,]*([eE][+-]?\d+)?\s*$")
_BRACKETS = re.compile(r"^[\[(<{/\s]*|[\])>}\s]*$")

# Units seen under the headers of rig exports, brackets removed, lower case. Common practice, no source.
_UNITS = frozenset(
    (
        *(
            "-",
            "–",
            "—",
            "1/1",
            "%",
            "nm",
            "n·m",
            "n*m",
            "n.m",
            "danm",
            "dan·m",
            "knm",
            "n",
            "kn",
            "°c",
            "c",
            "degc",
        ),
        *(
            "k",
            "bar",
            "mpa",
            "kpa",
            "pa",
            "s",
            "ms",
            "min",
            "h",
            "m",
            "mm",
            "µm",
            "μm",
            "km/h",
            "kph",
            "m/s",
            "rpm",
        ),
        *(
            "m/s2",
            "m/s²",
            "m/s^2",
            "1/min",
            "kg",
            "kgm2",
            "kgm²",
            "kg·m²",
            "w",
            "kw",
            "j",
            "kj",
            "mj",
            "v",
            "hz",
        ),
    )
)


def matches(record: Record, wanted: Sequence[str]) -> int:
    """How many of the wanted column names stand in this record."""
    cells = {cell.strip() for cell in record}
    return sum(name in cells for name in set(wanted))


def find_header(records: Sequence[Record], wanted: Sequence[str], options: ReadOptions, *, file: str) -> int:
    """The index of the header among `records`: the declared one, else the record with most wanted names.

    Where no record has any of them, the first record that looks like a header is taken, so that the refusal
    which follows can list what the file does have.

    Raises
    ------
    InputError
        The declared header row is not in the file, or the file holds nothing.
    """
    if not any(_filled(record) for record in records):
        raise InputError(
            f"{file}: the file is empty, expected a header and results. Check that the export was complete."
        )
    if options.header_row is not None:
        if options.header_row > len(records):
            raise InputError(
                f"{file}: header_row is {options.header_row}, but no such row was found in the first "
                f"{len(records)} rows. Correct header_row."
            )
        if not _filled(records[options.header_row - 1]):
            raise InputError(
                f"{file}, row {options.header_row}: is empty, expected the names of the columns, as header_row says. "
                "Correct header_row."
            )
        return options.header_row - 1
    scores = [matches(record, wanted) for record in records]
    if max(scores) > 0:
        return scores.index(max(scores))
    widest = max(_filled(record) for record in records)
    return next(index for index, record in enumerate(records) if _filled(record) == widest)


def is_units_row(record: Record, number_cells: Sequence[int], options: ReadOptions) -> bool:
    """Whether this record, the one under the header, names units.

    Automatic: none of the cells that should be numbers is one, and every filled cell is a known unit or
    stands in brackets, so that a rig called "C" is not taken for degrees.
    """
    match options.units_row:
        case UnitsRow.NONE:
            return False
        case UnitsRow.BELOW_HEADER:
            return True
        case UnitsRow.AUTOMATIC:
            cells = [record[index] for index in number_cells if index < len(record)]
            if any(_NUMBER.match(cell) for cell in cells):
                return False
            filled = [cell.strip() for cell in record if cell.strip()]
            return bool(filled) and all(_is_unit(cell) for cell in filled)


def bare_unit(text: str) -> str:
    """The unit without brackets: "[bar]" and "bar" are the same."""
    return _BRACKETS.sub("", text)


def _is_unit(cell: str) -> bool:
    bare = bare_unit(cell)
    return bare != cell or bare.lower().replace(" ", "") in _UNITS


def _filled(record: Record) -> int:
    return sum(bool(cell.strip()) for cell in record)
