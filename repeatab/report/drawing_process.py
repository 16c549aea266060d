"""The drawing process: a second process that draws pictures while this one goes on with its work.

In: figures as data, each as soon as it is known.  Out: their pictures, byte for byte those that this process would
make; the workbook, which needs a library of its own too, is made there likewise. The second process loads the
libraries from the moment it is started; where there is none (one processor, it could not be started, it was ended)
everything is made here. Figures go there and pictures come back through its standard input and output; it ends when
its input ends, so it does not outlive the process that started it.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any, BinaryIO, Generic, TypeVar

from repeatab.base.progress import Progress, silent
from repeatab.outcome.figures import Figure, ScatterSources

_Given = TypeVar("_Given")
_Made = TypeVar("_Made")

_STEP = "drawing the figures"
# Loading the drawing library takes as long as it takes the other process to draw so many figures.
_WORTH_LOADING = 6
# A wait in one piece could not be interrupted from the keyboard on every system.
_PATIENCE = 0.5
# On a slow machine the first start ever lists all fonts. What takes longer was no Python that could load this module.
_LONGEST_START = 120.0


@contextmanager
def drawing_process() -> Iterator[DrawingProcess | None]:
    """A drawing process for as long as the block lasts; None where it would not help or cannot be had."""
    started = _started()
    try:
        yield started
    finally:
        if started is not None:
            started.close()


def pictures_of(
    draw: Callable[[Figure], _Made],
    figures: Sequence[Figure],
    *,
    second: DrawingProcess | None = None,
    progress: Progress = silent,
    step: str = _STEP,
) -> list[_Made]:
    """The pictures of figures in their order, with the help of a drawing process if there is one.

    draw : a function that the other process finds by its name.
    """
    asked = [None if second is None else second.ask(draw, figure) for figure in figures]
    while second is not None and (task := second.take()) is not None:
        progress(step, sum(one is None or one.made.done() for one in asked), len(asked))
        task.do_here()
    made = []
    for number, (figure, one) in enumerate(zip(figures, asked, strict=True)):
        progress(step, number, len(asked))
        made.append(draw(figure) if second is None or one is None else second.result(one))
    return made


class _NotMadeError(Exception):
    """The other process gave nothing: it is gone, or the work failed there and shall fail here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task(Generic[_Given, _Made]):
    """Something to draw or to write; `made` comes from either process."""

    work: Callable[[_Given], _Made]
    given: _Given
    made: Future[_Made] = field(default_factory=Future)

    def do_here(self) -> None:
        self.made.set_result(self.work(self.given))


