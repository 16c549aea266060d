"""Pieces of work for several machines: some small files together, or a portion of a large one.

In: source files and how they are read.  Out: the pieces, the fingerprints of divided files that are known already, and
what is said of files that cannot be divided.
A Parquet file is divided between its row groups, from its metadata alone. A text file is divided behind rows, for which
one machine goes through its bytes once; that also gives its fingerprint.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import numpy as np

from repeatab.base.errors import InputError
from repeatab.base.progress import Progress
from repeatab.intake.columns import RESULT, ColumnPlan, plan_columns
from repeatab.intake.csv_files import read_text_table
from repeatab.intake.dialect import find_dialect, to_utf8
from repeatab.intake.full_digits import nominal_near
from repeatab.intake.heads import Counts, covariates_of, numbers_among
from repeatab.intake.large_files import MOST_ROWS
from repeatab.intake.large_text import head_bytes
from repeatab.intake.machines import Machines, on_machines
from repeatab.intake.numbers import TextColumn, decide_marks, decimal_shown, parse_numbers
from repeatab.intake.options import ReadOptions
from repeatab.intake.portions import ParquetPortion, TextHead, TextPortion
from repeatab.intake.raw import RawTable
from repeatab.intake.sources import FileKind, SourceFile
from repeatab.intake.text_cuts import NotDividedError, cut_text

MOST_TOGETHER = 64 << 20
"""Small files are read together up to this size."""

MOST_BYTES = 32 << 20
"""Bytes of a portion; larger files are divided."""

ROWS_OF_PIECE = 1_000_000
"""Rows of Parquet in a piece: its bytes tell little, since columns that repeat hardly take any."""

Piece = tuple[SourceFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Divided:
    """The pieces of work on a study's files.

    files : all of them, undivided. digests : by name, of those whose bytes have been gone through. options : how the
    pieces are read: what the cells of an own column decide is decided for all of them. rows : of the divided files.
    told : on files left whole.
    """

    pieces: tuple[Piece, ...]
    files: tuple[SourceFile, ...]
    digests: dict[str, str]
    options: ReadOptions
    rows: int = 0
    told: tuple[str, ...] = ()

    @property
    def without_digest(self) -> list[SourceFile]:
        """The divided files of which nobody has taken the fingerprint yet."""
        divided = {file.name for piece in self.pieces for file in piece if file.portion is not None}
        return [file for file in self.files if file.name in divided and file.name not in self.digests]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Survey:
    """What one file may be divided into; no portions where it stays whole, and why where the user can change that."""

    portions: tuple[TextPortion, ...] | tuple[ParquetPortion, ...] = ()
    rows: int = 0
    sha256: str = ""
    numbers: Counts | None = None
    why: str = ""


def divide(
    files: Sequence[SourceFile], plan: ColumnPlan, machines: Machines, *, progress: Progress
) -> Divided:
    """Divide the work.

    Raises
    ------
    InputError
        See `on_machines`.
    """
    large = [file for file in files if file.kind is FileKind.TEXT and _size(file) > MOST_BYTES]
    surveyor = _Surveyor(dict(plan.columns), plan.options, MOST_BYTES)
    step = "where large files can be divided"
    surveys = on_machines(machines, surveyor, large, progress=progress, step=step) if large else []
    found = dict(zip((file.name for file in large), surveys, strict=True))
    found |= {file.name: _of_parquet(file, plan) for file in files if file.kind is FileKind.PARQUET}
    divided = [survey for survey in found.values() if survey.portions]
    numbers = [survey.numbers for survey in divided if survey.numbers is not None]
    return Divided(
        pieces=tuple(_pieces(files, found)),
        files=tuple(files),
        digests={name: survey.sha256 for name, survey in found.items() if survey.sha256},
        options=_decided(plan, numbers) if divided else plan.options,
        rows=sum(survey.rows for survey in divided),
        told=tuple(
            f"{name}: one machine reads all of it, because {survey.why}"
            for name, survey in found.items()
            if survey.why
        ),
    )


def _size(file: SourceFile) -> int:
    try:
        return file.size
    except OSError:
        return 0  # its reader says what is wrong with it


def _pieces(files: Sequence[SourceFile], found: dict[str, _Survey]) -> list[Piece]:
    pieces: list[list[SourceFile]] = []
    size = MOST_TOGETHER
    for file in files:
        survey = found.get(file.name)
        if survey is not None and survey.portions:
            pieces += [[replace(file, portion=portion)] for portion in survey.portions]
            size = MOST_TOGETHER
            continue
        own = _size(file)
        if not pieces or size + own > MOST_TOGETHER:
            pieces.append([])
            size = 0
        pieces[-1].append(file)
        size += own
    return [tuple(piece) for piece in pieces]


def _decided(plan: ColumnPlan, heads: Sequence[Counts]) -> ReadOptions:
    """The options with every own column a covariate or a factor, by the heads of the divided files."""
    covariates = covariates_of(heads, plan)
    open_names = [name for name in plan.columns if plan.is_open(name) and any(name in head for head in heads)]
    factors = [name for name in open_names if name not in covariates]
    return replace(plan.options, covariates=covariates, factors=(*plan.options.factors, *factors))


@dataclass(frozen=True, slots=True)
class _Surveyor:
    """The work on one text file, as it is sent."""

    columns: Mapping[str, str]
    options: ReadOptions
    size: int

    def __call__(self, file: SourceFile) -> _Survey:
        try:
            head, numbers = _head(file, plan_columns(self.columns, self.options))
            cuts = cut_text(file.path, head, size=self.size)
        except NotDividedError as why:
            return _Survey(why=str(why))
        except (InputError, OSError):
            return _Survey()  # reading it says the same, with its place
        return _Survey(portions=cuts.portions, rows=cuts.rows, sha256=cuts.sha256, numbers=numbers)


def _head(file: SourceFile, plan: ColumnPlan) -> tuple[TextHead, Counts]:
    """What the first rows of a text file show."""
    import pyarrow as pa

    options = plan.options
    content = head_bytes(file.path, options.encoding)
    raw = read_text_table(
        content, file=file.name, wanted=plan.wanted, numbers=plan.number_columns, options=options
    )
    text, _ = to_utf8(content, options.encoding, file=file.name)
    dialect = find_dialect(text, plan.wanted, options, file=file.name)
    columns = [
        TextColumn(name=name, cells=raw.table.column(name).cast(pa.string()), row_numbers=raw.row_numbers)
        for name in plan.number_columns
        if name in raw.table.column_names
    ]
    decimal = decimal_shown(columns, options)
    if not decimal:
        raise NotDividedError("its first rows do not show the decimal mark; declare it")
    nominal = _nominal(columns, plan, comma_between=raw.comma_between, file=file.name)
    below = range(dialect.header + 1, len(dialect.records))
    units = next((at for at in below if any(cell.strip() for cell in dialect.records[at])), dialect.header)
    head = TextHead(
        size=0, rows=(units if raw.units else dialect.header) + 1, separator=dialect.separator,
        encoding=options.encoding, header_row=dialect.header + 1, units=bool(raw.units), decimal=decimal,
        nominal=nominal,
    )  # fmt: skip
    return head, numbers_among(raw, plan)


def _nominal(
    columns: Sequence[TextColumn], plan: ColumnPlan, *, comma_between: bool, file: str
) -> float | None:
    """A nominal value near the first result, for all portions of the file; None where the head tells none."""
    names = plan.sections.values() if plan.sections else [plan.columns[RESULT]]
    try:
        marks = decide_marks(columns, plan.options, file=file, comma_between=comma_between)
        for column in columns:
            if column.name in names:
                values = parse_numbers(column, marks, file=file).to_numpy(zero_copy_only=False)
                finite = values[np.isfinite(values)]
                if len(finite):
                    return nominal_near(float(finite[0]))
    except InputError:
        return None  # the row may be one that the study excludes
    return None


def _of_parquet(file: SourceFile, plan: ColumnPlan) -> _Survey:
    """From the metadata alone; no row is read."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    if _size(file) < ROWS_OF_PIECE // 16:
        # A row takes a byte at the least, unless the columns hold hardly anything.
        return _Survey()
    try:
        with pq.ParquetFile(file.path) as stored:
            groups = [stored.metadata.row_group(at) for at in range(stored.metadata.num_row_groups)]
            wanted = {*plan.wanted, *plan.extra}
            sizes = [(group.num_rows, _stored_bytes(group, wanted)) for group in groups]
            schema = stored.schema_arrow
    except (pa.ArrowException, OSError):
        return _Survey()  # reading it says the same
    rows, size = (sum(of[at] for of in sizes) for at in (0, 1))
    count = max(ceil(rows / ROWS_OF_PIECE), ceil(size / MOST_BYTES))
    if count < 2:
        return _Survey()
    if max(of[0] for of in sizes) > MOST_ROWS:
        return _Survey(
            why=f"its row groups hold more than {MOST_ROWS:,} rows each; write it with smaller ones to share it"
        )
    portions = _grouped(sizes, count)
    if len(portions) < 2:
        return _Survey()
    types = pa.table({name: pa.nulls(1, schema.field(name).type) for name in wanted & set(schema.names)})
    head = RawTable(file=file.name, table=types, row_numbers=None, typed=True)
    return _Survey(portions=portions, rows=rows, numbers=numbers_among(head, plan))


def _stored_bytes(group: Any, wanted: set[str]) -> int:
    columns = (group.column(at) for at in range(group.num_columns))
    return sum(c.total_compressed_size for c in columns if c.path_in_schema in wanted)


def _grouped(sizes: Sequence[tuple[int, int]], count: int) -> tuple[ParquetPortion, ...]:
    """Row groups side by side in about so many portions of like numbers of rows."""
    each = sum(rows for rows, _ in sizes) / count
    portions: list[ParquetPortion] = []
    first = before = rows = size = 0
    for at, (own_rows, own_size) in enumerate(sizes):
        rows, size = rows + own_rows, size + own_size
        last = at + 1 == len(sizes)
        if rows and (last or before + rows >= each * (len(portions) + 1)):
            portions.append(
                ParquetPortion(first=first, stop=at + 1, rows_before=before, rows=rows, size=size)
            )
            first, before, rows, size = at + 1, before + rows, 0, 0
    return tuple(portions)
