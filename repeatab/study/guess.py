"""Which column of a result file probably has which role, to look at a file before it has a study.

In: path(s) of result files.  Out: role -> column, a proposal that is shown and can be corrected; a study file
always states its columns.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from repeatab.base.errors import InputError, listed
from repeatab.intake.columns import RESULT
from repeatab.intake.csv_files import read_text_table
from repeatab.intake.large_text import head_bytes
from repeatab.intake.options import ReadOptions
from repeatab.intake.roles import Role
from repeatab.intake.sources import FileKind, SourceFile, find_files
from repeatab.intake.workbook_files import read_workbook

# What laboratories call these columns, best first. Common practice, no source.
_USUAL = {
    Role.RESULT: ("mu", "μ", "friction", "cof", "friction coefficient", "c*", "value"),
    Role.RIG: ("dyno", "dynamometer", "machine", "bench", "test rig"),
    Role.OPERATOR: ("technician",),
    Role.PAD_SET: ("set", "pads", "part", "specimen", "sample"),
    Role.PAD_LOT: ("lot", "batch", "pad batch"),
    Role.RUN: ("run no", "run number", "test no", "test number", "test"),
    Role.SECTION: ("test section", "block"),
    Role.STOP: ("stop no", "stop number", "brake application", "application"),
    Role.RUN_ORDER: ("order", "run of set", "sequence"),
    Role.TIME: ("date", "test date", "timestamp", "datetime"),
    Role.DISC: ("rotor",),
    Role.LABORATORY: ("lab",),
    Role.POSITION_IN_LOT: ("position",),
}


def guess_columns(source: str | Path, options: ReadOptions) -> dict[str, str]:
    """Role -> column for the columns whose names tell; read from the first of the files.

    Raises
    ------
    InputError
        The file cannot be read, or no column looks like the result; the message lists the columns.
    """
    file = find_files(source, relative_to=None)[0]
    names = _column_names(file, options)
    found = match_roles(names)
    if RESULT not in found:
        raise InputError(
            f"{file.name}: it cannot be told which column holds the result; found {listed(names, most=20)}. "
            "Name it: --column result=NAME. A table with a column per section needs a study file "
            "(repeatab start JOB)."
        )
    return found


def match_roles(names: Sequence[str]) -> dict[str, str]:
    """Role -> the column that carries the role's own name or a usual one; each column is taken once."""
    by_core = {_core(name): name for name in reversed(names)}
    found: dict[str, str] = {}
    for role in Role:
        for usual in (role.value, *_USUAL.get(role, ())):
            column = by_core.get(_core(usual))
            if column is not None and column not in found.values():
                found[role.value] = column
                break
    return found


def _core(name: str) -> str:
    return re.sub(r"[\W_]+", "", name.casefold().replace("*", "star").replace("µ", "μ"))


def _column_names(file: SourceFile, options: ReadOptions) -> list[str]:
    try:
        match file.kind:
            case FileKind.TEXT:
                raw = head_bytes(file.path, options.encoding)
                table = read_text_table(raw, file=file.name, wanted=(), numbers=(), options=options).table
            case FileKind.WORKBOOK:
                table = read_workbook(file.path, file=file.name, wanted=(), numbers=(), options=options).table
            case FileKind.PARQUET:
                return [*_parquet_names(file), *file.partition]
    except OSError as error:
        raise InputError(f"{file.name}: cannot be read ({error.strerror}). Correct the path.") from None
    return [*(str(name) for name in table.column_names), *file.partition]


def _parquet_names(file: SourceFile) -> list[str]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return list(pq.read_schema(file.path).names)
    except pa.ArrowException as error:
        raise InputError(f"{file.name}: cannot be read as Parquet ({error}).") from None
