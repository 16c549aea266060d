"""Input under fire: many bent inputs to every entrance, guided by what they reach. Run it to make the table.

    python tests/fuzz/campaign.py [INPUTS] [NAME-OF-ENTRANCE ...]

In: a number of inputs and a seed.  Out: for each entrance how many were accepted and refused, and every broken promise
with the input that broke it. An input that reaches a line of the package for the first time, or is refused in new
words, is kept and bent further.
"""

from __future__ import annotations

import os
import platform
import random
import re
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from cases import Case, Entrance, memory_folder  # noqa: E402
from entrances import ENTRANCES  # noqa: E402
from reached import Reached  # noqa: E402
from watched import MOST_SECONDS, Seen, watched  # noqa: E402

SEED = 20261128
FULL = 200_000
MOST_SIZE = 500_000
ALWAYS, EVERY = 200, 4
"""Lines are watched for the first inputs and then for every fourth: watching doubles the time of an input."""
TABLE = Path(__file__).parents[1] / "assurance" / "input_under_fire.md"


@dataclass(slots=True)
class Tally:
    """What an entrance did with its inputs."""

    inputs: int = 0
    accepted: int = 0
    kept: int = 0
    lines: int = 0
    ways: int = 0
    slowest: float = 0.0
    memory: int = 0
    size: int = 0
    faults: dict[str, list[tuple[str, Case]]] = field(default_factory=dict)

    def count(self, seen: Seen, case: Case) -> None:
        self.inputs += 1
        self.accepted += seen.accepted
        self.slowest = max(self.slowest, seen.seconds)
        self.memory = max(self.memory, seen.memory)
        self.size = max(self.size, case.size)
        for fault in seen.faults:
            same = self.faults.setdefault(_shape(fault), [])
            if len(same) < 2:
                same.append((fault, case))


def _shape(text: str) -> str:
    """A message without what it quotes and counts, to tell ways of refusing apart."""
    return re.sub(r"\d+", "0", re.sub(r"'[^']*'|`[^`]*`", "'…'", text))[:160]


def under_fire(entrance: Entrance, inputs: int, seed: int = SEED, *, begin: int = 0) -> Tally:
    """Put so many inputs to one entrance, beginning with its valid cases from number `begin` on.

    The same seed gives the same inputs.
    """
    chance = random.Random(f"{seed} {entrance.name}")
    corpus = list(entrance.seeds())
    begun = len(corpus)
    # What is bent again stays small, or the inputs would grow without end.
    largest = 2 * max(case.size for case in corpus)
    reached, ways, tally = Reached(), set[str](), Tally()
    root = Path(tempfile.mkdtemp(prefix="fire", dir=memory_folder()))
    try:
        for case in corpus:  # what is imported at first use is not charged to an input
            _put(entrance, case, root / "in")
        for number in range(begin, begin + inputs):
            fresh = number < begun
            case = corpus[number] if fresh else _bent(entrance, corpus, begun, chance)
            if number < ALWAYS or number % EVERY == 0:
                seen, lines = reached.watch(lambda case=case: _put(entrance, case, root / "in"))  # type: ignore[misc]
            else:
                seen, lines = _put(entrance, case, root / "in"), 0
            tally.count(seen, case)
            way = _shape(seen.said)
            if not fresh and (lines or way not in ways) and case.size <= largest:
                corpus.append(case)
            ways.add(way)
    finally:
        shutil.rmtree(root, ignore_errors=True)
    tally.kept, tally.lines, tally.ways = len(corpus) - begun, len(reached.lines), len(ways)
    return tally


def _put(entrance: Entrance, case: Case, folder: Path) -> Seen:
    """Lay the files of a case into a new folder and put them to the entrance."""
    folder.mkdir()
    try:
        case.lay(folder)
        return watched(
            lambda: entrance.take(case, folder), folder=folder, size=case.size, timed=entrance.timed
        )
    finally:
        shutil.rmtree(folder)


