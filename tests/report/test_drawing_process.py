"""The second process draws what this one would draw, and nothing depends on whether it is there or stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from operator import attrgetter
from pathlib import Path

import pytest

from repeatab.outcome.figures import Figure
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import as_stored
from repeatab.report import drawing_process as second
from repeatab.report import page, write
from repeatab.report.drawing_process import DrawingProcess, drawing_process, pictures_of
from repeatab.report.pictures import figure_and_images
from repeatab.report.write import draw_at_once, report_contents

PROJECT = Path(__file__).parents[2]
TITLE: Callable[[Figure], str] = attrgetter("title")
ABSENT: Callable[[Figure], str] = attrgetter("absent")


@pytest.fixture
def running(monkeypatch: pytest.MonkeyPatch) -> Iterator[DrawingProcess]:
    """A drawing process, whatever number of processors the tests may use."""
    monkeypatch.setattr(second, "_processors", lambda: 2)
    with drawing_process() as found:
        assert found is not None
        yield found


def of(process: DrawingProcess) -> subprocess.Popen[bytes]:
    return process._process


def gone(number: int) -> bool:
    """Whether a process ends within ten seconds."""
    until = time.monotonic() + 10
    while time.monotonic() < until:
        if not _runs(number):
            return True
        time.sleep(0.02)
    return False


def _runs(number: int) -> bool:
    """Whether there is such a process; one that ended and was not asked for its status does not run."""
    state = Path(f"/proc/{number}/stat")
    if state.parent.parent.joinpath("self").exists():
        try:
            return state.read_text().rpartition(")")[2].split()[0] != "Z"
        except (FileNotFoundError, ProcessLookupError):
            return False
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_report_is_the_same_with_and_without_it(outcome: Outcome, running: DrawingProcess) -> None:
    outcome = replace(outcome, figures=outcome.figures[:3])
    ready = draw_at_once(running)
    for figure in outcome.figures[:2]:
        ready(figure)
    # One that was told of turns out different in the end: what was begun is not used.
    changed = replace(outcome.figures[1], title="Another question")
    outcome = replace(outcome, figures=(outcome.figures[0], changed, outcome.figures[2]))
    assert report_contents(outcome, drawing=running) == report_contents(outcome)


def test_it_draws_while_this_process_does_not_load_the_drawing_library(tmp_path: Path) -> None:
    study, to = PROJECT / "studies" / "monthly_correlation.toml", tmp_path / "out"
    code = (
        "import repeatab.report.drawing_process as second, sys\n"
        "second._processors = lambda: 2\n"
        f"sys.argv = ['repeatab', 'run', {str(study)!r}, '--to', {str(to)!r}]\n"
        "from repeatab.cli import main\n"
        "try:\n    main()\nfinally:\n    print([name for name in ('matplotlib', 'seaborn') if name in sys.modules])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True
    )
    assert ran.stdout.splitlines()[-1] == "[]"
    assert sum(path.suffix == ".svg" for path in (to / "figures").iterdir()) > 1


@pytest.mark.parametrize(("figures", "started"), [(2, 0), (12, 1)])
def test_a_report_by_itself_has_one_where_it_has_many_figures(
    outcome: Outcome, monkeypatch: pytest.MonkeyPatch, figures: int, started: int
) -> None:
    found = []

    @contextmanager
    def none() -> Iterator[None]:
        found.append("started")
        yield None

    monkeypatch.setattr(write, "drawing_process", none)
    monkeypatch.setattr(write, "pictures_of", lambda *_, **__: [])
    monkeypatch.setattr(write, "_figure_files", lambda *_: {})
    monkeypatch.setattr(page, "page_bytes", lambda *_, **__: b"")
    report_contents(replace(outcome, figures=outcome.figures[:1] * figures))
    assert len(found) == started


def test_pictures_come_in_the_order_of_the_figures(outcome: Outcome, running: DrawingProcess) -> None:
    figures = [replace(outcome.figures[0], title=str(number)) for number in range(40)]
    heard: list[tuple[str, int, int]] = []
    made = pictures_of(TITLE, figures, second=running, progress=lambda *step: heard.append(step))
    assert made == [str(number) for number in range(40)]
    assert heard[-1] == ("drawing the figures", 39, 40)
    assert all(0 <= done < 40 for _, done, _ in heard)


def test_this_process_lends_a_hand_only_where_many_wait(
    outcome: Outcome, running: DrawingProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", sys)
    monkeypatch.delitem(sys.modules, "matplotlib")
    figures = [replace(outcome.figures[0], title=str(number)) for number in range(8)]
    for figure in figures:
        running.ask(TITLE, figure)
    # The other process is still loading, so at most one has been handed over.
    taken = [task.given.title for task in iter(running.take, None)]
    assert taken[:2] == ["7", "6"]
    assert len(taken) in (2, 3)


def test_where_it_is_ended_this_process_draws(outcome: Outcome, running: DrawingProcess) -> None:
    asked = [running.ask(figure_and_images, figure) for figure in outcome.figures[2:4]]
    of(running).kill()
    assert [running.result(task) for task in asked] == [figure_and_images(f) for f in outcome.figures[2:4]]
    # What is asked for later is drawn here too.
    assert pictures_of(TITLE, outcome.figures, second=running) == [f.title for f in outcome.figures]


def test_what_fails_there_fails_here_with_its_own_message(outcome: Outcome, running: DrawingProcess) -> None:
    with pytest.raises(AttributeError, match="absent"):
        pictures_of(ABSENT, outcome.figures[:1], second=running)
    assert pictures_of(TITLE, outcome.figures[:1], second=running) == [outcome.figures[0].title]


def test_what_cannot_be_sent_is_drawn_here(outcome: Outcome, running: DrawingProcess) -> None:
    assert pictures_of(lambda figure: figure.key, outcome.figures, second=running) == [
        figure.key for figure in outcome.figures
    ]


def test_what_a_library_prints_does_not_get_between_the_pictures(
    outcome: Outcome, running: DrawingProcess
) -> None:
    assert running.result(running.ask(print, outcome.figures[0])) is None
    assert running.result(running.ask(TITLE, outcome.figures[0])) == outcome.figures[0].title


def test_a_program_that_never_answers_is_not_waited_for(
    outcome: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where Python is part of another program, that one may be started instead."""
    monkeypatch.setattr(second, "_processors", lambda: 2)
    monkeypatch.setattr(second, "_LONGEST_START", 0.1)
    monkeypatch.setattr(second, "_PATIENCE", 0.05)
    sleeping = [sys.executable, "-c", "import time; time.sleep(60)"]

    def other() -> subprocess.Popen[bytes]:
        return subprocess.Popen(sleeping, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    monkeypatch.setattr(second, "_second_process", other)
    monkeypatch.setattr(DrawingProcess, "take", lambda _: None)
    with drawing_process() as found:
        assert found is not None
        assert pictures_of(TITLE, outcome.figures[:3], second=found) == [f.title for f in outcome.figures[:3]]
        number = of(found).pid
    assert gone(number)


def test_there_is_none_on_one_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    if not hasattr(os, "sched_getaffinity"):
        pytest.skip("the system does not say which processors a process may use")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})
    with drawing_process() as found:
        assert found is None


