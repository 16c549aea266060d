"""Results read on several machines: each reads some of the files, or portions of large ones, and little comes back.

In: result files that every machine finds under the same path, and what is to be made of each piece.  Out: Spread,
what was made of the pieces with the findings on all of them.

Rows are read, set aside and checked where they lie. What has to be seen over all files (spelling, lone levels, a
pad set in two lots, units) is checked on counts of the levels, which come back with each piece; runs and rows that two
pieces have come back themselves (shared_rows).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

import narwhals.stable.v2 as nw
import numpy as np

from repeatab.base.files import fingerprint
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import Quantity
from repeatab.intake.aliases import Aliases
from repeatab.intake.checks.every import check_rows
from repeatab.intake.checks.keys import repeated_keys
from repeatab.intake.checks.order import run_times
from repeatab.intake.columns import SECTION, plan_columns
from repeatab.intake.condense import holds_stops
from repeatab.intake.dividing import Divided, divide
from repeatab.intake.engine import FIRST_ROW, MANY_ROWS, WEIGHT
from repeatab.intake.exclusions import Exclusion, refuse_unmatched
from repeatab.intake.joined_pieces import WITHIN_RUNS, results_of_pieces
from repeatab.intake.machines import Machines, on_machines
from repeatab.intake.options import ReadOptions
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_FILE, SOURCE_ROW, Role
from repeatab.intake.shared_rows import (
    Marks,
    RowsOfPiece,
    compared_by,
    groups_of,
    joined_rows,
    marks_in_several,
    part_rows,
)
from repeatab.intake.sources import SourceFile, find_files
from repeatab.outcome.outcome import DataFinding

MOST_ROWS_APART = 1_000_000
"""Rows of runs in several pieces that come back; where there are more, one machine reads their files whole."""

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What every machine is told: how the files are read, and what is made of the results.

    whole_runs : whether what is made needs all stops of a run together.
    """

    columns: Mapping[str, str]
    options: ReadOptions
    aliases: Aliases
    exclude: tuple[Exclusion, ...]
    quantity: Quantity
    base: Path | None
    make: Callable[[Results], Any]
    whole_runs: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece(Generic[Made]):
    """What comes back for a piece. `results` holds no rows; `levels` the rows by levels of the factors."""

    results: Results
    matched: tuple[bool, ...]
    levels: Any
    rows: RowsOfPiece
    made: Made


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread(Generic[Made]):
    """What was made of each piece, and everything that was found; `results` holds no rows.

    sections : that usable rows have, whether they count in the study or not.
    """

    made: tuple[Made, ...]
    results: Results
    sections: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Task:
    """Files or portions to read as one; of these marks the rows are set apart."""

    files: tuple[SourceFile, ...]
    apart: Marks | None = None


def read_on_machines(
    source: str | Path | Sequence[str | Path],
    order: Order,
    machines: Machines,
    *,
    progress: Progress = silent,
) -> Spread[Any]:
    """Read files on several machines.

    Parameters
    ----------
    order : how they are read, and what is made of each piece.

    Raises
    ------
    InputError
        See `read_results` and `on_machines`; or an own column holds numbers in one file and labels in another.
    """
    found = find_files(source, relative_to=order.base)
    # The machines start from other folders.
    files = [replace(file, path=file.path.absolute()) for file in found]
    plan = plan_columns(order.columns, order.options, order.exclude)
    divided = divide(files, plan, machines, progress=progress)
    work = _Work(replace(order, options=divided.options), divided, machines, progress)
    tasks = [_Task(piece) for piece in divided.pieces]
    missing = divided.without_digest
    given = work([*tasks, *missing])
    digests = divided.digests | {
        file.name: digest for file, digest in zip(missing, given[len(tasks) :], strict=True)
    }
    pieces, together = _completed(tasks, given[: len(tasks)], work)
    refuse_unmatched(order.exclude, [piece.matched for piece in pieces])
    results = results_of_pieces(
        [piece.results for piece in pieces], [piece.levels for piece in pieces],
        [piece.rows.times for piece in pieces], together.findings, files=files, digests=digests, exclude=order.exclude,
    )  # fmt: skip
    detected = (*results.detected, *divided.told, *together.told)
    sections = {str(level) for p in pieces if SECTION in p.levels for level in p.levels[SECTION].unique()}
    return Spread(
        made=(*(piece.made for piece in pieces), *together.made),
        results=replace(results, detected=detected),
        sections=tuple(sorted(sections)),
    )


@dataclass(frozen=True, slots=True)
class _Work:
    """The machines at the work on the pieces."""

    order: Order
    divided: Divided
    machines: Machines
    progress: Progress

    def __call__(self, tasks: Sequence[_Task | SourceFile]) -> list[Any]:
        reader = _Reader(self.order, self.divided.rows > MANY_ROWS)
        return on_machines(
            self.machines, reader, tasks, progress=self.progress, step="pieces on the machines"
        )


