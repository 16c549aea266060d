"""Numbers as people read them: the decimals a column deserves, and a mark where there is no number."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.report.words import printable

MISSING = "–"
MISSING_MEANS = "not available in this design"
_FRICTION_DECIMALS = 4
_MINUS = "\u2212"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def finite(values: Iterable[Value]) -> list[float]:
    """The numbers among the values."""
    return [
        float(value)
        for value in values
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    ]


def result_decimals(values: Iterable[float | None], *, unit: str) -> int:
    """Decimals for results, offsets and standard deviations that stand together.

    Friction and other pure numbers get four (a section mean repeats to about 0.005: common practice, no
    source); others as many as show the spread of the values to three figures. Smaller values get more.
    """
    numbers = finite(values)
    largest = max((abs(number) for number in numbers), default=0.0)
    if not unit and largest < 10:
        tiny = 0 < largest < 0.001
        return min(9, 2 - math.floor(math.log10(largest))) if tiny else _FRICTION_DECIMALS
    spread = max(numbers) - min(numbers) if numbers else 0.0
    size = spread or largest
    return 0 if size == 0 else max(0, min(9, 2 - math.floor(math.log10(size))))


def fixed(value: float, decimals: int, *, sign: bool = False) -> str:
    """A number with so many decimals, a true minus sign and no negative zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    elif sign and value > 0:
        text = f"+{text}"
    return text.replace("-", _MINUS)


def significant(value: float, digits: int = 3) -> str:
    """A number with so many digits, in powers of ten when it is far from one."""
    if value == 0:
        return "0"
    power = math.floor(math.log10(abs(value)))
    if -3 <= power < 5:
        return fixed(value, max(0, digits - 1 - power))
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa.replace('-', _MINUS)} × 10{str(int(exponent)).translate(_SUPERSCRIPT)}"


def probability(value: float) -> str:
    """A probability with three decimals; never shown as 0 or 1 unless it is."""
    if 0 < value < 0.0005:
        return "< 0.001"
    if 0.9995 < value < 1:
        return "> 0.999"
    return fixed(value, 3)


def count(value: float) -> str:
    """A count, thousands parted by a narrow space, which nobody takes for a decimal sign."""
    text = f"{round(value):,}" if abs(value) >= 10_000 else str(round(value))
    return text.replace(",", "\u202f").replace("-", _MINUS)


def column_decimals(table: Table) -> tuple[int, ...]:
    """Decimals for each column; columns of results in the same unit share theirs, so that they compare."""
    columns = [finite(row[i] for row in table.rows) for i in range(len(table.columns))]
    own = [
        result_decimals(values, unit=column.unit)
        if column.kind is ColumnKind.RESULT
        else _own_decimals(column, values)
        for column, values in zip(table.columns, columns, strict=True)
    ]
    shared: dict[tuple[str, bool], int] = {}
    for column, decimals in zip(table.columns, own, strict=True):
        if column.kind is ColumnKind.RESULT:
            group = _group(column, decimals)
            # Tiny pure numbers follow the largest among them; their decimals are not for the others.
            pick = min if group[1] else max
            shared[group] = pick(decimals, shared.get(group, decimals))
    return tuple(
        shared[_group(column, decimals)] if column.kind is ColumnKind.RESULT else decimals
        for column, decimals in zip(table.columns, own, strict=True)
    )


def _group(column: Column, decimals: int) -> tuple[str, bool]:
    """Columns of results with the same group share their decimals."""
    return column.unit, not column.unit and decimals > _FRICTION_DECIMALS


def _own_decimals(column: Column, values: Sequence[float]) -> int:
    match column.kind:
        case ColumnKind.PERCENT:
            return 1
        case ColumnKind.RATIO | ColumnKind.PROBABILITY:
            return 3
        case ColumnKind.NUMBER:
            return 0 if all(value == round(value) for value in values) else 2
        case _:
            return 0


def cell_text(value: Value, column: Column, decimals: int) -> str:
    """One cell as the page and the terminal show it."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return MISSING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return printable(value)
    match column.kind:
        case ColumnKind.VARIANCE:
            return significant(value)
        case ColumnKind.COUNT:
            return count(value) if value == round(value) else fixed(value, 2)
        case ColumnKind.PROBABILITY:
            return probability(value)
        case ColumnKind.TEXT | ColumnKind.DATE:
            return printable(str(value))
        case ColumnKind.NUMBER if value != 0 and abs(value) < 0.01:
            return significant(value)
        case _:
            return fixed(value, decimals)


def is_numeric(kind: ColumnKind) -> bool:
    """Whether the column's cells are set flush right."""
    return kind not in (ColumnKind.TEXT, ColumnKind.DATE)
