"""Writing files so that a reader finds the old content or the new, never something between."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from pathlib import Path

from repeatab.base.errors import InputError


def refuse_no_plain_file(path: Path, name: str) -> None:
    """Refuse what is there and is no file with an end: a pipe, a device, a socket, a folder.

    Reading one of those would wait for ever or never come to an end. A path that is not there is left to the reader.

    name : what the message calls the file.

    Raises
    ------
    InputError
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "a pipe, a device or a socket"
        raise InputError(
            f"{name}: is {what}, expected a file. Correct the path, or save what it holds to a file first."
        )


def shown_name(path: str | Path) -> str:
    """A path as text that can be printed and stored, whatever the encoding that the machine is set to.

    Where it is set to another one than the names on its disk are written in, Python keeps their bytes as half
    characters; most disks hold UTF-8.
    """
    return os.fsencode(path).decode("utf-8", "replace") if _has_halves(str(path)) else str(path)


def reachable(path: Path) -> Path:
    """The path by whose name a text of ours means a file: in the machine's encoding, or where that fails in UTF-8."""
    with contextlib.suppress(OSError, ValueError):
        if path.exists():
            return path
    with contextlib.suppress(ValueError):
        return Path(os.fsdecode(str(path).encode("utf-8", "surrogateescape")))
    return path


def _has_halves(text: str) -> bool:
    return any("\ud800" <= letter <= "\udfff" for letter in text)


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
        temporary.chmod(0o666 & ~user_mask())
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def user_mask() -> int:
    """The process's mask of permissions for new files."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