def test_there_is_none_where_no_process_can_be_started(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(second, "_processors", lambda: 2)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "absent"))
    with drawing_process() as found:
        assert found is None


def test_a_figure_told_of_ahead_is_the_one_that_is_stored(outcome: Outcome) -> None:
    assert tuple(as_stored(figure) for figure in outcome.figures) == outcome.figures


@pytest.mark.parametrize("loaded", [False, True], ids=["while it loads", "once it has loaded"])
def test_it_is_gone_after_an_error(outcome: Outcome, monkeypatch: pytest.MonkeyPatch, loaded: bool) -> None:
    monkeypatch.setattr(second, "_processors", lambda: 2)
    entered = drawing_process()
    found = entered.__enter__()
    assert found is not None
    if loaded:
        found.result(found.ask(TITLE, outcome.figures[0]))
    number = of(found).pid
    assert not entered.__exit__(RuntimeError, RuntimeError("defect"), None)
    assert gone(number)
    # Whoever asks after it is closed draws.
    assert found.result(found.ask(TITLE, outcome.figures[0])) == outcome.figures[0].title


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("loaded", [False, True], ids=["while it loads", "once it has loaded"])
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_it_does_not_outlive_the_process_that_started_it(how: signal.Signals, loaded: bool) -> None:
    code = (
        "import repeatab.report.drawing_process as second, time\n"
        "second._processors = lambda: 2\n"
        "with second.drawing_process() as found:\n"
        f"    while {loaded} and not found._loaded:\n        time.sleep(0.01)\n"
        "    print(found._process.pid, flush=True)\n"
        "    time.sleep(60)"
    )
    # From the keyboard an interrupt reaches all processes of a group.
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        start_new_session=True,
    ) as first:  # fmt: skip
        assert first.stdout is not None
        number = int(first.stdout.readline())
        assert _runs(number)
        if how is signal.SIGINT:
            os.killpg(first.pid, how)
        else:
            first.send_signal(how)
        first.wait(10)
    assert gone(number)
