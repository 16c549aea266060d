"""Results read on several machines: each reads some of the files, and little comes back.

In: result files that every machine finds under the same path, and what is to be made of each piece.  Out: Spread,
what was made of the pieces with the findings on all of them.

Rows are read, set aside and checked where they lie. What has to be seen over all files (spelling, lone levels, a
pad set in two lots, units) is checked on counts of the levels, which come back with each piece.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError, listed
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import Quantity
from repeatab.intake.aliases import Aliases
from repeatab.intake.checks.every import check_levels
from repeatab.intake.columns import SECTION, plan_columns
from repeatab.intake.condense import holds_stops, run_keys
from repeatab.intake.engine import WEIGHT
from repeatab.intake.exclusions import Exclusion, refuse_unmatched
from repeatab.intake.full_digits import FINE
from repeatab.intake.machines import Machines, on_machines
from repeatab.intake.options import ReadOptions
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_FILE, Role
from repeatab.intake.sources import SourceFile, find_files
from repeatab.outcome.outcome import DataFinding

MOST_BYTES = 64 << 20
"""Small files are read together up to this size; a larger one is a piece of its own."""

Made = TypeVar("Made")
# Levels of these tell single rows or runs; they are not compared over files.
_FINE = tuple(role.value for role in (Role.RUN, Role.STOP, Role.TIME, Role.RUN_ORDER, Role.POSITION_IN_LOT))


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What every machine is told: how the files are read, and what is made of the results."""

    columns: Mapping[str, str]
    options: ReadOptions
    aliases: Aliases
    exclude: tuple[Exclusion, ...]
    quantity: Quantity
    base: Path | None
    make: Callable[[Results], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece(Generic[Made]):
    """What comes back for some of the files. `results` holds no rows; `levels` the rows by levels of the factors."""

    results: Results
    matched: tuple[bool, ...]
    levels: Any
    made: Made


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread(Generic[Made]):
    """What was made of each piece, and everything that was found; `results` holds no rows."""

    made: tuple[Made, ...]
    results: Results


def read_on_machines(
    source: str | Path | Sequence[str | Path],
    order: Order,
    machines: Machines,
    *,
    groups: Callable[[Sequence[Any]], Sequence[Sequence[int]]] | None = None,
    progress: Progress = silent,
) -> Spread[Any]:
    """Read files on several machines.

    Parameters
    ----------
    order : how they are read, and what is made of each piece.
    groups : from what was made of the pieces, those that belong together and are read again as one.

    Raises
    ------
    InputError
        See `read_results` and `on_machines`; or an own column holds numbers in one file and labels in another.
    """
    found = find_files(source, relative_to=order.base)
    # The machines start from other folders.
    files = [replace(file, path=file.path.absolute()) for file in found]
    plan_columns(order.columns, order.options, order.exclude)
    parcels = _parcels(files)
    pieces = _read(parcels, order, machines, progress)
    if groups is not None:
        together = [group for group in groups([piece.made for piece in pieces]) if len(group) > 1]
        if together:
            joined = [tuple(file for at in group for file in parcels[at]) for group in together]
            again = _read(joined, order, machines, progress)
            gone = {at for group in together for at in group}
            pieces = [*(p for at, p in enumerate(pieces) if at not in gone), *again]
    refuse_unmatched(order.exclude, [piece.matched for piece in pieces])
    return Spread(made=tuple(piece.made for piece in pieces), results=_results(pieces, files))


def _parcels(files: Sequence[SourceFile]) -> list[tuple[SourceFile, ...]]:
    parcels: list[list[SourceFile]] = []
    size = 0
    for file in files:
        own = file.path.stat().st_size if file.path.is_file() else 0
        if not parcels or size + own > MOST_BYTES:
            parcels.append([])
            size = 0
        parcels[-1].append(file)
        size += own
    return [tuple(parcel) for parcel in parcels]


def _read(
    parcels: Sequence[tuple[SourceFile, ...]], order: Order, machines: Machines, progress: Progress
) -> list[Piece[Any]]:
    return on_machines(machines, _Reader(order), parcels, progress=progress, step="files on the machines")


@dataclass(frozen=True, slots=True)
class _Reader:
    """The work itself, as it is sent."""

    order: Order

    def __call__(self, files: tuple[SourceFile, ...]) -> Piece[Any]:
        from repeatab.intake.reading import read_piece

        order = self.order
        results, matched = read_piece(
            files, columns=order.columns, options=order.options, aliases=order.aliases, exclude=order.exclude,
            quantity=order.quantity,
        )  # fmt: skip
        levels = _levels(results)
        made = order.make(results)
        if results.connection is not None:
            results.connection.close()
        return Piece(
            results=replace(results, frame=None, connection=None), matched=matched, levels=levels, made=made
        )


def _levels(results: Results) -> Any:
    """Rows by the levels of what is compared over files, as a pandas table."""
    table = results.lazy()
    names = table.collect_schema().names()
    wanted = [*results.factors, Role.UNIT.value, Role.AVERAGING.value]
    keys = [name for name in dict.fromkeys(wanted) if name in names and name not in _FINE]
    keys += [SOURCE_FILE]
    counted = table.group_by(*keys).agg(nw.len().alias(WEIGHT)).collect()
    return counted.to_pandas()


def _results(pieces: Sequence[Piece[Any]], files: Sequence[SourceFile]) -> Results:
    import pandas as pd

    first = pieces[0].results
    for piece in pieces:
        differ = set(piece.results.covariates) ^ set(first.covariates)
        if differ:
            raise InputError(
                f"{piece.results.inputs[0].name}: {listed(sorted(differ))} holds numbers in some files and labels in "
                "others. Declare it a covariate or a factor."
            )
    levels = pd.concat([piece.levels for piece in pieces], ignore_index=True)
    factors = [name for name in first.factors if name not in _FINE]
    found = [finding for piece in pieces for finding in piece.results.findings]
    found += check_levels(nw.from_native(levels).lazy(), quantity=first.quantity, factors=factors)
    order = {file.name: at for at, file in enumerate(files)}
    inputs = sorted((f for piece in pieces for f in piece.results.inputs), key=lambda f: order[f.name])
    return replace(
        first,
        findings=_blocking_first(found),
        excluded=tuple(e for piece in pieces for e in piece.results.excluded),
        inputs=tuple(inputs),
        detected=tuple(dict.fromkeys(s for piece in pieces for s in piece.results.detected)),
    )


def _blocking_first(found: Sequence[DataFinding]) -> tuple[DataFinding, ...]:
    return tuple(sorted(dict.fromkeys(found), key=lambda finding: not finding.blocks))


def joined_runs(spread: Spread[Results], sections: Sequence[str] = ()) -> Results:
    """The run results of all pieces as one table.

    Parameters
    ----------
    spread : what `condense` made of each piece.
    sections : that must be among them, if they have sections.

    Raises
    ------
    InputError
        No run gives a result, or none for one of the sections.
    """
    import pandas as pd

    runs = spread.made
    keys = [name for name in runs[0].factors if name in runs[0].to_frame().columns]
    table = pd.concat([one.to_frame() for one in runs], ignore_index=True)
    nominal = runs[0].nominal if len({one.nominal for one in runs}) == 1 else None
    if nominal is None and FINE in table.columns:
        table = table.drop(columns=FINE)
    table = table.sort_values(keys, kind="stable", ignore_index=True) if keys else table
    _refuse_gaps(table, sections, spread)
    gaps = [finding for one in runs for finding in one.findings]
    return replace(
        spread.results,
        frame=table,
        nominal=nominal,
        factors=runs[0].factors,
        findings=_blocking_first([*spread.results.findings, *gaps]),
        detected=tuple(dict.fromkeys([*spread.results.detected, *(s for one in runs for s in one.detected)])),
    )


def _refuse_gaps(table: Any, sections: Sequence[str], spread: Spread[Results]) -> None:
    has = {str(level) for level in table[SECTION].unique()} if SECTION in table.columns else set(sections)
    lacking = [name for name in sections if name not in has]
    if lacking or not len(table):
        where = f"section {listed(lacking)}" if lacking else "any section"
        found = [*spread.results.findings, *(f for one in spread.made for f in one.findings)]
        why = f" {found[0].text}" if found else ""
        raise InputError(
            f"No run gives a result for {where}.{why} Complete the data, or correct the names under [sections]."
        )


def runs_in_several(made: Sequence[Results]) -> list[list[int]]:
    """The pieces that hold stops of the same run, grouped."""
    owner = list(range(len(made)))

    def root(at: int) -> int:
        while owner[at] != at:
            at = owner[at]
        return at

    seen: dict[tuple[object, ...], int] = {}
    for at, runs in enumerate(made):
        if not holds_stops(runs):
            continue
        table = runs.to_frame()
        keys = [name for name in run_keys(runs) if name in table.columns]
        for key in table[keys].itertuples(index=False, name=None) if keys else ():
            if key in seen:
                owner[root(at)] = root(seen[key])
            else:
                seen[key] = at
    groups: dict[int, list[int]] = {}
    for at in range(len(made)):
        groups.setdefault(root(at), []).append(at)
    return list(groups.values())
