"""A table as a reader found it: columns under the file's own names, not yet interpreted.

In: what csv_files, workbook_files and parquet_files read.  Out: RawTable, which arrange.py turns into roles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from repeatab.base.errors import InputError, listed

Record = Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """One file's table.

    table : a pyarrow Table; text columns hold text, others keep the file's types.
    row_numbers : (rows,) int64 array, the row a spreadsheet shows for each row of the table.
    heading : the lines above the header, as lists of cells.
    units : column -> text of the units row; empty without one.
    comma_between : whether a comma stands between the values, so that it cannot be a bare decimal mark.
    typed : whether the file itself says which columns are numbers (Parquet), so labels keep their types.
    decimal, nominal : the decimal mark that the head of the file shows, and what is taken off results where digits
        would be lost, where these are some of its rows; else "" and None.
    """

    file: str
    table: Any
    row_numbers: Any
    heading: tuple[Record, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    comma_between: bool = False
    typed: bool = False
    detected: tuple[str, ...] = ()
    decimal: str = ""
    nominal: float | None = None


def refuse_bad_names(names: Sequence[str], wanted: Sequence[str], *, file: str, row: int) -> None:
    """Refuse a header in which a wanted name stands twice.

    Raises
    ------
    InputError
        The message names the row and the column numbers at which the name stands.
    """
    for name in wanted:
        places = [index + 1 for index, found in enumerate(names) if found == name]
        if len(places) > 1:
            at = " and ".join(str(place) for place in places)
            raise InputError(
                f"{file}, row {row}: the column name '{name}' stands {len(places)} times (columns {at}), "
                "expected once: it cannot be told which one is meant. Rename one of them."
            )


def unique_names(names: Sequence[str]) -> list[str]:
    """Make names usable as keys: an unwanted name that repeats, or an empty one, gets its column number."""
    seen: set[str] = set()
    result = []
    for index, name in enumerate(names):
        key = name if name and name not in seen else f"{name or 'column'} ({index + 1})"
        seen.add(key)
        result.append(key)
    return result


def no_rows(*, file: str, columns: Sequence[str]) -> InputError:
    """The refusal of a table that has a header and nothing under it."""
    return InputError(
        f"{file}: found a header ({listed(columns)}) and no row under it, expected results. Check that the "
        "export was complete."
    )
