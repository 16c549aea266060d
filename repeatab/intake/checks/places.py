"""Findings from the rows a check has flagged: one per file, with row numbers.

In: the flagged rows of a table.  Out: DataFinding.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import narwhals.stable.v2 as nw

from repeatab.base.errors import listed
from repeatab.intake.engine import FIRST_ROW, Lazy, count_rows, names_of, rows_of
from repeatab.intake.frames import TABLE
from repeatab.intake.roles import SOURCE_FILE, SOURCE_ROW
from repeatab.outcome.outcome import DataFinding

MOST_ROWS = 200
"""Row numbers kept in one finding; its text gives the full count."""

MOST_FILES = 20
"""With more files than this a check gives one finding that lists them."""


_ROWS = "rows of this file"
# The places that the functions below write, and what they say of them.
_TOLD = re.compile(
    r"(?:rows? (?P<rows>\d+(?:, \d+)*)(?: and (?:(?P<more>\d+) more|(?P<last>\d+)))?|(?P<count>\d+) rows?)"
    r": (?P<what>.*)",
    re.DOTALL,
)


def findings_at(flagged: Lazy, *, check: str, what: str, blocks: bool = False) -> list[DataFinding]:
    """One finding per file for the flagged rows; none where no row is flagged.

    what : the sentence after the place, such as "the result is missing; set aside".
    """
    total = count_rows(flagged)
    if total == 0:
        return []
    names = names_of(flagged)
    if SOURCE_ROW not in names:
        return _without_row_numbers(flagged, total, check, what, blocks)
    if SOURCE_FILE not in names:
        rows = _row_numbers(flagged)
        return [_finding(check, TABLE, "", rows, what, blocks)]
    files = sorted(flagged.select(SOURCE_FILE).unique().collect()[SOURCE_FILE].to_list())
    if len(files) > MOST_FILES:
        text = f"{_rows_counted(total)} of {len(files)} files ({listed(files, most=3)}): {what}"
        return [DataFinding(check=check, text=text, blocks=blocks)]
    return [
        _finding(check, file, file, _row_numbers(flagged.filter(nw.col(SOURCE_FILE) == file)), what, blocks)
        for file in files
    ]


def joined_findings(findings: Sequence[DataFinding]) -> list[DataFinding]:
    """The findings on pieces of the same files as those on the files: one check says one thing of a file once."""
    said: dict[tuple[object, ...], list[DataFinding]] = {}
    for finding in dict.fromkeys(findings):
        told = _told(finding) if finding.file else None
        what = finding if told is None else told["what"]
        said.setdefault((finding.check, finding.file, what, finding.blocks), []).append(finding)
    return [
        same[0] if len(same) == 1 else _joined(same, same[0].file, str(key[2])) for key, same in said.items()
    ]


def _told(finding: DataFinding) -> re.Match[str] | None:
    return _TOLD.match(finding.text.removeprefix(f"{finding.file}, "))


def _joined(same: Sequence[DataFinding], file: str, what: str) -> DataFinding:
    first = same[0]
    if not first.rows:
        count = sum(_count_told(finding) for finding in same)
        return DataFinding(
            check=first.check, text=f"{file}, {_rows_counted(count)}: {what}", file=file, blocks=first.blocks
        )
    rows = sorted({row for finding in same for row in finding.rows})
    whole = all(len(finding.rows) < MOST_ROWS for finding in same)
    count = len(rows) if whole else sum(_count_told(finding) for finding in same)
    return DataFinding(
        check=first.check, text=f"{file}, {rows_in_words(rows, count=count)}: {what}", file=file,
        rows=tuple(rows[:MOST_ROWS]), blocks=first.blocks,
    )  # fmt: skip


def _count_told(finding: DataFinding) -> int:
    """How many rows the text of a finding speaks of."""
    told = _told(finding)
    assert told is not None
    if told["count"]:
        return int(told["count"])
    return told["rows"].count(",") + 1 + int(told["more"] or 0) + bool(told["last"])


def _without_row_numbers(flagged: Lazy, total: int, check: str, what: str, blocks: bool) -> list[DataFinding]:
    """Rows of a table whose engine keeps no order: how many, and of which file where that is known."""
    if SOURCE_FILE not in names_of(flagged):
        text = f"{TABLE}, {_rows_counted(total)}: {what}"
        return [DataFinding(check=check, text=text, blocks=blocks)]
    first = [nw.col(FIRST_ROW).min()] if FIRST_ROW in names_of(flagged) else []
    by_file = flagged.group_by(SOURCE_FILE).agg(rows_of(flagged).alias(_ROWS), *first)
    counted = by_file.collect().sort(SOURCE_FILE)
    if len(counted) > MOST_FILES:
        some = listed(counted[SOURCE_FILE].to_list(), most=3)
        text = f"{_rows_counted(total)} of {len(counted)} files ({some}): {what}"
        return [DataFinding(check=check, text=text, blocks=blocks)]
    files, counts = counted[SOURCE_FILE].to_list(), counted[_ROWS].to_list()
    firsts = counted[FIRST_ROW].to_list() if first else [None] * len(files)
    return [
        _counted_finding(check, file, rows, row, what, blocks)
        for file, rows, row in zip(files, counts, firsts, strict=True)
    ]


def _counted_finding(
    check: str, file: str, count: int, first: float | None, what: str, blocks: bool
) -> DataFinding:
    """Of rows that are counted only; `first` is the row number of the first of them, where it is known."""
    # Beside files whose rows have no numbers a missing number is not a number.
    if first is None or first != first:
        return DataFinding(
            check=check, text=f"{file}, {_rows_counted(count)}: {what}", file=file, blocks=blocks
        )
    row = int(first)
    where = f"row {row}" if count == 1 else f"{_rows_counted(count)} from row {row} on"
    rows = (row,) if count == 1 else ()
    return DataFinding(check=check, text=f"{file}, {where}: {what}", file=file, rows=rows, blocks=blocks)


def _finding(check: str, shown: str, file: str, rows: Sequence[int], what: str, blocks: bool) -> DataFinding:
    return DataFinding(
        check=check,
        text=f"{shown}, {rows_in_words(rows)}: {what}",
        file=file,
        rows=tuple(rows[:MOST_ROWS]),
        blocks=blocks,
    )


def _row_numbers(flagged: Lazy) -> list[int]:
    """Each row once: a wide table gives several results of one row."""
    return list(flagged.select(SOURCE_ROW).unique().collect()[SOURCE_ROW].sort().to_list())


def rows_in_words(rows: Sequence[int], most: int = 8, *, count: int | None = None) -> str:
    """Row numbers for a sentence: "row 3", "rows 3, 4 and 9", "rows 3, 4, … and 12 more".

    count : how many there are, where these are only the first.
    """
    count = len(rows) if count is None else count
    if count == 1:
        return f"row {rows[0]}"
    if count > most:
        return f"rows {', '.join(str(row) for row in rows[:most])} and {count - most} more"
    return f"rows {', '.join(str(row) for row in rows[:-1])} and {rows[-1]}"


def _rows_counted(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"
