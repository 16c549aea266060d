"""Writers of reports that are killed at a random moment, and what they leave.

In: two outcomes, a folder, a seed.  Out: how many writers were killed and how often each report was found.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from child_process import in_child

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


def two_versions(*, drawn: bool) -> Versions:
    """Two outcomes that differ in every file of their reports, and in which figures they have if they have any."""
    column = Column(key="sd", caption="standard deviation", kind=ColumnKind.RESULT)
    headline = Judgement(subject="all sections", verdict=Verdict.UNDECIDED, reason="Too few sets.")
    figure = ScatterSources(
        key="scatter", title="Where does the scatter come from?", reading="From the sets.", unit="",
        sources=(Estimate(label="pad set", value=0.006, lower=0.004, upper=0.011),), margin=0.02,
    )  # fmt: skip
    old = Outcome(
        job="gauge_study", title="February", headline=headline, judgements=(headline,), evidence=("Six sets.",),
        tables=(Table(key="components", caption="Components", columns=(column,), rows=((0.006,),)),),
        figures=(figure,) if drawn else (),
    )  # fmt: skip
    table = replace(old.tables[0], rows=((0.007,), (0.003,)))
    new = replace(
        old,
        title="March",
        tables=(table,),
        figures=(replace(figure, key="sources", margin=0.03),) if drawn else (),
    )
    return Versions(outcomes=(old, new), contents=(report_contents(old), report_contents(new)))


def kill_one(
    folder: Path, versions: Versions, chance: random.Random, *, turns: int, whole: bool, way: str
) -> None:
    """Start a writer that writes the two versions in turn, and kill it at a random moment of its first two writings.

    turns : which version it begins with. whole : whether each report is made from its outcome, or only written, which
    hits the moment of writing more often. way : "swap" by the system's own call, "renames" without it.
    """

    def write(pipe: int) -> None:
        if way == "renames":
            exchange._exchange_at_once = lambda first, second: False  # noqa: ARG005 - in a process of its own
        turn = turns
        while True:
            os.write(pipe, b".")
            if whole:
                write_report(versions.outcomes[turn % 2], folder)
            else:
                write_folder(folder, versions.contents[turn % 2])
            turn += 1

    child, reading = in_child(write)
    # The first point is the beginning; after the second one, a report has just been written.
    for _ in range(chance.choice((1, 1, 2))):
        assert os.read(reading, 1) == b"."
    time.sleep(chance.uniform(0.0, _lasting(whole, folder, versions)))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    said = os.read(reading, 2000)
    os.close(reading)
    assert os.WIFSIGNALED(status), said


_lasts: dict[bool, float] = {}


def _lasting(whole: bool, folder: Path, versions: Versions) -> float:
    """How long one writing lasts here, measured once beside the folder."""
    if whole not in _lasts:
        beside = folder.with_name("beside")
        write_folder(beside, versions.contents[0])
        begun = time.monotonic()
        if whole:
            write_report(versions.outcomes[1], beside)
        else:
            write_folder(beside, versions.contents[1])
        _lasts[whole] = time.monotonic() - begun
        shutil.rmtree(beside)
    return _lasts[whole]


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
    How often the report that stood there before and the other one were found ("lost": for an instant no report has the
    name, where the system cannot swap two names; the next writer gives it back).
    """
    chance = random.Random(seed)
    write_folder(folder, versions.contents[0])
    (folder / NOTES).write_text("seen by the customer")
    found: Counter[str] = Counter()
    standing = 0
    for turn in range(times):
        # It begins with the version that is not there, so that a writing that came to its end shows.
        kill_one(folder, versions, chance, turns=standing + 1, whole=turn % 5 == 4, way=way)
        if way == "renames" and not folder.exists():
            found["lost"] += 1
            write_folder(folder, versions.contents[standing])
        held = found_in(folder)
        assert held.pop(NOTES) == b"seen by the customer"
        assert held in versions.contents, f"turn {turn}: {sorted(held)}"
        now = versions.contents.index(held)
        found["old" if now == standing else "new"] += 1
        standing = now
    write_folder(folder, versions.contents[1])
    assert found_in(folder) == {**versions.contents[1], NOTES: b"seen by the customer"}
    assert leftovers(folder) == []
    return found
