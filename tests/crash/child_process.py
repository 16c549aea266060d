"""A piece of work in a process of its own, which may be killed.

In: work that writes to a pipe.  Out: the process and the pipe's other end; what it had written when it ended, and how.
"""

from __future__ import annotations

import os
from collections.abc import Callable


def in_child(work: Callable[[int], None]) -> tuple[int, int]:
    """Run `work(pipe)` in a process of its own; returns its id and the end of the pipe to read from."""
    reading, writing = os.pipe()
    child = os.fork()
    if child:
        os.close(writing)
        return child, reading
    try:
        os.close(reading)
        work(writing)
    except BaseException as error:
        os.write(writing, f"failed {error!r}\n".encode())
    finally:
        os._exit(0)


def ended(child: int, reading: int, seen: bytes = b"") -> tuple[list[str], int]:
    """What the process wrote after `seen`, line by line, and the signal that ended it (0: it ended by itself)."""
    with os.fdopen(reading, "rb") as stream:
        text = (seen + stream.read()).decode()
    _, status = os.waitpid(child, 0)
    return text.split("\n")[:-1], os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0
