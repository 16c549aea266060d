"""Writing files so that a reader finds the old content or the new, never something between."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from pathlib import Path

from repeatab.base.errors import InputError


def fingerprint(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while chunk := stream.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def write_atomically(path: Path, content: bytes) -> None:
    """Replace the file at `path` by `content` in one step.

    The content goes to a temporary file beside the target, is flushed to the disk and then renamed: a crash
    leaves the old file whole.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp gives 0600; a report is read by colleagues, so follow the user's own mask.
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def write_folder(folder: Path, contents: dict[str, bytes]) -> None:
    """Make `folder` hold exactly the named files, in one step; a crash leaves the previous folder whole.

    The files are written to a new folder beside the target, which then takes the target's place. Only a folder
    that this function made (or an empty one) is replaced: files of others are never deleted.

    Raises
    ------
    InputError
        The target exists and is not a folder, holds files that do not belong to a report, or cannot be written.
    """
    folder = folder.absolute()
    _refuse_foreign(folder, set(contents))
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=f".{folder.name}.new.", dir=folder.parent))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}). Choose another output folder.") from error
    try:
        for name, content in contents.items():
            target = staging / name
            target.parent.mkdir(parents=True, exist_ok=True)
            write_atomically(target, content)
        umask = os.umask(0)
        os.umask(umask)
        staging.chmod(0o777 & ~umask)
        _swap(staging, folder)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}). The previous report is unchanged.") from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _refuse_foreign(folder: Path, names: set[str]) -> None:
    if not folder.exists():
        return
    if not folder.is_dir():
        raise InputError(f"{folder}: is a file, expected a folder for the report. Choose another output folder.")
    present = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    marker = "result.json"
    if present and marker not in present:
        raise InputError(
            f"{folder}: holds files that are not a report of ours (for example '{sorted(present)[0]}'), "
            "and the report replaces the whole folder. Choose a new or empty output folder."
        )
    del names


def _swap(staging: Path, folder: Path) -> None:
    """Put `staging` in the place of `folder`; the old folder goes only after the new one stands."""
    if not folder.exists():
        staging.rename(folder)
        return
    retired = Path(tempfile.mkdtemp(prefix=f".{folder.name}.old.", dir=folder.parent))
    folder.rename(retired / "report")
    try:
        staging.rename(folder)
    except BaseException:
        (retired / "report").rename(folder)
        raise
    finally:
        shutil.rmtree(retired, ignore_errors=True)
