"""Exclusions: rows the laboratory takes out, each with its reason, which goes into the report.

In: what the user declares.  Out: the rows that match, and a record of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.intake.aliases import Aliases
from repeatab.intake.engine import Lazy, count_rows, names_of, nowhere
from repeatab.intake.roles import SOURCE_ROW


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """Rows to leave out: those where every named column has the named value.

    match : role, own name, column of the file, "source_file" or "source_row" -> the value there. Values are
        compared as text, so 3 matches "3".
    reason : why; it stands in the report.
    elsewhere : whether it matched something outside the tables that are read here, so that it may match nothing.
    """

    match: Mapping[str, object]
    reason: str
    elsewhere: bool = False

    def __post_init__(self) -> None:
        if not self.match:
            raise InputError(
                "An exclusion names no column, so it would exclude every row; say what it matches."
            )
        if not self.reason.strip():
            raise InputError(
                f"The exclusion of {self.in_words()} gives no reason. Nothing is left out without one: add "
                "reason = '…'."
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusions:
    """What a list of exclusions took out of one table.

    matched : for each exclusion, whether it matched any row. A row that two of them match is recorded under
        the first only.
    """

    kept: Lazy
    excluded: tuple[Excluded, ...]
    matched: tuple[bool, ...]


def exclude_rows(frame: Lazy, exclusions: Sequence[Exclusion], aliases: Aliases, *, file: str) -> Exclusions:
    """Take the excluded rows out of one table and record them."""
    kept = frame
    records: list[Excluded] = []
    matched: list[bool] = []
    schema = frame.collect_schema()
    for exclusion in exclusions:
        condition = _condition(exclusion, schema, aliases)
        if condition is None:
            matched.append(False)
            continue
        record = _record(kept.filter(condition), exclusion, file=file)
        matched.append(bool(record) or count_rows(frame.filter(condition)) > 0)
        records += record
        kept = kept.filter(~condition) if record else kept
    return Exclusions(kept=kept, excluded=tuple(records), matched=tuple(matched))


def refuse_unmatched(exclusions: Sequence[Exclusion], matched: Sequence[Sequence[bool]]) -> None:
    """Refuse an exclusion that matches no row of any table: what it was meant for is still in the data.

    matched : for each table, `Exclusions.matched`.

    Raises
    ------
    InputError
        The message names the exclusion and its reason.
    """
    for at, exclusion in enumerate(exclusions):
        if not exclusion.elsewhere and not any(table[at] for table in matched):
            raise InputError(
                f"The exclusion of {exclusion.in_words()} ('{exclusion.reason}') matches no row, so what it "
                "was meant for is still in the data. Correct the names and values under [[exclude]] or "
                "remove it."
            )


def _condition(
    exclusion: Exclusion, schema: Mapping[str, nw.dtypes.DType], aliases: Aliases
) -> nw.Expr | None:
    """Where every named column has the named value; None where the table lacks one of the columns."""
    if any(name not in schema for name in exclusion.match):
        return None
    parts = [
        _equals(name, aliases.of(name).get(str(value), value), schema[name])
        for name, value in exclusion.match.items()
    ]
    return nw.all_horizontal(*parts, ignore_nulls=False).fill_null(False)


def _equals(name: str, value: object, kind: nw.dtypes.DType) -> nw.Expr:
    if kind.is_numeric():
        try:
            return nw.col(name) == float(str(value))
        except ValueError:
            return nowhere(name)
    return nw.col(name).cast(nw.String) == str(value)


def _record(found: Lazy, exclusion: Exclusion, *, file: str) -> list[Excluded]:
    if SOURCE_ROW in names_of(found):
        rows = [int(row) for row in found.select(SOURCE_ROW).collect()[SOURCE_ROW].to_list()]
        count = len(rows)
    else:
        rows, count = [], count_rows(found)
    if count == 0:
        return []
    words, reason = exclusion.in_words(), exclusion.reason
    return [Excluded(match=words, reason=reason, file=file, rows=tuple(sorted(set(rows))), count=count)]
