"""Parquet files: typed columns, so nothing has to be detected.

In: the path of a file.  Out: RawTable with the file's own types; only the wanted columns are read.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError, short
from repeatab.intake.portions import ParquetPortion
from repeatab.intake.raw import RawTable, no_rows, refuse_bad_names

MOST_ROWS, MOST_ROWS_PER_BYTE = 200_000, 4
MOST_TEXT, MOST_TEXT_PER_BYTE = 32 << 20, 10
"""Of one column, when every row holds its text."""


def read_parquet(
    path: Path,
    *,
    file: str,
    wanted: Sequence[str],
    extra: Sequence[str] = (),
    portion: ParquetPortion | None = None,
) -> RawTable:
    """Read one Parquet file, or a portion of it; its first row counts as row 2, as if a header stood above it.

    Raises
    ------
    InputError
        The file is no Parquet file, repeats a wanted column, or has no rows.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as stored:
            names = list(stored.schema_arrow.names)
            refuse_bad_names(names, wanted, file=file, row=1)
            missing = set(wanted) - set(names)
            # With a wanted column missing all are read, so that the refusal can list what there is.
            useful = [name for name in dict.fromkeys((*wanted, *extra)) if name in names]
            if not missing:
                _refuse_no_cells(stored.schema_arrow, useful, file=file)
            refuse_hollow(stored.metadata.num_rows, path.stat().st_size, file=file)
            texts = [name for name in useful if _is_text(stored.schema_arrow.field(name).type)]
        # Texts as numbers of a list first: one long text in it may stand in every row.
        with pq.ParquetFile(path, read_dictionary=texts) as stored:
            columns = None if missing else useful
            if portion is None:
                table = stored.read(columns=columns)
            else:
                table = stored.read_row_groups(range(portion.first, portion.stop), columns=columns)
            table.validate(full=True)
        _refuse_long_text(table, path.stat().st_size if portion is None else portion.size, file=file)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{file}: cannot be read as Parquet ({error}). Expected a .parquet file; write it again or "
            "export CSV."
        ) from None
    if table.num_rows == 0:
        raise no_rows(file=file, columns=names)
    return RawTable(
        file=file,
        table=_decoded(table),
        row_numbers=np.arange(table.num_rows, dtype=np.int64) + 2 + (portion.rows_before if portion else 0),
        typed=True,
        detected=("Parquet, types as stored",),
    )


def refuse_hollow(rows: int, size: int, *, file: str) -> None:
    """Refuse far more rows than results leave in a file of this size: a column that repeats one value takes no room.

    Raises
    ------
    InputError
    """
    if rows > MOST_ROWS and rows > MOST_ROWS_PER_BYTE * size:
        raise InputError(
            f"{file}: {size / 1024:.0f} KiB hold {rows:,} rows, which no results do: their columns would repeat the "
            "same values. Check how the file was written, or export the results as CSV."
        )


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _refuse_long_text(table: Any, size: int, *, file: str) -> None:
    """Refuse columns of text that would take many times the room of the file."""
    import pyarrow as pa
    import pyarrow.compute as pc

    for name in table.column_names:
        column = table.column(name)
        if not pa.types.is_dictionary(column.type) or not _is_text(column.type.value_type):
            continue
        letters = 0
        for chunk in column.chunks:
            lengths = pc.binary_length(chunk.dictionary)
            letters += pc.sum(lengths.take(chunk.indices)).as_py() or 0
        if letters > MOST_TEXT + MOST_TEXT_PER_BYTE * size:
            raise InputError(
                f"{file}, column '{short(name)}': {size / 1024:.0f} KiB hold {letters:,} letters, which no labels do. "
                "Check how the file was written, or export the results as CSV."
            )


def _refuse_no_cells(schema: Any, names: Sequence[str], *, file: str) -> None:
    """Lists, structures and raw bytes are neither numbers nor labels."""
    import pyarrow as pa

    for name in names:
        kind = schema.field(name).type
        if pa.types.is_dictionary(kind):
            kind = kind.value_type
        raw = (
            pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_fixed_size_binary(kind)
        )
        if raw or pa.types.is_binary_view(kind) or pa.types.is_nested(kind):
            raise InputError(
                f"{file}, column '{name}': holds values of the kind {short(kind)}, expected numbers, text, dates or "
                "true and false. Write the column again as text or as numbers."
            )


def _decoded(table: Any) -> Any:
    """Dictionary-coded columns and the kinds of text as one plain kind, so that files can be joined."""
    import pyarrow as pa

    for index, field in enumerate(table.schema):
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
            kind = pa.string()
        if kind != field.type:
            table = table.set_column(index, field.name, table.column(index).cast(kind))
    return table
