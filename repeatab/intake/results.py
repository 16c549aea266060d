"""Results: a checked view of a table, its columns known by role, with everything the checks found.

In: what the readers and checks made.  Out: the object every later layer starts from.
Not here: reading (read.py), checking (checks/), condensing stops to run results (condense.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError, listed, nearest
from repeatab.base.quantity import Quantity
from repeatab.intake.exclusions import Excluded
from repeatab.intake.roles import STOPS
from repeatab.outcome.outcome import DataFinding, InputFile

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """A checked table of results (one row per stop or per run) and what was found in it.

    frame : any dataframe narwhals understands. Columns: "result" (finite numbers), the other roles by their
        names, own factors and covariates by theirs, and, where rows came from files, `source_file` and
        `source_row`. Run results also have `stops`, the number of stops behind each number.
    factors : the label columns (run, section, stop and condition among them), in the order declared.
    covariates : the own columns that hold numbers; a missing covariate is NaN or null.
    excluded : the rows the laboratory took out, with its reasons.
    original_columns : role or own name -> the column's name in the user's file.
    nominal : taken off the results, in decimal, in the column "result_less_nominal"; None where there is none,
        because the results themselves hold all digits.
    connection : of the engine that reads files too large to hold; None where the table is held or came as one.
    """

    frame: Any
    quantity: Quantity
    factors: tuple[str, ...]
    covariates: tuple[str, ...] = ()
    findings: tuple[DataFinding, ...] = ()
    excluded: tuple[Excluded, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    detected: tuple[str, ...] = ()
    original_columns: Mapping[str, str] = field(default_factory=dict)
    nominal: float | None = None
    connection: Any = field(default=None, repr=False, compare=False)

    def lazy(self) -> nw.LazyFrame[Any]:
        """The table through narwhals, whatever engine holds it; nothing is computed yet."""
        frame: nw.DataFrame[Any] | nw.LazyFrame[Any] = nw.from_native(self.frame)
        return frame.lazy()

    @property
    def is_lazy(self) -> bool:
        """Whether an engine holds the table and computes only what is asked for."""
        return isinstance(nw.from_native(self.frame), nw.LazyFrame)

    @property
    def row_count(self) -> int:
        """How many rows the checked table has."""
        return int(self.lazy().select(nw.len()).collect().item())

    @property
    def blocks(self) -> tuple[DataFinding, ...]:
        """The findings that forbid a verdict."""
        return tuple(finding for finding in self.findings if finding.blocks)

    def has(self, name: str) -> bool:
        """Whether the table has this role, factor or covariate."""
        return name in self.lazy().collect_schema().names()

    def levels(self, factor: str) -> tuple[Any, ...]:
        """The levels of a factor, sorted; their type is that of the table.

        Raises
        ------
        InputError
            The table has no such factor.
        """
        if factor not in self.factors:
            raise InputError(
                f"The results have no factor '{factor}'. They have "
                f"{listed(self.factors)}.{nearest(factor, self.factors)} Add it under [columns]."
            )
        levels = self.lazy().select(factor).drop_nulls().unique().collect()[factor].to_list()
        try:
            return tuple(sorted(levels))
        except TypeError:  # numbers beside text
            return tuple(sorted(levels, key=str))

    def to_frame(self) -> pd.DataFrame:
        """The table as a pandas DataFrame."""
        return self.lazy().collect(backend="pandas").to_pandas()

    def __str__(self) -> str:
        unit = f" in {self.quantity.unit}" if self.quantity.unit else ""
        kind = "run results" if self.has(STOPS) else "results"
        lines = [f"{self.row_count} {kind} of {self.quantity.name} {self.quantity.symbol}{unit}"]
        lines += [f"  {factor}: {_levels_in_words(self.levels(factor))}" for factor in self.factors]
        if self.covariates:
            lines.append(f"  covariates: {', '.join(self.covariates)}")
        lines += [f"- {sentence}" for sentence in self.detected]
        lines += [f"- excluded: {entry}" for entry in self.excluded]
        lines += [f"- {'BLOCKS THE VERDICT: ' if f.blocks else ''}{f}" for f in self.findings]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        from html import escape

        title, *rest = str(self).splitlines()
        items = "".join(f"<li>{escape(line.strip(' -'))}</li>" for line in rest)
        return f"<p><strong>{escape(title)}</strong></p><ul>{items}</ul>"


def _levels_in_words(levels: tuple[Any, ...], most: int = 6) -> str:
    shown = ", ".join(str(level) for level in levels[:most])
    rest = f", … ({len(levels)} levels)" if len(levels) > most else ""
    return shown + rest
