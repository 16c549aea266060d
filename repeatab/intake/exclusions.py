"""Exclusions: rows the laboratory takes out, each with its reason, which goes into the report.

In: what the user declares.  Out: the rows that match, and a record of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from repeatab.base.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """Rows to leave out: those where every named column has the named value.

    match : role, own name, column of the file, "source_file" or "source_row" -> the value there. Values are
        compared as text, so 3 matches "3".
    reason : why; it stands in the report.
    """

    match: Mapping[str, object]
    reason: str

    def __post_init__(self) -> None:
        if not self.match:
            raise InputError(
                "An exclusion names no column, so it would exclude every row; say what it matches."
            )
        if not self.reason.strip():
            raise InputError(
                f"The exclusion of {self.in_words()} gives no reason. Nothing is left out without one: add reason = '…'."
            )

    def in_words(self) -> str:
        """What is matched, as "rig = 'R1', run = '7'"."""
        return ", ".join(f"{name} = '{value}'" for name, value in self.match.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """The rows that one exclusion took out of one file ("" for a table that is no file).

    `rows` are the row numbers a spreadsheet shows; empty where the table keeps no row order.
    """

    match: str
    reason: str
    file: str
    rows: tuple[int, ...]
    count: int

    def __str__(self) -> str:
        where = f" of {self.file}" if self.file else ""
        rows = "1 row" if self.count == 1 else f"{self.count} rows"
        return f"{rows}{where} ({self.match}): {self.reason}"
