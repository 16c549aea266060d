"""One input put to one entrance, under watch: what came of it, the time and memory it took, what it left behind.

In: a case, an entrance, a folder.  Out: Seen, whose `faults` are empty if every promise was kept.
"""

from __future__ import annotations

import gc
import os
import signal
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from repeatab.base.errors import RepeatabError

MOST_SECONDS = 2.0
"""Of processor time, so that a machine with other work to do makes no faults."""
SPARE_MEMORY, PER_BYTE = 64 << 20, 10
MOST_LETTERS = 1500
"""Of one message: it has to be read by a person."""
_HANG = 60


class Hang(BaseException):
    """The call had not come back after a minute of processor time or three by the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one input did.

    said : the refusal, empty if it was accepted. faults : broken promises, in words.
    """

    said: str
    seconds: float
    memory: int
    faults: tuple[str, ...]

    @property
    def accepted(self) -> bool:
        return not self.said and not self.faults


def watched(call: Callable[[], None], *, folder: Path, size: int, timed: bool = True) -> Seen:
    """Run `call`, which reads from `folder` and may write only if it succeeds.

    size : bytes of the input, for the bound on memory.
    """
    faults: list[str] = []
    said = ""
    before = _listing(folder)
    resident = _begin_memory()
    start = time.process_time()
    try:
        with _alarm(), warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter("ignore", DeprecationWarning)
            warnings.simplefilter("ignore", PendingDeprecationWarning)
            warnings.simplefilter("ignore", ResourceWarning)
            call()
    except RepeatabError as error:
        said = str(error) or "(nothing)"
        faults += _unclear(said)
    except Hang:
        faults.append("hangs")
    except Exception as error:
        faults.append(_trace(error))
    except SystemExit as error:
        faults.append(f"leaves with {error.code}")
    seconds = time.process_time() - start
    memory = _memory_since(resident)
    if timed and seconds > MOST_SECONDS:
        faults.append(f"takes {seconds:.1f} s")
    if memory > SPARE_MEMORY + PER_BYTE * size:
        faults.append(f"takes {memory >> 20} MiB for {size / 1024:.0f} KiB")
    if (said or faults) and (changed := _listing(folder) ^ before):
        faults.append(f"writes {sorted(name for name, *_ in changed)[:3]} and fails")
    return Seen(said=said, seconds=seconds, memory=memory, faults=tuple(faults))


def _unclear(said: str) -> Iterator[str]:
    if len(said) > MOST_LETTERS:
        yield f"says {len(said)} letters: {said[:100]}"
    if said == "(nothing)":
        yield "refuses without a word"


def _trace(error: BaseException) -> str:
    """Kind, text and the innermost places of the package."""
    places = [
        f"{Path(step.filename).name}:{step.lineno} {step.name}"
        for step in traceback.extract_tb(error.__traceback__)
        if "repeatab" in step.filename
    ]
    return f"{type(error).__name__}: {str(error)[:150]} at {' < '.join(reversed(places[-3:]))}"


def _listing(folder: Path) -> set[tuple[str, int, int]]:
    """Every file below the folder with its size and time of change."""
    found = set()
    for place, _, names in os.walk(folder):
        for name in names:
            status = os.lstat(os.path.join(place, name))
            found.add((os.path.join(place, name), status.st_size, status.st_mtime_ns))
    return found


@contextmanager
def _alarm() -> Iterator[None]:
    def ring(_number: int, _frame: object) -> None:
        raise Hang

    old = signal.signal(signal.SIGPROF, ring), signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_PROF, _HANG)
    signal.setitimer(signal.ITIMER_REAL, 3 * _HANG)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGPROF, old[0])
        signal.signal(signal.SIGALRM, old[1])


# Linux counts a process's largest resident size and lets it be reset; elsewhere memory is not watched.


def _begin_memory() -> int:
    try:
        with open("/proc/self/clear_refs", "w") as stream:
            stream.write("5")
    except OSError:
        return 0
    return _status("VmRSS")


def _memory_since(resident: int) -> int:
    return max(0, _status("VmHWM") - resident) if resident else 0


def _status(field: str) -> int:
    try:
        with open("/proc/self/status") as stream:
            line = next(line for line in stream if line.startswith(f"{field}:"))
    except (OSError, StopIteration):
        return 0
    return int(line.split()[1]) << 10


def settle() -> None:
    """Hand back what earlier inputs left, so that the next one is charged with its own."""
    gc.collect()