def _bent(entrance: Entrance, corpus: list[Case], begun: int, chance: random.Random) -> Case:
    """One of the cases so far, bent; a seed as often as one of those that were kept."""
    while True:
        kept = len(corpus) > begun and chance.random() < 0.5
        case = entrance.bent(chance.choice(corpus[begun:] if kept else corpus[:begun]), chance)
        if case.size <= MOST_SIZE:
            return case


def shares(inputs: int) -> dict[str, int]:
    """How many of the inputs each entrance gets."""
    return {entrance.name: inputs * entrance.share // 1000 for entrance in ENTRANCES}


ROWS = """\
| entrance | inputs | accepted | refused | ways of refusing | lines reached | kept | slowest, s | most memory, MiB | \
largest input, KiB | broken promises |
|---|---|---|---|---|---|---|---|---|---|---|
"""

HEAD = """\
# Input under fire

{day}, seed {seed}, Python {python}, {versions}; repeatab {ours}. Made by `python tests/fuzz/campaign.py`.

Valid files of the demo laboratory, bent: bytes, rows, cells, quotation marks, encodings, numbers, dates, TOML of every
wrong type, members of archives, footers, words of the command line. An input that reaches a line of the package for the
first time (watched at every fourth), or is refused in new words, is kept and bent further. Promises: no traceback; at
most {seconds:.0f} s of processor time (a command that runs a study may take longer); at most 64 MiB of memory and ten
times the input; nothing written after a refusal; one message of at most 1,500 letters; what is accepted holds finite
results.

"""


def row(name: str, one: Tally) -> str:
    """A line of the table."""
    broken = sum(len(cases) for cases in one.faults.values())
    cells = (
        name, f"{one.inputs:,}", f"{one.accepted:,}", f"{one.inputs - one.accepted - broken:,}", one.ways,
        f"{one.lines:,}", f"{one.kept:,}", f"{one.slowest:.1f}", one.memory >> 20, one.size >> 10, broken,
    )  # fmt: skip
    return "| " + " | ".join(map(str, cells)) + " |\n"


def table(rows: str, *, seed: int, day: date) -> str:
    """The whole text in Markdown."""
    import numpy
    import openpyxl
    import pandas
    import pyarrow
    import pydantic

    import repeatab

    versions = ", ".join(
        f"{m.__name__} {m.__version__}" for m in (numpy, pandas, pyarrow, openpyxl, pydantic)
    )
    inputs = sum(int(line.split("|")[2].replace(",", "")) for line in rows.splitlines())
    head = HEAD.format(
        day=day, seed=seed, python=platform.python_version(), versions=versions, ours=repeatab.__version__,
        seconds=MOST_SECONDS,
    )  # fmt: skip
    return f"{head}{ROWS}{rows}\n{inputs:,} inputs in all.\n"


def main() -> None:
    words = sys.argv[1:]
    inputs = int(words.pop(0).replace(",", "")) if words and words[0][0].isdigit() else FULL
    rows, broken = "", False
    for entrance in ENTRANCES:
        if words and entrance.name not in words:
            continue
        begun = time.monotonic()
        tally = under_fire(entrance, shares(inputs)[entrance.name])
        rows += row(entrance.name, tally)
        broken |= bool(tally.faults)
        print(f"{row(entrance.name, tally).strip()} {time.monotonic() - begun:.0f} s", flush=True)
        for cases in tally.faults.values():
            for fault, case in cases:
                print(f"  BROKEN {fault}\n    {case.words} {_kept(case)}", flush=True)
    if not words and not broken:
        TABLE.write_text(table(rows, seed=SEED, day=date.today()), encoding="utf-8")


def _kept(case: Case) -> str:
    """Put the files of a case where they can be looked at."""
    folder = Path(tempfile.mkdtemp(prefix="broken-"))
    case.lay(folder)
    return str(folder)


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
