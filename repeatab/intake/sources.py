"""From what the user names (paths, globs, folders) to the files to read, with names that travel.

In: path(s).  Out: SourceFile, in a fixed order; the name is relative, so a report holds no machine's folders.

A folder may be divided by further folders whose names say what holds for all rows below them, as archives are:
archive/month=2024-01/rig=R1/part-0.parquet. Such names are columns of text.
"""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from urllib.parse import unquote

from repeatab.base.errors import InputError, listed, nearest
from repeatab.base.files import reachable, refuse_no_plain_file, shown_name
from repeatab.intake.portions import Portion


class FileKind(Enum):
    """How a file is stored."""

    TEXT = "text"
    WORKBOOK = "workbook"
    PARQUET = "parquet"


_KINDS = {
    ".csv": FileKind.TEXT,
    ".txt": FileKind.TEXT,
    ".tsv": FileKind.TEXT,
    ".dat": FileKind.TEXT,
    ".asc": FileKind.TEXT,
    ".xlsx": FileKind.WORKBOOK,
    ".xlsm": FileKind.WORKBOOK,
    ".parquet": FileKind.PARQUET,
    ".pq": FileKind.PARQUET,
}
# What writers of divided archives put where a value is missing.
_NO_VALUE = "__HIVE_DEFAULT_PARTITION__"
_WRONG_KINDS = (".xls", ".xlsb", ".ods", ".pdf", ".zip", ".gz", ".docx", ".mdb", ".mat")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A file to read: where it is, the relative name it goes by, and how it is stored.

    partition : column -> value, from folders named column=value; such a column holds text.
    portion : the rows that are meant, where it is divided; None for all.
    """

    path: Path
    name: str
    kind: FileKind
    partition: Mapping[str, str] = field(default_factory=dict)
    portion: Portion | None = None

    @property
    def size(self) -> int:
        """Bytes of the rows that are meant.

        Raises
        ------
        OSError
        """
        return self.path.stat().st_size if self.portion is None else self.portion.size


def find_files(
    source: str | Path | Iterable[str | Path], *, relative_to: Path | None
) -> tuple[SourceFile, ...]:
    """The files a user means, sorted within each glob or folder.

    Parameters
    ----------
    source : paths, globs or folders; a folder stands for the tables directly in it and in folders below it
        that are named column=value.
    relative_to : the folder that relative paths start from and that names are relative to.

    Raises
    ------
    InputError
        Nothing is there, a glob matches nothing, a folder holds no table, or a file is of a kind not read.
    """
    given = [source] if isinstance(source, str | Path) else list(source)
    if not given:
        raise InputError("No result file is named, expected at least one path.")
    base = relative_to if relative_to is not None else Path()
    paths: dict[Path, None] = {}
    for entry in given:
        if not isinstance(entry, str | Path):
            raise InputError(f"source: found {type(entry).__name__}, expected paths or a table.")
        paths |= dict.fromkeys(_expand(str(entry), base))
    names = _names(list(paths), relative_to)
    for path, name in names:
        refuse_no_plain_file(path, name)
    return tuple(
        SourceFile(path=path, name=name, kind=_kind(path, name), partition=_partition(path))
        for path, name in names
    )


def _expand(entry: str, base: Path) -> list[Path]:
    path = reachable(base / entry)
    try:
        if path.is_dir():
            return _in_folder(path, entry)
        if path.exists():
            return [path]
    except (OSError, ValueError) as error:
        raise InputError(f"{entry}: cannot be opened ({error}). Correct the path.") from None
    if glob.has_magic(entry):
        found = sorted(Path(name) for name in glob.glob(str(path), recursive=True))
        found = [match for match in found if match.is_file() and not _is_scratch(match)]
        if not found:
            raise InputError(
                f"{entry}: no file matches, expected result files. Correct the path or the pattern."
            )
        return found
    beside = sorted(p.name for p in path.parent.iterdir()) if path.parent.is_dir() else []
    raise InputError(f"{entry}: no such file.{nearest(path.name, beside)} Correct the path.")


def _in_folder(folder: Path, entry: str) -> list[Path]:
    tables = _tables_below(folder, entry, set())
    if not tables:
        raise InputError(
            f"{entry}: is a folder without a table in it, expected a file or a folder of {listed(_KINDS)} "
            "files. Name the file itself."
        )
    return tables


def _tables_below(folder: Path, entry: str, seen: set[Path]) -> list[Path]:
    """The tables directly in a folder, then those in folders below it whose names give a value.

    seen : the folders so far, behind their links, so that links in a circle end.
    """
    if folder.resolve() in seen:
        return []
    seen.add(folder.resolve())
    try:
        present = sorted(folder.iterdir())
    except OSError as error:
        raise InputError(f"{entry}: the folder cannot be read ({error.strerror}).") from None
    tables = [p for p in present if p.suffix.lower() in _KINDS and p.is_file() and not _is_scratch(p)]
    for path in present:
        if path.is_dir() and _value_of(path.name) and not _is_scratch(path):
            tables += _tables_below(path, entry, seen)
    return tables


def _value_of(folder: str) -> tuple[str, str] | None:
    """Column and value of a folder's name such as month=2024-01."""
    column, mark, text = folder.partition("=")
    if not (mark and column.strip()):
        return None
    return unquote(column), "" if text == _NO_VALUE else unquote(text)


def _partition(path: Path) -> dict[str, str]:
    return dict(found for part in path.parent.parts if (found := _value_of(part)))


def _is_scratch(path: Path) -> bool:
    """Hidden files, and the lock files that a spreadsheet program leaves beside an open workbook."""
    return path.name.startswith((".", "~$"))


def _names(paths: Sequence[Path], relative_to: Path | None) -> list[tuple[Path, str]]:
    absolute = [Path(os.path.abspath(path)) for path in paths]
    if relative_to is not None:
        base = Path(os.path.abspath(relative_to))
    else:
        here = Path(os.path.abspath("."))
        inside = all(path.is_relative_to(here) for path in absolute)
        base = here if inside else Path(os.path.commonpath([path.parent for path in absolute]))
    return [(path, shown_name(Path(os.path.relpath(path, base)).as_posix())) for path in absolute]


def _kind(path: Path, name: str) -> FileKind:
    suffix = path.suffix.lower()
    if suffix in _WRONG_KINDS:
        raise InputError(
            f"{name}: files of the kind '{suffix}' are not read, expected a text table, .xlsx or .parquet. "
            "Save the table as .xlsx or export it as CSV."
        )
    return _KINDS.get(suffix, FileKind.TEXT)
