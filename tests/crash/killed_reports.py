"""Writers of reports that are killed at a random moment, and what they leave.

In: two outcomes, a folder, a seed.  Out: how many writers were killed and how often each report was found.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from repeatab.base import exchange
from repeatab.base.folders import write_folder
from repeatab.base.owned_files import LIST_NAME, temporary_prefix
from repeatab.outcome.figures import Estimate, ScatterSources
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.tables import Column, ColumnKind, Table
from repeatab.outcome.verdict import Judgement, Verdict
from repeatab.report.write import report_contents, write_report

Contents = dict[str, bytes]
NOTES = "notes.txt"


@dataclass(frozen=True, slots=True, kw_only=True)
class Versions:
    """The old and the new outcome, and what their reports hold."""

    outcomes: tuple[Outcome, Outcome]
    contents: tuple[Contents, Contents]


def two_versions() -> Versions:
    """Two outcomes that differ in every file of their reports, and in which figures they have. Values are invented."""
    column = Column(key="sd", caption="standard deviation", kind=ColumnKind.RESULT)
    headline = Judgement(subject="all sections", verdict=Verdict.UNDECIDED, reason="Too few sets.")
    figure = ScatterSources(
        key="scatter", title="Where does the scatter come from?", reading="From the sets.", unit="",
        sources=(Estimate(label="pad set", value=0.006, lower=0.004, upper=0.011),), margin=0.02,
    )  # fmt: skip
    old = Outcome(
        job="gauge_study", title="February", headline=headline, judgements=(headline,), evidence=("Six sets.",),
        tables=(Table(key="components", caption="Components", columns=(column,), rows=((0.006,),)),), figures=(figure,),
    )  # fmt: skip
    table = replace(old.tables[0], rows=((0.007,), (0.003,)))
    new = replace(old, title="March", tables=(table,), figures=(replace(figure, key="sources", margin=0.03),))
    return Versions(outcomes=(old, new), contents=(report_contents(old), report_contents(new)))


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


def kill_one(
    folder: Path, versions: Versions, chance: random.Random, *, whole: bool, way: str = "swap"
) -> None:
    """Start a writer that writes old and new in turn, and kill it at a random moment.

    whole : whether each report is made from its outcome, or only written, which hits the moment of writing more often.
    way : "swap" by the system's own call, "renames" without it.
    """

    def write(pipe: int) -> None:
        if way == "renames":
            exchange._exchange_at_once = lambda first, second: False  # noqa: ARG005 - in a process of its own
        os.write(pipe, b"ready\n")
        turn = 0
        while True:
            turn += 1
            if whole:
                write_report(versions.outcomes[turn % 2], folder)
            else:
                write_folder(folder, versions.contents[turn % 2])

    child, reading = in_child(write)
    assert os.read(reading, 6) == b"ready\n"
    time.sleep(chance.uniform(0.0, 1.5 if whole else 0.12))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    said = os.read(reading, 2000)
    os.close(reading)
    assert os.WIFSIGNALED(status), said


def found_in(folder: Path) -> Contents:
    """Every file of a report's folder but the list of its files."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != LIST_NAME
    }


def leftovers(folder: Path) -> list[str]:
    """Temporary folders of ours beside a report."""
    return [path.name for path in folder.parent.iterdir() if path.name.startswith(temporary_prefix(folder))]


def kill_writers(
    times: int, folder: Path, versions: Versions, seed: int, *, way: str = "swap"
) -> Counter[str]:
    """Kill that many writers of one report; after each the report is the old or the new one, and others' files stay.

    Returns
    -------
    How often the old and the new report were found ("lost": for an instant no report has the name, where the system
    cannot swap two names; the next writer gives it back).
    """
    chance = random.Random(seed)
    write_folder(folder, versions.contents[0])
    (folder / NOTES).write_text("seen by the customer")
    found: Counter[str] = Counter()
    for turn in range(times):
        kill_one(folder, versions, chance, whole=turn % 5 == 4, way=way)
        if way == "renames" and not folder.exists():
            found["lost"] += 1
            write_folder(folder, versions.contents[0])
        held = found_in(folder)
        assert held.pop(NOTES) == b"seen by the customer"
        assert held in versions.contents, f"turn {turn}: {sorted(held)}"
        found["old" if held == versions.contents[0] else "new"] += 1
    write_folder(folder, versions.contents[1])
    assert found_in(folder) == {**versions.contents[1], NOTES: b"seen by the customer"}
    assert leftovers(folder) == []
    return found
