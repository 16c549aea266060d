"""The way from a user's files or dataframe to checked Results.

In: path(s), glob, folder or dataframe, and which column has which role.  Out: Results.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.errors import InputError
from repeatab.base.files import fingerprint
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.intake.aliases import Aliases, apply_aliases
from repeatab.intake.arrange import Part, arrange, with_folder_values
from repeatab.intake.checks.every import check_usable
from repeatab.intake.checks.usable import set_aside
from repeatab.intake.checks.values import check_digits, check_plausible
from repeatab.intake.columns import ColumnPlan, plan_columns
from repeatab.intake.convert import convert, told
from repeatab.intake.csv_files import read_text_table
from repeatab.intake.engine import Lazy, names_of
from repeatab.intake.exclusions import Excluded, Exclusion, exclude_rows, refuse_unmatched
from repeatab.intake.frames import arrange_frame, frame_numbers, open_frame
from repeatab.intake.large_files import are_large, open_large, refuse_wrong_numbers
from repeatab.intake.options import ReadOptions
from repeatab.intake.parquet_files import read_parquet
from repeatab.intake.portions import ParquetPortion, TextPortion
from repeatab.intake.raw import RawTable
from repeatab.intake.results import Results
from repeatab.intake.roles import SOURCE_ROW
from repeatab.intake.sources import FileKind, SourceFile, find_files
from repeatab.intake.workbook_files import read_workbook
from repeatab.outcome.outcome import InputFile

_NO_OPTIONS = ReadOptions()
_NO_ALIASES = Aliases()


def read_results(
    source: Any,
    *,
    columns: Mapping[str, str],
    options: ReadOptions = _NO_OPTIONS,
    aliases: Aliases = _NO_ALIASES,
    exclude: Iterable[Exclusion] = (),
    quantity: Quantity = FRICTION,
    relative_to: str | Path | None = None,
    progress: Progress = silent,
) -> Results:
    """Read and check results.

    Parameters
    ----------
    source : path(s), a glob, a folder (the tables directly in it and in folders below it named column=value),
        or any dataframe (pandas, Polars, Arrow, DuckDB). Text tables, .xlsx and .parquet are read. Files too large
        to hold (256 MiB of text, 5 million rows of Parquet) are read piece by piece as often as they are needed:
        rows then have no numbers, and own columns are told from the heads of the files.
    columns : role (see Role) or own name of a factor or covariate -> column in the file. An own column of
        numbers is a covariate, any other a factor, unless `options` declares it.
    options : how files are written; what is left automatic is detected and reported in `Results.detected`.
    aliases : names as found -> canonical, for sections, rigs and units.
    exclude : rows to leave out, each with its reason.
    quantity : what is measured; sets the plausible range.
    relative_to : folder from which relative paths start and to which the reported names are relative.

    Returns
    -------
    Results, one row per row of the files (per row and section for a wide table) less those excluded and those
    set aside, in the order of the files. `result` is in the unit of `quantity`.

    Raises
    ------
    InputError
        Nothing can be read, a column is missing, a cell is no number, a mark can be read in two ways, an
        exclusion matches nothing, or no usable row is left. The message names file, row and column.
    """
    exclusions = tuple(exclude)
    plan = plan_columns(columns, options, exclusions)
    if isinstance(source, str | Path | list | tuple):
        base = Path(relative_to) if relative_to is not None else None
        return _from_files(source, plan, aliases, exclusions, quantity, base, progress)
    return _from_frame(source, plan, aliases, exclusions, quantity)


def _from_files(
    source: str | Path | Sequence[str | Path],
    plan: ColumnPlan,
    aliases: Aliases,
    exclusions: Sequence[Exclusion],
    quantity: Quantity,
    base: Path | None,
    progress: Progress,
) -> Results:
    files = find_files(source, relative_to=base)
    if are_large(files):
        return _from_large(files, plan, aliases, exclusions, quantity, progress)[0]
    return _held(files, plan, aliases, exclusions, quantity, progress)[0]


def read_piece(
    files: Sequence[SourceFile],
    *,
    columns: Mapping[str, str],
    options: ReadOptions,
    aliases: Aliases,
    exclude: Sequence[Exclusion],
    quantity: Quantity,
) -> tuple[Results, tuple[bool, ...]]:
    """Some of the files of a study, or a portion of one, with the checks that need no row but the one they check.

    Returns
    -------
    Results, possibly without rows, and for each exclusion whether it matched a row.
    """
    plan = plan_columns(columns, options, exclude)
    read = _from_large if are_large(files) else _held
    return read(files, plan, aliases, exclude, quantity, silent, part=True)


def _held(
    files: Sequence[SourceFile],
    plan: ColumnPlan,
    aliases: Aliases,
    exclusions: Sequence[Exclusion],
    quantity: Quantity,
    progress: Progress,
    *,
    part: bool = False,
) -> tuple[Results, tuple[bool, ...]]:
    """Files that are held in memory; `part`: they are some of the files of a study."""
    parts: list[Part] = []
    inputs: list[InputFile] = []
    excluded: list[Excluded] = []
    renamed: dict[str, None] = {}
    matched: list[tuple[bool, ...]] = []
    for done, file in enumerate(files):
        progress("reading", done, len(files))
        own = arrange(with_folder_values(_raw_table(file, plan), file.partition), plan)
        # The fingerprint of a divided file is taken once, not with every portion.
        digest = fingerprint(file.path) if file.portion is None else ""
        inputs.append(InputFile(name=file.name, sha256=digest, rows=own.table.num_rows))
        frame, sentences = apply_aliases(nw.from_native(own.table).lazy(), aliases)
        taken = exclude_rows(frame, exclusions, aliases, file=file.name)
        renamed |= dict.fromkeys(sentences)
        excluded += taken.excluded
        matched.append(taken.matched)
        parts.append(replace(own, table=taken.kept.collect(backend="pyarrow").to_native()))
    progress("reading", len(files), len(files))
    if not part:
        refuse_unmatched(exclusions, matched)
    converted = convert(parts, plan)
    factors = plan.factors(converted.covariates)
    beside = plan.numbers_beside(converted.covariates)
    usable, findings = set_aside(
        nw.from_native(converted.table).lazy(), factors=factors, covariates=beside, may_be_empty=part
    )
    # From here on pandas: its grouping knows windows, which Arrow tables lack.
    frame = usable.collect(backend="pandas").lazy()
    findings += (
        check_plausible(frame, quantity)
        if part
        else check_usable(frame, quantity=quantity, factors=factors, covariates=converted.covariates)
    )
    findings += converted.findings
    results = Results(
        frame=frame.to_native(),
        quantity=quantity,
        factors=factors,
        covariates=converted.covariates,
        findings=tuple(findings),
        excluded=tuple(excluded),
        inputs=tuple(inputs),
        detected=(*converted.detected, *renamed),
        nominal=converted.nominal,
        original_columns=plan.original_columns(),
    )
    return results, _any_matched(matched)


def _any_matched(matched: Sequence[Sequence[bool]]) -> tuple[bool, ...]:
    return tuple(any(of_file) for of_file in zip(*matched, strict=True))


def _from_large(
    files: Sequence[SourceFile],
    plan: ColumnPlan,
    aliases: Aliases,
    exclusions: Sequence[Exclusion],
    quantity: Quantity,
    progress: Progress,
    *,
    part: bool = False,
) -> tuple[Results, tuple[bool, ...]]:
    for exclusion in exclusions:
        if SOURCE_ROW in exclusion.match:
            raise InputError(
                f"The exclusion of {exclusion.in_words()} names a row, and files this large are read without row "
                "numbers. Name the run, or other columns that tell the rows."
            )
    large = open_large(files, plan, progress)
    frame, sentences = apply_aliases(large.frame, aliases)
    taken = exclude_rows(frame, exclusions, aliases, file="")
    if not part:
        refuse_unmatched(exclusions, [taken.matched])
    factors, covariates = plan.factors(large.covariates), large.covariates
    beside = plan.numbers_beside(covariates)
    numbers = refuse_wrong_numbers(taken.kept)
    frame, findings = set_aside(numbers, factors=factors, covariates=beside, may_be_empty=part)
    if part:
        findings += check_plausible(frame, quantity)
    else:
        findings += check_usable(
            frame, quantity=quantity, factors=factors, covariates=covariates, progress=progress
        )
    findings += check_digits(frame, text=True)
    extra = [name for name in plan.extra if name in names_of(frame) and name not in plan.names]
    results = Results(
        frame=frame.drop(*extra).to_native(),
        quantity=quantity,
        factors=factors,
        covariates=covariates,
        findings=tuple(findings),
        excluded=taken.excluded,
        inputs=large.inputs,
        detected=(*told(large.detected), *sentences),
        original_columns=plan.original_columns(),
        connection=large.connection,
    )
    return results, taken.matched


def _raw_table(file: SourceFile, plan: ColumnPlan) -> RawTable:
    wanted, numbers, options = plan.wanted, plan.number_columns, plan.options
    try:
        match file.kind, file.portion:
            case FileKind.TEXT, TextPortion() as portion:
                raw, options = portion.read(file.path), portion.head.options(options)
                return read_text_table(
                    raw, file=file.name, wanted=wanted, numbers=numbers, options=options, portion=portion
                )
            case FileKind.TEXT, _:
                raw = file.path.read_bytes()
                return read_text_table(raw, file=file.name, wanted=wanted, numbers=numbers, options=options)
            case FileKind.WORKBOOK, _:
                return read_workbook(
                    file.path, file=file.name, wanted=wanted, numbers=numbers, options=options
                )
            case _:
                rows = file.portion if isinstance(file.portion, ParquetPortion) else None
                return read_parquet(file.path, file=file.name, wanted=wanted, extra=plan.extra, portion=rows)
    except OSError as error:
        raise InputError(f"{file.name}: cannot be read ({error.strerror}). Correct the path.") from None


def _from_frame(
    source: Any,
    plan: ColumnPlan,
    aliases: Aliases,
    exclusions: Sequence[Exclusion],
    quantity: Quantity,
) -> Results:
    opened = open_frame(source)
    frame, sentences = apply_aliases(arrange_frame(opened, plan), aliases)
    taken = exclude_rows(frame, exclusions, aliases, file="")
    refuse_unmatched(exclusions, [taken.matched])
    frame, covariates = frame_numbers(taken.kept, plan, eager=opened.eager)
    factors = plan.factors(covariates)
    frame, findings = set_aside(frame, factors=factors, covariates=plan.numbers_beside(covariates))
    findings += check_usable(frame, quantity=quantity, factors=factors, covariates=covariates)
    findings += check_digits(frame, text=False)
    return Results(
        frame=_without_row_numbers(frame, eager=opened.eager),
        quantity=quantity,
        factors=factors,
        covariates=covariates,
        findings=tuple(findings),
        excluded=taken.excluded,
        detected=tuple(sentences),
        original_columns=plan.original_columns(),
    )


def _without_row_numbers(frame: Lazy, *, eager: bool) -> Any:
    if not eager:
        return frame.to_native()
    return nw.maybe_reset_index(frame.collect().drop(SOURCE_ROW)).to_native()
