"""From the study of a round robin to its results: raw files, cell files, a table of means, checks of the lot.

In: a Study and the way in which raw results are read.  Out: RoundSources.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from repeatab.cell_files import CellTable, is_cell_file, read_cell_file, summary_cells
from repeatab.cells import Cells
from repeatab.intake.exclusions import Excluded, Exclusion, refuse_unmatched
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_FILE
from repeatab.intake.sources import SourceFile, find_files
from repeatab.jobs.rounds.data import masked
from repeatab.study.loading import ResultSource, Study


@dataclass(frozen=True, kw_only=True)
class RoundSources:
    """Everything a round robin is computed from; `told` holds what reading found, in all files together."""

    results: Results | None
    shared: tuple[CellTable, ...]
    homogeneity: Results | None
    stability: Results | None
    told: Results


def round_sources(study: Study, read: Callable[[Study], Results]) -> RoundSources:
    """Read what a round robin's study names.

    Parameters
    ----------
    read : from a study with raw files to its run results.

    Raises
    ------
    RepeatabError
        A file cannot be read or used; the message names it.
    """
    source = study.source
    files = find_files(source.files, relative_to=source.folder) if source.files else ()
    cell_files = [file for file in files if is_cell_file(file.path)]
    raw = [file for file in files if file not in cell_files]
    shared, excluded, matched = _shared(cell_files, source.exclusions)
    results = None
    if raw:
        results = read(_with_files(study, raw, matched))
    elif cell_files:
        refuse_unmatched(source.exclusions, [matched])
    beside = {name: _read(one) for name, one in study.further.items()}
    if "summary" in beside:
        shared.append(_summary(beside["summary"]))
    others = [beside[name] for name in beside]
    return RoundSources(
        results=results,
        shared=tuple(shared),
        homogeneity=beside.get("homogeneity"),
        stability=beside.get("stability"),
        told=_told(study, results, shared, others, excluded),
    )


def _with_files(study: Study, raw: Sequence[SourceFile], matched: Sequence[bool]) -> Study:
    exclusions = tuple(
        replace(one, elsewhere=hit) for one, hit in zip(study.source.exclusions, matched, strict=True)
    )
    paths = tuple(str(file.path.resolve()) for file in raw)
    return replace(study, source=replace(study.source, files=paths, exclusions=exclusions))


def _shared(
    files: Sequence[SourceFile], exclusions: Sequence[Exclusion]
) -> tuple[list[CellTable], list[Excluded], tuple[bool, ...]]:
    tables, excluded = [], []
    matched = [False] * len(exclusions)
    for file in files:
        table = read_cell_file(file.path, name=file.name)
        for at, exclusion in enumerate(exclusions):
            mask = _matching(table.cells, exclusion, file.name)
            if mask is None or not mask.any():
                continue
            matched[at] = True
            excluded.append(
                Excluded(
                    match=exclusion.in_words(), reason=exclusion.reason, file=file.name, rows=(),
                    count=int(table.cells.count[mask].sum()),
                )
            )  # fmt: skip
            table = replace(table, cells=masked(table.cells, ~mask))
        tables.append(table)
    return tables, excluded, tuple(matched)


def _matching(
    cells: Cells, exclusion: Exclusion, file: str
) -> np.ndarray[tuple[int], np.dtype[np.bool_]] | None:
    """The cells that an exclusion means; None where the cells do not know one of its columns."""
    mask = np.ones(len(cells), dtype=bool)
    for name, value in exclusion.match.items():
        if name == SOURCE_FILE:
            mask &= file == str(value)
        elif name in cells.factors:
            labels = cells.levels_of(name)[cells.code_of(name)]
            mask &= np.array([str(label) == str(value) for label in labels], dtype=bool)
        else:
            return None
    return mask


def _read(source: ResultSource) -> Results:
    return read_results(
        source.files,
        columns=source.columns,
        options=source.options,
        quantity=source.quantity,
        relative_to=source.folder,
    )


def _summary(results: Results) -> CellTable:
    rows = results.to_frame()
    level = rows["level"].tolist() if "level" in rows.columns else ["all results"] * len(rows)
    table = summary_cells(
        laboratory=rows["laboratory"].tolist(),
        level=level,
        count=rows["count"].to_numpy(dtype=np.float64),
        mean=rows["result"].to_numpy(dtype=np.float64),
        sd=rows["sd"].to_numpy(dtype=np.float64),
        name=", ".join(file.name for file in results.inputs),
    )
    return replace(table, sha256=results.inputs[0].sha256, quantity=results.quantity.key)


def _told(
    study: Study,
    results: Results | None,
    shared: Sequence[CellTable],
    others: Sequence[Results],
    excluded: Sequence[Excluded],
) -> Results:
    """What reading found, as Results without a table."""
    read = [*([] if results is None else [results]), *others]
    cells = [table.input for table in shared if not table.rounded]
    inputs = [file for one in read for file in one.inputs]
    return Results(
        frame=None,
        quantity=study.source.quantity,
        factors=(),
        findings=tuple(finding for one in read for finding in one.findings),
        excluded=(*(entry for one in read for entry in one.excluded), *excluded),
        inputs=(*inputs, *cells),
        detected=(
            *(sentence for one in read for sentence in one.detected),
            *(_origin(table) for table in shared if table.results),
        ),
    )


def _origin(table: CellTable) -> str:
    files = ", ".join(f"{r.name} ({r.rows} rows, SHA-256 {r.sha256[:12]}…)" for r in table.results)
    return f"{table.name} holds the cells of {files}"
