"""Numbers as text: which mark is the decimal one, and the numbers that the text stands for.

In: columns of text.  Out: Marks (decided once per file) and arrays of float64.
Where `1,234` could be 1.234 or 1234 and nothing in the file tells, the user is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from repeatab.base.errors import InputError
from repeatab.intake.options import DecimalMark, ReadOptions, ThousandsMark

_SAMPLE = 10_000
_SPACES = " \u00a0\u202f\u2009"
_APOSTROPHES = "'’"
_GROUPING = {
    ThousandsMark.POINT: ".",
    ThousandsMark.COMMA: ",",
    ThousandsMark.SPACE: _SPACES,
    ThousandsMark.APOSTROPHE: _APOSTROPHES,
    ThousandsMark.NONE: "",
    ThousandsMark.AUTOMATIC: "",
}
PLAIN = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"
NOT_FINITE = r"(?i)^[+-]?(?:nan|inf|infinity)$"
_NUMBER_LIKE = (
    r"^[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+|\d{1,3}(?:[.,'’\x{00a0}\x{202f}\x{2009} ]\d{3})+(?:[.,]\d+)?)"
    r"(?:[eE][+-]?\d+)?$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """The decimal mark of a file and the characters that group its digits ("" for none)."""

    decimal: str
    grouping: str
    sentence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextColumn:
    """A column of text that holds numbers: its name in the file, its cells and their row numbers."""

    name: str
    cells: Any
    row_numbers: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sign:
    """The first cell that speaks for something, and where it stands."""

    cell: str
    row: int
    column: str

    def __str__(self) -> str:
        return f"row {self.row}, column '{self.column}': '{self.cell}'"


def number_like(cells: Any) -> tuple[int, int]:
    """How many cells are written like numbers under some convention, and how many are not blank."""
    import pyarrow.compute as pc

    trimmed = pc.utf8_trim_whitespace(cells)
    filled = pc.sum(pc.not_equal(trimmed, "")).as_py() or 0
    like = pc.sum(pc.match_substring_regex(trimmed, _NUMBER_LIKE)).as_py() or 0
    odd = pc.sum(pc.match_substring_regex(trimmed, NOT_FINITE)).as_py() or 0
    return int(like + odd), int(filled)


def decide_marks(
    columns: Sequence[TextColumn], options: ReadOptions, *, file: str, comma_between: bool, head: str = ""
) -> Marks:
    """The decimal and thousands marks of a file, from all its columns of numbers.

    `comma_between`: commas separate the values, so a point in them is a decimal point. `head`: the decimal mark that
    the head of the file shows, where these are some of its rows.

    Raises
    ------
    InputError
        Cells contradict each other, or every cell with a mark could be read in two ways.
    """
    decimal = _declared_decimal(options)
    if decimal is None and head:
        _refuse_other_decimal(columns, head, file=file)
        decimal = head
    if decimal is None:
        decimal = _detected_decimal(columns, file=file, comma_between=comma_between)
    grouping = _grouping(decimal, options)
    word = "point" if decimal == "." else "comma"
    return Marks(decimal=decimal, grouping=grouping, sentence=f"decimal {word}")


def decimal_shown(columns: Sequence[TextColumn], options: ReadOptions) -> str:
    """The decimal mark that is declared, or that a cell shows beyond doubt; "" where there is neither."""
    declared = _declared_decimal(options)
    if declared is not None:
        return declared
    return next((mark for mark in ".," if _first_of(columns, _sure(mark))), "")


def _refuse_other_decimal(columns: Sequence[TextColumn], head: str, *, file: str) -> None:
    other, words = (",", ("comma", "point")) if head == "." else (".", ("point", "comma"))
    found = _first_of([column for column in columns if _has(column, other)], _sure(other))
    if found:
        raise InputError(
            f"{file}: {found} has a decimal {words[0]}, the first rows of the file a decimal {words[1]}; expected one "
            "mark throughout. Correct the cells, or split the file and declare the decimal mark of each part."
        )


def _declared_decimal(options: ReadOptions) -> str | None:
    match options.decimal, options.thousands:
        case (DecimalMark.POINT, _) | (_, ThousandsMark.COMMA):
            return "."
        case (DecimalMark.COMMA, _) | (_, ThousandsMark.POINT):
            return ","
        case _:
            return None


def _grouping(decimal: str, options: ReadOptions) -> str:
    if options.thousands is ThousandsMark.AUTOMATIC:
        return ("," if decimal == "." else ".") + _SPACES + _APOSTROPHES
    return _GROUPING[options.thousands]


def _detected_decimal(columns: Sequence[TextColumn], *, file: str, comma_between: bool) -> str:
    # The usual file has points only; a few thousand cells nearly always settle it.
    points_only = not any(_has(column, ",") for column in columns)
    if points_only and (comma_between or any(_first(c, _sure("."), most=_SAMPLE) for c in columns)):
        return "."
    point = _first_of(columns, _sure("."))
    comma = _first_of(columns, _sure(","))
    if point and comma:
        raise InputError(
            f"{file}: {point} has a decimal point, {comma} a decimal comma; expected one mark throughout. "
            "Correct the cells, or split the file and declare the decimal mark of each part."
        )
    if point or comma:
        return "." if point else ","
    unclear_comma = _first_of(columns, _unclear(","))
    unclear_point = None if comma_between else _first_of(columns, _unclear("."))
    unclear = unclear_comma or unclear_point
    if unclear is None:
        return "."
    mark = "," if unclear_comma else "."
    word = "comma" if unclear_comma else "point"
    small, large = unclear.cell.replace(mark, "."), unclear.cell.replace(mark, "")
    raise InputError(
        f"{file}, {unclear} could be {small} or {large}, and no other cell tells which. Declare the decimal "
        f"mark: decimal = '{word}' for {small}, decimal = '{'point' if unclear_comma else 'comma'}' for "
        f"{large}."
    )


def _sure(mark: str) -> str:
    """Cells in which `mark` cannot be anything but the decimal mark."""
    m, other = ("\\.", ",") if mark == "." else (",", "\\.")
    grouped = rf"\d{{1,3}}(?:[{_SPACES}{_APOSTROPHES}]\d{{3}})+{m}\d*"
    return (
        rf"^[+\-−]?(?:(?:0\d*|\d{{4,}}|){m}\d+|\d+{m}(?:\d{{0,2}}|\d{{4,}})|\d*{m}\d*[eE][+-]?\d+"
        rf"|{grouped}|\d{{1,3}}(?:{other}\d{{3}})+{m}\d+|\d{{1,3}}(?:{other}\d{{3}}){{2,}})$"
    )


def _unclear(mark: str) -> str:
    """Cells like 1,234, in which `mark` could group digits or be the decimal mark."""
    m = "\\." if mark == "." else ","
    return rf"^[+\-−]?[1-9]\d{{0,2}}{m}\d{{3}}$"


def _has(column: TextColumn, mark: str) -> bool:
    import pyarrow.compute as pc

    return bool(pc.any(pc.match_substring(column.cells, mark)).as_py())


def _first_of(columns: Sequence[TextColumn], pattern: str) -> _Sign | None:
    return next((sign for column in columns if (sign := _first(column, pattern))), None)


def _first(column: TextColumn, pattern: str, *, most: int | None = None) -> _Sign | None:
    import pyarrow.compute as pc

    cells = column.cells if most is None else column.cells.slice(0, most)
    trimmed = pc.utf8_trim_whitespace(cells)
    index = pc.index(pc.fill_null(pc.match_substring_regex(trimmed, pattern), False), True).as_py()
    if index < 0:
        return None
    return _Sign(cell=trimmed[index].as_py(), row=int(column.row_numbers[index]), column=column.name)


def parse_numbers(column: TextColumn, marks: Marks, *, file: str) -> Any:
    """The numbers of a text column as a float64 pyarrow array; blank cells become null.

    Raises
    ------
    InputError
        A cell is not a number; the message names the first one with its row, and how many more there are.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    trimmed = pc.utf8_trim_whitespace(column.cells)
    trimmed = pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)
    quick = _read_quickly(trimmed, marks)
    if quick is not None:
        return quick
    plain = _plain(trimmed, marks)
    good = pc.or_(
        pc.match_substring_regex(plain, PLAIN),
        pc.match_substring_regex(plain, NOT_FINITE),
    )
    bad = pc.fill_null(pc.invert(good), False)
    _refuse_first(bad, trimmed, column, file=file)
    return pc.cast(pc.utf8_ltrim(plain, "+"), pa.float64())


