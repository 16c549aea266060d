"""Two file-system steps that Python does not offer: swapping two names at once, and one writer per folder."""

from __future__ import annotations

import ctypes
import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_NOT_OFFERED = frozenset({errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP})


def exchange(first: Path, second: Path, *, spare: Path) -> None:
    """Swap the two names, so that each stands for what the other stood for.

    On Linux this is one step (renameat2 with RENAME_EXCHANGE). Where the system or the file system does not
    offer it, three renames do the same by way of the unused name `spare`: for an instant `second` does not
    exist and its old content lies under `spare`.

    Raises
    ------
    OSError
        The names could not be swapped; both stand for what they stood for before.
    """
    if not _exchange_at_once(first, second):
        second.rename(spare)
        try:
            first.rename(second)
        except BaseException:
            spare.rename(second)
            raise
        spare.rename(first)


def _exchange_at_once(first: Path, second: Path) -> bool:
    """Swap by the system's own call; False where it is not offered."""
    if os.name != "posix":
        return False
    renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return False
    failed = renameat2(_AT_FDCWD, os.fsencode(first), _AT_FDCWD, os.fsencode(second), _RENAME_EXCHANGE)
    if not failed:
        return True
    number = ctypes.get_errno()
    if number in _NOT_OFFERED:
        return False
    raise OSError(number, os.strerror(number), str(second))


@contextmanager
def sole_writer(folder: Path, *, patience: float = 30.0) -> Iterator[bool]:
    """Hold the folder's lock; yields whether it is held.

    The lock goes with the process, so a killed writer leaves none. Where the system offers no such lock the
    body runs without it and False is yielded.

    Raises
    ------
    TimeoutError
        Another process has held the lock for `patience` seconds.
    """
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        yield False
        return
    try:
        yield _locked(fcntl.flock, handle, fcntl.LOCK_EX | fcntl.LOCK_NB, patience)
    finally:
        os.close(handle)


def _locked(flock: object, handle: int, how: int, patience: float) -> bool:
    assert callable(flock)
    deadline = time.monotonic() + patience
    while True:
        try:
            flock(handle, how)
            return True
        except BlockingIOError:
            if time.monotonic() > deadline:
                raise TimeoutError(errno.EBUSY, "another program is writing there at this moment") from None
            time.sleep(0.02)
        except OSError:
            return False  # some network file systems lock no folders


def sync(path: Path) -> None:
    """Ask the system to put the folder's entries on the disk, where it can."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
