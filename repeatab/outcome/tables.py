"""Tables as data: typed columns and plain values, so that page, workbook and JSON show the same numbers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Value = str | float | int | bool | None


class ColumnKind(Enum):
    """What a column holds, which decides its format wherever it is shown."""

    TEXT = "text"
    RESULT = "result"
    """A value, offset or standard deviation in the unit of the result."""
    VARIANCE = "variance"
    RATIO = "ratio"
    PERCENT = "percent"
    """Already in percent: 12.3 stands for 12.3 %."""
    COUNT = "count"
    NUMBER = "number"
    """A pure number that is not a count: degrees of freedom, F, t."""
    PROBABILITY = "probability"
    """Between 0 and 1: a p value or the probability of a verdict."""
    DATE = "date"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: its stable key, its caption and its kind; `unit` is shown with the caption if not empty."""

    key: str
    caption: str
    kind: ColumnKind
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a stable key, a caption that says what it tells, and rows in the order of the columns.

    None stands for "not available in this design"; it is never shown as zero.
    """

    key: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        width = len(self.columns)
        for row in self.rows:
            if len(row) != width:
                raise AssertionError(f"table '{self.key}': a row has {len(row)} values for {width} columns")

    def to_frame(self) -> pd.DataFrame:
        """The table as a DataFrame with the column keys as names."""
        import pandas as pd

        names: Any = [column.key for column in self.columns]
        return pd.DataFrame(list(self.rows), columns=names)
