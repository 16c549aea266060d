"""What came back of the pieces of a study's files, as one.

In: Results of the pieces, without rows or with run results.  Out: Results as one machine would have read them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError, listed
from repeatab.intake.checks.every import check_levels
from repeatab.intake.checks.keys import ALL_AGREE, DUPLICATE
from repeatab.intake.checks.order import check_times_of_parts
from repeatab.intake.checks.places import joined_findings
from repeatab.intake.columns import SECTION
from repeatab.intake.condense import left_out, ways_in_words
from repeatab.intake.engine import MANY_ROWS, WEIGHT
from repeatab.intake.exclusions import Excluded, Exclusion
from repeatab.intake.results import Results
from repeatab.intake.roles import Role
from repeatab.intake.run_gaps import stops_missing
from repeatab.intake.shared_rows import joined_rows, lazily
from repeatab.intake.sources import SourceFile
from repeatab.intake.statistics import Mean, Minimum, Statistic
from repeatab.outcome.outcome import DataFinding, InputFile

WITHIN_RUNS = tuple(
    role.value for role in (Role.RUN, Role.STOP, Role.TIME, Role.RUN_ORDER, Role.POSITION_IN_LOT)
)
"""Labels that tell single rows or runs; they are not compared over files."""

_ONE_IS_ENOUGH = "digits of the result"


def results_of_pieces(
    pieces: Sequence[Results],
    levels: Sequence[Any],
    times: Sequence[Any],
    found: Sequence[DataFinding],
    *,
    files: Sequence[SourceFile],
    digests: Mapping[str, str],
    exclude: Sequence[Exclusion],
) -> Results:
    """The results of all pieces, without their rows.

    Parameters
    ----------
    levels, times : of each piece, its rows by levels of the factors and its first times of runs (None: not known).
    found : findings on rows of several pieces. digests : SHA-256 by name, of divided files. exclude : what was
        excluded, in the order of the study.

    Raises
    ------
    InputError
        An own column holds numbers in some pieces and labels in others.
    """
    import pandas as pd

    first = pieces[0]
    for piece in pieces:
        differ = set(piece.covariates) ^ set(first.covariates)
        if differ:
            raise InputError(
                f"{piece.inputs[0].name}: {listed(sorted(differ))} holds numbers in some files and labels in "
                "others. Declare it a covariate or a factor."
            )
    counted = pd.concat([part for part in levels if len(part)] or [levels[0]], ignore_index=True)
    factors = [name for name in first.factors if name not in WITHIN_RUNS]
    every = [*(finding for piece in pieces for finding in piece.findings), *found]
    every += check_times_of_parts([part for part in times if part is not None])
    every += check_levels(lazily(counted), quantity=first.quantity, factors=factors)
    if counted[WEIGHT].sum() > MANY_ROWS:
        # By chance alone some rows of so many agree in everything.
        every = [one for one in every if not (one.check == DUPLICATE and ALL_AGREE in one.text)]
    return replace(
        first,
        findings=blocking_first(every),
        excluded=_excluded(pieces, [file.name for file in files], exclude),
        inputs=_inputs(pieces, files, digests),
        detected=tuple(dict.fromkeys(sentence for piece in pieces for sentence in piece.detected)),
    )


def blocking_first(found: Sequence[DataFinding]) -> tuple[DataFinding, ...]:
    """The findings, each once, what blocks the verdict first."""
    joined = joined_findings(found)
    once = {one.check: one for one in reversed(joined) if one.check == _ONE_IS_ENOUGH}
    kept = [one for one in joined if one.check != _ONE_IS_ENOUGH or once[one.check] is one]
    return tuple(sorted(kept, key=lambda finding: not finding.blocks))


def _excluded(
    pieces: Sequence[Results], files: Sequence[str], exclude: Sequence[Exclusion]
) -> tuple[Excluded, ...]:
    """What each exclusion took out of each file, in the order of the files and of the exclusions."""
    found: dict[tuple[str, str, str], Excluded] = {}
    for one in (entry for piece in pieces for entry in piece.excluded):
        key = (one.match, one.reason, one.file)
        before = found.get(key)
        if before is not None:
            rows = tuple(sorted({*before.rows, *one.rows}))
            one = replace(one, rows=rows, count=before.count + one.count)
        found[key] = one
    order = [(one.in_words(), one.reason) for one in exclude]

    def place(one: Excluded) -> tuple[int, int]:
        # An engine's tables name no file: what was excluded from them comes after the rest.
        return files.index(one.file) if one.file else len(files), order.index((one.match, one.reason))

    return tuple(sorted(found.values(), key=place))


def _inputs(
    pieces: Sequence[Results], files: Sequence[SourceFile], digests: Mapping[str, str]
) -> tuple[InputFile, ...]:
    rows: dict[str, int] = {}
    known = dict(digests)
    for one in (entry for piece in pieces for entry in piece.inputs):
        rows[one.name] = rows.get(one.name, 0) + one.rows
        known.setdefault(one.name, one.sha256)
    return tuple(InputFile(name=f.name, sha256=known[f.name], rows=rows[f.name]) for f in files)


def joined_runs(
    read: Results,
    parts: Sequence[Results],
    statistics: Mapping[str, Statistic],
    *,
    found_sections: Sequence[str],
) -> Results:
    """The run results of all pieces as one table.

    Parameters
    ----------
    read : what reading found. parts : what `condense` made of each piece, by these statistics.
    found_sections : that usable rows have; none if the files name no section.

    Raises
    ------
    InputError
        No run gives a result, or none for one of the sections.
    """
    table, nominal = joined_rows(parts)
    keys = [name for name in parts[0].factors if name in table.columns]
    table = table.sort_values(keys, kind="stable", ignore_index=True) if keys else table
    gaps = [finding for part in parts for finding in part.findings]
    _refuse_gaps(table, statistics, [*read.findings, *gaps])
    gaps += _short_runs(table, parts[0].factors, statistics)
    gaps += left_out(set(found_sections), set(statistics)) if found_sections else []
    said = [sentence for part in parts for sentence in part.detected]
    return replace(
        read,
        frame=table,
        nominal=nominal,
        factors=parts[0].factors,
        findings=blocking_first([*read.findings, *gaps]),
        detected=tuple(dict.fromkeys([*read.detected, *said, *ways_in_words(statistics)])),
    )


def _short_runs(table: Any, factors: Sequence[str], statistics: Mapping[str, Statistic]) -> list[DataFinding]:
    """Runs with fewer stops than most; how many most have is known only over all of them."""
    counting = [name for name, way in statistics.items() if isinstance(way, Mean | Minimum)]
    runs = table[table[SECTION].astype(str).isin(counting)] if SECTION in table.columns else table
    not_keys = (Role.RUN_ORDER.value, Role.POSITION_IN_LOT.value, Role.TIME.value)
    keys = [name for name in factors if name in table.columns and name not in not_keys]
    return stops_missing(nw.from_native(runs, eager_only=True), keys)


def _refuse_gaps(table: Any, sections: Mapping[str, Statistic], found: Sequence[DataFinding]) -> None:
    has = {str(level) for level in table[SECTION].unique()} if SECTION in table.columns else set(sections)
    lacking = [name for name in sections if name not in has]
    if lacking or not len(table):
        where = f"section {listed(lacking)}" if lacking else "any section"
        why = f" {found[0].text}" if found else ""
        raise InputError(
            f"No run gives a result for {where}.{why} Complete the data, or correct the names under [sections]."
        )