@dataclass(frozen=True, slots=True)
class _Reader:
    """The work itself, as it is sent; many : see `compared_by`."""

    order: Order
    many: bool

    def __call__(self, task: _Task | SourceFile) -> Piece[Any] | str:
        from repeatab.intake.reading import read_piece

        if isinstance(task, SourceFile):
            return fingerprint(task.path)
        order = self.order
        results, matched = read_piece(
            task.files, columns=order.columns, options=order.options, aliases=order.aliases, exclude=order.exclude,
            quantity=order.quantity,
        )  # fmt: skip
        by = compared_by(results, many=self.many)
        stops = holds_stops(results)
        ends = stops and any(file.portion is not None for file in task.files)
        parted = part_rows(results, by, ends=ends, also=task.apart)
        own = parted.stays
        levels = _levels(results)
        repeated = repeated_keys(own.lazy(), own.factors)
        found = check_rows(own.lazy(), factors=own.factors, covariates=own.covariates, repeated=repeated)
        apart = parted.apart and replace(
            parted.apart, findings=(), excluded=(), inputs=(), detected=(), connection=None
        )
        rows = RowsOfPiece(
            marks=parted.marks, counts=parted.counts, apart=apart, apart_marks=parted.apart_marks,
            held=not results.is_lazy, repeated=repeated, times=run_times(results.lazy(), results.factors),
        )  # fmt: skip
        made = order.make(own if order.whole_runs and stops else results)
        if results.connection is not None:
            results.connection.close()
        told = replace(results, frame=None, connection=None, findings=(*results.findings, *found))
        return Piece(results=told, matched=matched, levels=levels, rows=rows, made=made)


def _levels(results: Results) -> Any:
    """Rows by the levels of what is compared over files, as a pandas table."""
    table = results.lazy()
    names = table.collect_schema().names()
    wanted = [*results.factors, Role.UNIT.value, Role.AVERAGING.value]
    keys = [name for name in dict.fromkeys(wanted) if name in names and name not in WITHIN_RUNS]
    keys += [SOURCE_FILE]
    first = [nw.col(SOURCE_ROW).min().alias(FIRST_ROW)] if SOURCE_ROW in names else []
    counted = table.group_by(*keys).agg(nw.len().alias(WEIGHT), *first).collect()
    return counted.to_pandas()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Together:
    """What was made of the rows that pieces set apart, what was found in them, and what is said of files read whole."""

    made: tuple[Any, ...] = ()
    findings: tuple[DataFinding, ...] = ()
    told: tuple[str, ...] = ()


def _completed(
    tasks: Sequence[_Task], pieces: Sequence[Piece[Any]], work: _Work
) -> tuple[list[Piece[Any]], _Together]:
    """The pieces, once rows that belong together have come together."""
    done = list(pieces)
    whole = work.order.whole_runs and holds_stops(done[0].results)
    shared = marks_in_several([piece.rows for piece in done])
    wanted = [piece.rows.marks[np.isin(piece.rows.marks, shared)] for piece in done]
    torn = [at for at, marks in enumerate(wanted) if len(marks)]
    told: tuple[str, ...] = ()
    if _few([(done[at].rows, wanted[at]) for at in torn]):
        again = work([replace(tasks[at], apart=wanted[at]) for at in torn]) if torn else []
        for at, piece in zip(torn, again, strict=True):
            done[at] = piece
    elif whole:
        done, told = _read_whole(tasks, done, shared, work)
    else:
        told = (
            f"{len(shared):,} runs have rows in several pieces of work; whether these stand twice was not checked",
        )
    parts = [piece.rows.apart for piece in done if piece.rows.apart is not None]
    if not parts:
        return done, _Together(told=told)
    table, nominal = joined_rows(parts)
    rows = replace(parts[0], frame=table, nominal=nominal)
    sums = [sum(counts) for counts in zip(*(piece.rows.repeated for piece in done), strict=True)]
    double, every = repeated_keys(rows.lazy(), rows.factors)
    found = check_rows(
        rows.lazy(), factors=rows.factors, covariates=rows.covariates,
        repeated=(sums[0] + double, sums[1] + every),
    )  # fmt: skip
    return done, _Together(made=(work.order.make(rows),) if whole else (), findings=tuple(found), told=told)


def _few(torn: Sequence[tuple[RowsOfPiece, Marks]]) -> bool:
    """Whether the rows of runs in several pieces can come back."""
    rows = sum(int(rows.counts[np.isin(rows.marks, marks)].sum()) for rows, marks in torn)
    return rows <= MOST_ROWS_APART and all(rows.held for rows, _ in torn)


def _read_whole(
    tasks: Sequence[_Task], pieces: Sequence[Piece[Any]], shared: Marks, work: _Work
) -> tuple[list[Piece[Any]], tuple[str, ...]]:
    """Files whose runs lie in many pieces, each group of them read by one machine."""
    names = [[file.name for file in task.files] for task in tasks]
    groups = groups_of([piece.rows.all_marks for piece in pieces], names, shared)
    wholes = [{name for at in group for name in names[at]} for group in groups]
    again = work([_Task(tuple(f for f in work.divided.files if f.name in whole)) for whole in wholes])
    gone = {at for group in groups for at in group}
    told = tuple(
        f"{', '.join(sorted(whole))}: one machine reads all of it, because the stops of its runs lie far apart; "
        "sort it by runs to share it"
        for whole in wholes
    )
    return [*(piece for at, piece in enumerate(pieces) if at not in gone), *again], told
