"""Simulated rates: the dated tables of coverage and error rates, read from the text in which they are kept.

In: carried Markdown with headings, paragraphs and tables.  Out: RateSheet, and the range of one column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from repeatab.dossier.carried import names_of, text_of

_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class RateTable:
    """A table; `heading` is what stands above it, `before` the paragraphs between."""

    heading: str
    before: tuple[str, ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def numbers(self, column: str, *, where: str = "") -> tuple[float, ...]:
        """The leading numbers of a column, of the rows that hold `where` as a cell; none where there is no such
        column."""
        if column not in self.heads:
            return ()
        at = self.heads.index(column)
        found = [_NUMBER.search(row[at]) for row in self.rows if not where or where in row]
        return tuple(float(match.group()) for match in found if match is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateSheet:
    """A dated sheet of tables: its name, title, tables and what stands after the last one."""

    name: str
    title: str
    tables: tuple[RateTable, ...]
    after: tuple[str, ...] = ()

    def numbers(self, column: str, *, where: str = "") -> tuple[float, ...]:
        """The leading numbers of a column in every table that has it."""
        return tuple(value for table in self.tables for value in table.numbers(column, where=where))


@dataclass(slots=True)
class _Reading:
    title: str = ""
    heading: str = ""
    words: list[str] = field(default_factory=list)
    paragraphs: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    tables: list[RateTable] = field(default_factory=list)

    def end_paragraph(self) -> None:
        if self.words:
            self.paragraphs.append(plain(" ".join(self.words)))
            self.words = []

    def end_table(self) -> None:
        if not self.lines:
            return
        heads, _, *rest = (cells_of(line) for line in self.lines)
        even = tuple(tuple((*row, *[""] * len(heads))[: len(heads)]) for row in rest)
        self.tables.append(
            RateTable(heading=self.heading, before=tuple(self.paragraphs), heads=tuple(heads), rows=even)
        )
        self.lines, self.paragraphs = [], []


def rate_sheets() -> tuple[RateSheet, ...]:
    """Every carried sheet."""
    return tuple(sheet_of(name.removesuffix(".md"), text_of("rates", name)) for name in names_of("rates"))


def sheet_of(name: str, text: str) -> RateSheet:
    """A sheet from its text."""
    reading = _Reading()
    for line in [*text.splitlines(), ""]:
        if line.startswith("|"):
            reading.end_paragraph()
            reading.lines.append(line)
            continue
        reading.end_table()
        if line.startswith("#"):
            reading.end_paragraph()
            _head(reading, plain(line.lstrip("#").strip()), first=line.startswith("# "))
        elif not line.strip() or line.startswith(("- ", "* ")):
            reading.end_paragraph()
            reading.words = [line[2:].strip()] if line.strip() else []
        else:
            reading.words.append(line.strip())
    reading.end_paragraph()
    return RateSheet(
        name=name, title=reading.title or name, tables=tuple(reading.tables), after=tuple(reading.paragraphs)
    )


def _head(reading: _Reading, text: str, *, first: bool) -> None:
    if first and not reading.title:
        reading.title = text
    else:
        reading.heading = text


def cells_of(line: str) -> list[str]:
    """The cells of a table's line."""
    inner = line.strip().removeprefix("|").removesuffix("|")
    return [plain(cell.strip().replace("\\|", "|")) for cell in re.split(r"(?<!\\)\|", inner)]


def plain(text: str) -> str:
    """Text without the marks of emphasis and code."""
    return re.sub(r"(\*\*|\*|`)(?=\S)(.+?)(?<=\S)\1", r"\2", text)
