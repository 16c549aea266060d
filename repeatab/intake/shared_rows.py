"""Runs and rows that lie in several pieces: how each piece tells of its own, and how they come together.

In: the results of a piece.  Out: RowsOfPiece, which names runs and rows by 64-bit marks; the pieces that share some.

The stops of a run may go on in the next piece. A piece of a divided file sets the runs at its two ends apart, since
those of a file in the order of its runs can only go on there. Rows of other runs are set apart when marks show that
another piece has some too. All rows set apart then make one further piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
from numpy.typing import NDArray

from repeatab.intake.checks.keys import tells_runs
from repeatab.intake.condense import holds_stops, run_keys
from repeatab.intake.full_digits import FINE
from repeatab.intake.results import Results
from repeatab.intake.roles import Role

Marks = NDArray[np.uint64]
_NO_MARKS: Marks = np.zeros(0, np.uint64)
_FACTOR = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsOfPiece:
    """What a piece tells of its runs and rows.

    marks, counts : of the runs that stay in the piece (of its rows, where rows are compared one by one), and the rows
    of each. apart : rows set apart for others to join them, and their marks; None without any. held : whether rows of
    the piece can be set apart at all. repeated : see `repeated_keys`. times : see `run_times`.
    """

    marks: Marks
    counts: NDArray[np.int64]
    apart_marks: Marks
    apart: Results | None = None
    held: bool = True
    repeated: tuple[int, int] = (0, 0)
    times: Any = None

    @property
    def all_marks(self) -> Marks:
        """Of what stays and of what is set apart."""
        return np.concatenate([self.marks, self.apart_marks])


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """The results of a piece without the rows that are set apart."""

    stays: Results
    apart: Results | None
    marks: Marks
    counts: NDArray[np.int64]
    apart_marks: Marks


def compared_by(results: Results, *, many: bool) -> list[str]:
    """The columns by which rows of two pieces are of one run, or one row that stands twice.

    many : whether the whole table has so many rows that some agree in everything by chance.
    """
    if holds_stops(results):
        keys = list(run_keys(results))
    elif tells_runs(results.factors):
        keys = list(results.factors)
    elif many or not results.factors:
        return []
    else:
        keys = [*results.factors, Role.RESULT.value, *results.covariates]
    return [name for name in keys if results.has(name)]


def part_rows(results: Results, by: Sequence[str], *, ends: bool, also: Marks | None) -> Parted:
    """Set the rows of some marks apart.

    Parameters
    ----------
    by : see `compared_by`.
    ends : whether the marks of the first and the last row are among them. also : further ones.
    """
    if results.is_lazy or not by:
        marks = _marks_of_lazy(results, by)
        return Parted(
            stays=results,
            apart=None,
            marks=marks,
            counts=np.ones(len(marks), np.int64),
            apart_marks=_NO_MARKS,
        )
    table = results.to_frame()
    each = row_marks(table, by)
    away = np.isin(each, also) if also is not None else np.zeros(len(table), bool)
    if ends and len(table):
        away |= _of_run_at(table, by, 0) | _of_run_at(table, by, -1)
    marks, counts = distinct(each[~away])
    apart = replace(results, frame=table[away].reset_index(drop=True)) if away.any() else None
    stays = replace(results, frame=table[~away].reset_index(drop=True)) if away.any() else results
    return Parted(stays=stays, apart=apart, marks=marks, counts=counts, apart_marks=distinct(each[away])[0])


def _of_run_at(table: Any, by: Sequence[str], at: int) -> NDArray[np.bool_]:
    """(rows,) whether a row is of the same run as that one; of whatever section, since their stops may alternate."""
    names = [name for name in by if name != Role.SECTION.value] or by
    same = np.ones(len(table), bool)
    for name in names:
        same &= (table[name] == table[name].iloc[at]).to_numpy(dtype=bool, na_value=False)
    return same


def distinct(marks: Marks) -> tuple[Marks, NDArray[np.int64]]:
    """The marks there are, in order, and how often each occurs."""
    # Sorted and not by numpy's unique, which takes ten times as long for numbers of this kind.
    marks = np.sort(marks)
    first = np.flatnonzero(np.concatenate([[True], marks[1:] != marks[:-1]])[: len(marks)])
    return marks[first], np.diff(np.append(first, len(marks)))


def _marks_of_lazy(results: Results, by: Sequence[str]) -> Marks:
    if not by:
        return _NO_MARKS
    levels = results.lazy().select(*by).unique().collect(backend="pandas").to_pandas()
    return distinct(row_marks(levels, by))[0]


def row_marks(table: Any, by: Sequence[str]) -> Marks:
    """(rows,) a mark of each row's labels, on every machine the same."""
    import pandas as pd

    marks = np.zeros(len(table), np.uint64)
    for name in by:
        codes, levels = pd.factorize(table[name])
        number = pd.api.types.is_numeric_dtype(levels.dtype)
        labels = (
            np.asarray(levels, np.float64) if number else np.array([str(level) for level in levels], object)
        )
        own = pd.util.hash_array(labels, categorize=False) if len(labels) else _NO_MARKS
        # The code of a missing label is -1.
        marks = (marks * _FACTOR) ^ np.append(own, np.uint64(0))[codes]
    return marks


def marks_in_several(pieces: Sequence[RowsOfPiece]) -> Marks:
    """The marks that more than one piece has."""
    every = np.concatenate([_NO_MARKS, *(piece.all_marks for piece in pieces)])
    found, count = distinct(every)
    return found[count > 1]


def groups_of(marks: Sequence[Marks], names: Sequence[Sequence[str]], shared: Marks) -> list[list[int]]:
    """The pieces that have a shared mark or a file in common, directly or by others; pieces alone are left out."""
    owner = list(range(len(marks)))

    def root(at: int) -> int:
        while owner[at] != at:
            owner[at] = at = owner[owner[at]]
        return at

    seen: dict[object, int] = {}
    linked = [np.isin(own, shared) for own in marks]
    # A file counts where one of its pieces has rows that another needs.
    torn = {name for files, hit in zip(names, linked, strict=True) if hit.any() for name in files}
    for at, (own, files, hit) in enumerate(zip(marks, names, linked, strict=True)):
        for thing in (*own[hit].tolist(), *(name for name in files if name in torn)):
            owner[root(at)] = root(seen.setdefault(thing, at))
    groups: dict[int, list[int]] = {}
    for at in range(len(marks)):
        groups.setdefault(root(at), []).append(at)
    return [group for group in groups.values() if len(group) > 1]


def joined_rows(parts: Sequence[Results]) -> tuple[Any, float | None]:
    """The tables of several results as one pandas table, and the nominal value that is taken off all of it."""
    import pandas as pd

    tables = [part.to_frame() for part in parts]
    nominal = parts[0].nominal if all(part.nominal is not None for part in parts) else None
    if nominal is not None:
        # Nominal values are doubles near the results, so that they differ by what a double holds exactly.
        tables = [
            table.assign(**{FINE: table[FINE] + ((part.nominal or 0.0) - nominal)})
            for table, part in zip(tables, parts, strict=True)
        ]
    filled = [table for table in tables if len(table)] or tables[:1]
    joined = pd.concat(filled, ignore_index=True)
    if nominal is None and FINE in joined.columns:
        joined = joined.drop(columns=FINE)
    return joined, nominal


def lazily(table: Any) -> nw.LazyFrame[Any]:
    """A pandas table as the checks take it."""
    lazy: nw.LazyFrame[Any] = nw.from_native(table, eager_only=True).lazy()
    return lazy
