"""A dataframe as source: the engine and the types of its labels stay as they are.

In: any dataframe narwhals understands.  Out: the same under the names of the study, numbers as float64.
A lazy table stays lazy; only the checks ask it for numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.intake.columns import RESULT, SECTION, ColumnPlan
from repeatab.intake.engine import Lazy, names_of
from repeatab.intake.numbers import TextColumn, decide_marks, parse_numbers
from repeatab.intake.roles import SOURCE_ROW, Role

TABLE = "the table"
"""What messages call a table that is no file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSource:
    """A user's dataframe through narwhals; `eager` tables have rows in an order, counted from 1."""

    frame: Lazy
    eager: bool


def open_frame(source: Any) -> FrameSource:
    """Take a dataframe of any engine.

    Raises
    ------
    InputError
        The object is no dataframe, or repeats a column name.
    """
    try:
        frame = nw.from_native(source)
    except Exception as error:  # each engine refuses in its own way
        raise InputError(
            f"source: found {type(source).__name__} ({error}), expected path(s), a glob, a folder or a "
            "dataframe with column names that do not repeat."
        ) from None
    if isinstance(frame, nw.LazyFrame):
        return FrameSource(frame=frame, eager=False)
    if not isinstance(frame, nw.DataFrame):
        raise InputError(f"source: found {type(source).__name__}, expected a dataframe.")
    return FrameSource(frame=frame.lazy(), eager=True)


def arrange_frame(source: FrameSource, plan: ColumnPlan) -> Lazy:
    """The columns of the plan under the names of the study; a wide table gets one row per section.

    Raises
    ------
    InputError
        A column is not there, or the options ask for something only files have.
    """
    if plan.from_heading or plan.pattern:
        raise InputError(
            "header_values and name_pattern belong to files; a dataframe has its values in columns."
        )
    present = names_of(source.frame)
    named = [*plan.columns.items(), *((f"{SECTION} {key}", column) for key, column in plan.sections.items())]
    for role, column in named:
        if column not in present:
            raise InputError.no_such_column(file=TABLE, column=column, role=role, present=present)
    extra = [name for name in plan.extra if name in present and name not in plan.columns]
    picked = [nw.col(column).alias(name) for name, column in plan.columns.items()]
    picked += [nw.col(name) for name in extra]
    if not plan.sections:
        return _numbered(source.frame.select(*picked), source)
    schema = source.frame.collect_schema()
    numeric = all(schema[column].is_numeric() for column in plan.sections.values())
    for section, column in plan.sections.items():
        cells = nw.col(column).cast(nw.Float64) if numeric else nw.col(column)
        picked.append(cells.alias(section_column(section)))
    wide = _numbered(source.frame.select(*picked), source)
    long = one_row_per_section(wide, list(plan.sections))
    return long.sort(SOURCE_ROW) if source.eager else long


def section_column(section: str) -> str:
    """What the column of a section is called while a wide table becomes a long one."""
    return f"{SECTION}:{section}"


def one_row_per_section(wide: Lazy, sections: Sequence[str]) -> Lazy:
    """A row for each row and section of a wide table, section by section."""
    on = {section: section_column(section) for section in sections}
    index = [name for name in names_of(wide) if name not in on.values()]
    # One table under the other: not every engine can turn columns into rows where the table lies.
    parts = [
        wide.select(*index, nw.lit(section).alias(SECTION), nw.col(column).alias(RESULT))
        for section, column in on.items()
    ]
    return nw.concat(parts, how="vertical")


def _numbered(frame: Lazy, source: FrameSource) -> Lazy:
    """Rows counted from 1 where the table has an order."""
    if not source.eager:
        return frame
    numbered = frame.collect().with_row_index(SOURCE_ROW)
    return numbered.with_columns(nw.col(SOURCE_ROW).cast(nw.Int64) + 1).lazy()


def frame_numbers(frame: Lazy, plan: ColumnPlan, *, eager: bool) -> tuple[Lazy, tuple[str, ...]]:
    """The result, stated uncertainties and covariates as float64; also the names of the covariates.

    Raises
    ------
    InputError
        A column that must hold numbers holds something else; of text the first cell that is no number is
        named.
    """
    schema = frame.collect_schema()
    covariates = tuple(
        name
        for name in plan.names
        if name in plan.options.covariates or (plan.is_open(name) and schema[name].is_numeric())
    )
    for name in plan.names:
        if not (plan.is_number(name) or name in covariates):
            continue
        kind = schema[name]
        if kind.is_numeric():
            if name != Role.RUN_ORDER.value:
                frame = frame.with_columns(nw.col(name).cast(nw.Float64))
        elif eager and isinstance(kind, nw.String | nw.Object | nw.Unknown):
            frame = _parsed(frame, name, plan)
        else:
            column = plan.original_columns()[name]
            raise InputError(
                f"{TABLE}, column '{column}': found values of type {kind}, expected numbers. Convert the "
                f"column, or correct the one named for '{name}'."
            )
    drop = [name for name in names_of(frame) if name not in (*plan.names, SOURCE_ROW)]
    return (frame.drop(*drop) if drop else frame), covariates


def _parsed(frame: Lazy, name: str, plan: ColumnPlan) -> Lazy:
    """A column of text, or of objects, as numbers."""
    import numpy as np
    import pyarrow as pa

    table = frame.collect()
    texts = pa.array([_text(value) for value in table[name].to_list()], pa.string())
    rows = np.array(table[SOURCE_ROW].to_list(), dtype=np.int64)
    column = TextColumn(name=plan.original_columns()[name], cells=texts, row_numbers=rows)
    marks = decide_marks([column], plan.options, file=TABLE, comma_between=False)
    values = parse_numbers(column, marks, file=TABLE).to_numpy(zero_copy_only=False)
    series = nw.new_series(name, values, nw.Float64, backend=table.implementation)
    return table.with_columns(series).lazy()


def _text(value: object) -> str:
    missing = value is None or value != value  # NaN differs from itself
    return "" if missing else str(value)
