"""Where an engine keeps what large files hold: its memory, and a folder for what is more than that.

In: source files, and the engine's query for their rows.  Out: a connection, and the rows as columns in its folder.
The folder goes with the results that need it, at the latest with the process.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import weakref
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from repeatab.base.errors import InputError
from repeatab.base.progress import Progress
from repeatab.intake.large_text import literal
from repeatab.intake.sources import SourceFile
from repeatab.intake.watching import Watch, was_interrupted

_PREFIX = "repeatab-rows-"
# What the engine may hold; more goes to the temporary folder.
_MEMORY = "400MB"


def connect(files: Sequence[SourceFile]) -> Any:
    """An engine's connection for these files.

    Raises
    ------
    InputError
        The engine is not installed.
    """
    try:
        import duckdb
    except ModuleNotFoundError:
        size = sum(f.path.stat().st_size for f in files) >> 20
        raise InputError(
            f"The result files have {size} MiB, which is read piece by piece, and the engine for that is not "
            "installed. Install it: pip install 'repeatab[engines]'."
        ) from None
    folder = temporary_folder()
    try:
        connection = duckdb.connect(config={"temp_directory": str(folder), "memory_limit": _MEMORY})
        # Goes when nobody holds the results any more, and at the latest with the process.
        weakref.finalize(connection, shutil.rmtree, folder, ignore_errors=True)
        connection.execute("SET enable_progress_bar = true")
        connection.execute("SET enable_progress_bar_print = false")
        connection.execute(f"ATTACH {literal(str(folder / 'rows'))} AS kept")
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return connection


def temporary_folder() -> Path:
    """A new folder; what processes that were killed have left goes now."""
    place = Path(tempfile.gettempdir())
    for left in place.glob(f"{_PREFIX}*"):
        owner = left.name.removeprefix(_PREFIX).partition("-")[0]
        if owner.isdecimal() and not _is_running(int(owner)):
            shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-"))


def _is_running(process: int) -> bool:
    if os.name != "posix":
        return True  # elsewhere there is no signal that only asks
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def kept_on_disk(connection: Any, relation: Any, files: Sequence[SourceFile], progress: Progress) -> Any:
    """The rows of text tables as columns in the temporary folder, so that text is taken apart once."""
    size = max(sum(f.path.stat().st_size for f in files) >> 20, 1)
    relation.create_view("rows_of_files", replace=True)
    try:
        with Watch(progress=progress, connection=connection, rows=size).telling("reading, MiB"):
            connection.execute("CREATE TABLE kept.rows AS SELECT * FROM rows_of_files")
    except Exception as error:  # the engine has a class for each of many faults
        if was_interrupted(error):
            raise KeyboardInterrupt from None
        raise _unreadable(error, files) from None
    return connection.sql("SELECT * FROM kept.rows")


def _unreadable(error: Exception, files: Sequence[SourceFile]) -> InputError:
    said = str(error)
    if isinstance(error, OSError) or "No space left" in said or "OutOfMemory" in type(error).__name__:
        return InputError(
            f"The temporary folder has no room for the results read ({tempfile.gettempdir()}); with what the checks "
            "set down they may take as much as the files. Make room, or name another folder in the environment "
            "variable TMPDIR."
        )
    name = next((f.name for f in files if str(f.path) in said), files[0].name)
    line = re.search(r"Line: (\d+)", said)
    row = f", row {line[1]}" if line else ""
    counted = re.search(r"Expected Number of Columns: (\d+) Found: (\d+)", said)
    if counted:
        return InputError(
            f"{name}{row}: found {counted[2]} values, expected {counted[1]} as in the header. A decimal comma may be "
            "cut in two by a separator that is a comma, or the row is incomplete; correct the row or the separator."
        )
    first = said.strip().splitlines()[0]
    return InputError(
        f"{name}{row}: the text cannot be split into columns ({first}). Look for a stray quotation mark there."
    )
