"""Parquet files: typed columns, so nothing has to be detected.

In: the path of a file.  Out: RawTable with the file's own types; only the wanted columns are read.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError, short
from repeatab.intake.raw import RawTable, no_rows, refuse_bad_names


def read_parquet(path: Path, *, file: str, wanted: Sequence[str], extra: Sequence[str] = ()) -> RawTable:
    """Read one Parquet file; its first row counts as row 2, as if a header stood above it.

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
            _refuse_no_cells(stored.schema_arrow, useful, file=file)
            table = stored.read(columns=None if missing else useful)
    except (pa.ArrowException, OSError) as error:
        raise InputError(
            f"{file}: cannot be read as Parquet ({error}). Expected a .parquet file; write it again or "
            "export CSV."
        ) from None
    if table.num_rows == 0:
        raise no_rows(file=file, columns=names)
    return RawTable(
        file=file,
        table=_decoded(table),
        row_numbers=np.arange(table.num_rows, dtype=np.int64) + 2,
        typed=True,
        detected=("Parquet, types as stored",),
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
