"""Columns of the tables of a control chart.

In: key, caption, kind and unit.  Out: a Column.
"""

from __future__ import annotations

from repeatab.jobs.charts.scale import Scale
from repeatab.outcome.tables import Column, ColumnKind

TEXT, RESULT, COUNT = ColumnKind.TEXT, ColumnKind.RESULT, ColumnKind.COUNT
NUMBER, PERCENT, P, DATE = ColumnKind.NUMBER, ColumnKind.PERCENT, ColumnKind.PROBABILITY, ColumnKind.DATE


def column(key: str, caption: str, kind: ColumnKind, unit: str = "") -> Column:
    """A column; the unit only where it has one."""
    return Column(key=key, caption=caption, kind=kind, unit=unit)


def change_kind(scale: Scale) -> ColumnKind:
    """Changes are percent in a ratio analysis, else in the unit of the result."""
    return PERCENT if scale.ratio else RESULT