class DrawingProcess:
    """The second process and the thread that attends to it; see `drawing_process`."""

    def __init__(self) -> None:
        """Start it.

        Raises
        ------
        OSError, RuntimeError
            There can be no further process, or thread.
        """
        self._waiting: deque[Task[Any, Any]] = deque()
        self._begun: dict[tuple[Any, Any], Task[Any, Any]] = {}
        self._changed = threading.Condition()
        self._loaded = self._closed = False
        self._started = time.monotonic()
        self._process = _second_process()
        self._attendant = threading.Thread(target=self._attend, name="drawing process", daemon=True)
        try:
            self._attendant.start()
        except RuntimeError:
            self._process.kill()
            self._process.wait()
            raise

    def begin(self, work: Callable[[_Given], _Made], given: _Given) -> None:
        """Begin what will be asked for; if it turns out otherwise in the end, what was made is not used."""
        if (work, given) not in self._begun:
            self._begun[work, given] = self.ask(work, given)

    def ask(self, work: Callable[[_Given], _Made], given: _Given) -> Task[_Given, _Made]:
        """Have something made, unless that was begun before; `work` is found by its name in the other process."""
        begun = self._begun.pop((work, given), None)
        if begun is not None:
            return begun
        task = Task(work=work, given=given)
        with self._changed:
            if self._closed:
                task.made.set_exception(_NotMadeError())
            else:
                self._waiting.append(task)
                self._changed.notify()
        return task

    def result(self, task: Task[_Given, _Made]) -> _Made:
        """What was made of a task, here if the other process gives nothing."""
        while True:
            try:
                return task.made.result(timeout=_PATIENCE)
            except TimeoutError:
                if not self._loaded and time.monotonic() - self._started > _LONGEST_START:
                    self._process.kill()
            except _NotMadeError:
                return task.work(task.given)

    def take(self) -> Task[Any, Any] | None:
        """What this process should do itself: the last of many tasks that wait, None where few do."""
        few = 1 if "matplotlib" in sys.modules else _WORTH_LOADING
        with self._changed:
            return self._waiting.pop() if len(self._waiting) >= few else None

    def close(self) -> None:
        """End it, whatever it is doing."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        if self._loaded:
            self._process.kill()
            self._attendant.join()
            return
        # It may be writing the list of fonts that later processes read. It goes by itself, since its input ends.
        with suppress(OSError):
            _stream(self._process.stdin).close()

    def _attend(self) -> None:
        """Hand over one task after the other, until it is closed or gone."""
        requests, answers = _stream(self._process.stdin), _stream(self._process.stdout)
        task: Task[Any, Any] | None = None
        # Whatever goes wrong between the two, this process does what is left.
        with suppress(Exception):
            self._loaded = pickle.load(answers)
            while (task := self._next()) is not None:
                pickle.dump((task.work, task.given), requests)
                requests.flush()
                good, made = pickle.load(answers)
                if good:
                    task.made.set_result(made)
                else:
                    task.made.set_exception(_NotMadeError())
        with self._changed:
            self._closed = True
            left = [*self._waiting] if task is None else [task, *self._waiting]
            self._waiting.clear()
        for one in left:
            if not one.made.done():
                one.made.set_exception(_NotMadeError())
        self._process.kill()
        self._process.wait()
        for stream in (requests, answers):
            with suppress(OSError):
                stream.close()

    def _next(self) -> Task[Any, Any] | None:
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._closed)
            return None if self._closed else self._waiting.popleft()


def _started() -> DrawingProcess | None:
    # A program that carries its own Python cannot be started as one.
    if _processors() < 2 or not sys.executable or getattr(sys, "frozen", False):
        return None
    try:
        return DrawingProcess()
    except (OSError, RuntimeError):
        return None


def _processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _second_process() -> subprocess.Popen[bytes]:
    """This module as a process of its own, with the same libraries and nothing of the folder it is started in."""
    surroundings = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(sys.path),
        # Drawing needs no linear algebra, whose threads would stand in the way of this process.
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }
    return subprocess.Popen(
        [sys.executable, "-P", "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=surroundings,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def _stream(stream: Any) -> BinaryIO:
    """A pipe that was asked for is there."""
    assert stream is not None
    found: BinaryIO = stream
    return found


def _serve(requests: BinaryIO, answers: BinaryIO) -> None:
    """The second process: do what comes in until nothing does."""
    # The first start ever writes the list of fonts; from then on the process may be ended at any moment.
    import_module("matplotlib.font_manager")
    _answer(answers, True)
    _load()
    # What is loaded stays, and a drawing goes as a whole: searching for what is not used any more finds little.
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
    while True:
        work, given = pickle.load(requests)
        try:
            answer = True, work(given)
        except Exception:
            answer = False, None
        _answer(answers, answer)


def _answer(answers: BinaryIO, content: object) -> None:
    pickle.dump(content, answers)
    answers.flush()


def _load() -> None:
    """Everything that drawing and the workbook need; much of it is loaded by a first drawing only."""
    from repeatab.report.pictures import figure_and_images

    figure_and_images(ScatterSources(key="", title="0", reading="", unit="", sources=(), margin=1.0))
    for name in ("offsets", "sets", "repeatability", "order", "more_runs"):
        import_module(f"repeatab.report.figures.{name}")
    for name in ("repeatab.report.workbook", "openpyxl"):
        import_module(name)


def _main() -> None:
    # The keyboard interrupts the process that started this one, and that one decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # What a library prints must not get between the pictures.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    with suppress(EOFError, OSError):
        _serve(sys.stdin.buffer, answers)
    # Nothing is left to put in order, and taking the libraries down takes time.
    os._exit(0)


if __name__ == "__main__":
    _main()
