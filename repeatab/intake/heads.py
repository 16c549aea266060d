"""What the head of a file shows of columns whose cells decide what they are.

In: the first rows of a file.  Out: how many of the cells of an own column are written like numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from repeatab.intake.columns import ColumnPlan
from repeatab.intake.numbers import number_like
from repeatab.intake.raw import RawTable

Counts = Mapping[str, tuple[int, int]]
"""Own column -> cells that are written like numbers, and cells that are filled."""


def numbers_among(raw: RawTable, plan: ColumnPlan) -> Counts:
    """The counts of one head, for the own columns that are declared neither way."""
    found = {}
    for name, column in plan.columns.items():
        if not plan.is_open(name) or column not in raw.table.column_names:
            continue
        cells = raw.table.column(column)
        if is_text(cells.type):
            found[name] = number_like(cells.cast("string")) if not raw.typed else (0, len(cells))
        else:
            found[name] = (len(cells) * is_number(cells.type), len(cells))
    return found


def covariates_of(heads: Sequence[Counts], plan: ColumnPlan) -> tuple[str, ...]:
    """The own columns that hold numbers, by what the heads of the files show."""
    found = []
    for name in plan.names:
        like, filled = (sum(head.get(name, (0, 0))[at] for head in heads) for at in (0, 1))
        if name in plan.options.covariates or (filled and 2 * like >= filled):
            found.append(name)
    return tuple(found)


def is_text(kind: Any) -> bool:
    """Whether a pyarrow type holds text."""
    import pyarrow as pa

    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def is_number(kind: Any) -> bool:
    """Whether a pyarrow type holds numbers."""
    import pyarrow as pa

    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))