def _read_quickly(trimmed: Any, marks: Marks) -> Any | None:
    """The numbers, if no cell groups digits or is wrong; None sends the column the careful way."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if marks.decimal == ",":
        if pc.any(pc.match_substring(trimmed, ".")).as_py():
            return None
        trimmed = pc.replace_substring(trimmed, ",", ".")
    try:
        return pc.cast(trimmed, pa.float64())
    except pa.ArrowInvalid:
        return None


def plain_texts(column: TextColumn, marks: Marks) -> list[str | None]:
    """The cells as a program writes numbers; None for blank ones."""
    import pyarrow as pa
    import pyarrow.compute as pc

    trimmed = pc.utf8_trim_whitespace(column.cells)
    trimmed = pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)
    return list(_plain(trimmed, marks).to_pylist())


def _plain(cells: Any, marks: Marks) -> Any:
    """The cells as a program writes numbers: no grouping, a decimal point, an ASCII minus sign."""
    import pyarrow.compute as pc

    if marks.grouping:
        grouped = grouped_digits(marks)
        bare = pc.replace_substring_regex(cells, rf"[{marks.grouping}]", "")
        cells = pc.if_else(pc.match_substring_regex(cells, grouped), bare, cells)
    if marks.decimal == ",":
        # A point left over is no decimal mark here: keep it from becoming one.
        cells = pc.replace_substring(pc.replace_substring(cells, ".", "?"), ",", ".")
    return pc.replace_substring(cells, "−", "-")


def grouped_digits(marks: Marks) -> str:
    """The pattern of a number whose digits are grouped in threes."""
    d = "\\." if marks.decimal == "." else ","
    return rf"^[+\-−]?\d{{1,3}}(?:[{marks.grouping}]\d{{3}})+(?:{d}\d*)?$"


def _refuse_first(bad: Any, trimmed: Any, column: TextColumn, *, file: str) -> None:
    import pyarrow.compute as pc

    count = pc.sum(bad).as_py() or 0
    if not count:
        return
    index = pc.index(bad, True).as_py()
    found = trimmed[index].as_py()
    found = found if len(found) <= 60 else found[:57] + "..."
    error = InputError.not_a_number(
        file=file, row=int(column.row_numbers[index]), column=column.name, found=found
    )
    more = f" {count - 1} more of its cells are no numbers." if count > 1 else ""
    raise InputError(f"{error}{more}")
