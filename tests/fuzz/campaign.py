"""Input under fire: many bent inputs to every entrance, guided by what they reach. Run it to make the table.

    python tests/fuzz/campaign.py [INPUTS] [NAME-OF-ENTRANCE ...]

In: a number of inputs and a seed.  Out: for each entrance how many were accepted and refused, and every broken promise with
the input that broke it. An input that reaches a line of the package for the first time, or is refused in new words, is
kept and bent further.
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

from entrances import ENTRANCES, Case, Entrance, memory_folder  # noqa: E402
from reached import Reached  # noqa: E402
from watched import MOST_SECONDS, Seen, watched  # noqa: E402

SEED = 20261128
FULL = 200_000
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


def under_fire(entrance: Entrance, inputs: int, seed: int = SEED) -> Tally:
    """Put so many inputs to one entrance; the same seed gives the same inputs."""
    chance = random.Random(f"{seed} {entrance.name}")
    corpus = list(entrance.seeds())
    begun = len(corpus)
    reached, ways, tally = Reached(), set[str](), Tally()
    root = Path(tempfile.mkdtemp(prefix="fire", dir=memory_folder()))
    try:
        for case in corpus:  # what is imported at first use is not charged to an input
            _put(entrance, case, root / "in")
        for number in range(inputs):
            # The valid cases first, as far as the number reaches.
            fresh = number < begun
            case = corpus[number] if fresh else _bent(entrance, corpus, begun, chance)
            seen, lines = reached.watch(lambda case=case: _put(entrance, case, root / "in"))  # type: ignore[misc]
            tally.count(seen, case)
            way = _shape(seen.said)
            if not fresh and (lines or way not in ways) and case.size < 200_000:
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
    kept = len(corpus) > begun and chance.random() < 0.5
    case = chance.choice(corpus[begun:] if kept else corpus[:begun])
    return entrance.bent(case, chance)


def shares(inputs: int) -> dict[str, int]:
    """How many of the inputs each entrance gets."""
    return {entrance.name: inputs * entrance.share // 1000 for entrance in ENTRANCES}


def table(tallies: dict[str, Tally], *, seed: int, day: date) -> str:
    """The results as text in Markdown."""
    import numpy
    import openpyxl
    import pandas
    import pyarrow
    import pydantic

    import repeatab

    versions = ", ".join(
        f"{m.__name__} {m.__version__}" for m in (numpy, pandas, pyarrow, openpyxl, pydantic)
    )
    lines = [
        "# Input under fire",
        "",
        f"{day}, seed {seed}, Python {platform.python_version()}, {versions}; repeatab {repeatab.__version__}.",
        "Made by `python tests/fuzz/campaign.py`. Valid files of the demo laboratory, bent: bytes, rows, cells, quotation marks,",
        "encodings, numbers, dates, TOML of every wrong type, members of archives, footers, words of the command line. An input that",
        "reaches a line of the package for the first time, or is refused in new words, is kept and bent further. Promises: no traceback,",
        f"no more than {MOST_SECONDS:.0f} s of processor time (where the command runs no study), no more memory than 64 MiB and ten",
        "times the input, nothing written after a refusal, one message of at most 1,500 letters; what is accepted holds finite results.",
        "",
        "| entrance | inputs | accepted | refused | ways of refusing | lines reached | kept | slowest, s | most memory, MiB | largest input, KiB | broken promises |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for name, one in tallies.items():
        broken = sum(len(cases) for cases in one.faults.values())
        lines.append(
            f"| {name} | {one.inputs:,} | {one.accepted:,} | {one.inputs - one.accepted - broken:,} | {one.ways} | {one.lines:,} "
            f"| {one.kept:,} | {one.slowest:.1f} | {one.memory >> 20} | {one.size >> 10} | {broken} |"
        )
    total, taken = sum(one.inputs for one in tallies.values()), sum(one.accepted for one in tallies.values())
    lines.append(
        f"| all | {total:,} | {taken:,} | | | | | | | | {sum(len(one.faults) for one in tallies.values())} |"
    )
    return "\n".join([*lines, ""])


def main() -> None:
    words = sys.argv[1:]
    inputs = int(words.pop(0).replace(",", "")) if words and words[0][0].isdigit() else FULL
    tallies = {}
    for entrance in ENTRANCES:
        if words and entrance.name not in words:
            continue
        begun = time.monotonic()
        tally = tallies[entrance.name] = under_fire(entrance, shares(inputs)[entrance.name])
        print(f"{entrance.name}: {tally.inputs} inputs, {tally.accepted} accepted, {tally.ways} ways of refusing, {tally.lines} lines, "
              f"{tally.kept} kept, slowest {tally.slowest:.2f} s, {tally.memory >> 20} MiB, {time.monotonic() - begun:.0f} s", flush=True)  # fmt: skip
        for cases in tally.faults.values():
            for fault, case in cases:
                print(f"  BROKEN {fault}\n    {case.words} {_kept(case)}", flush=True)
    if not words and not any(tally.faults for tally in tallies.values()):
        TABLE.write_text(table(tallies, seed=SEED, day=date.today()), encoding="utf-8")


def _kept(case: Case) -> str:
    """Put the files of a case where they can be looked at."""
    folder = Path(tempfile.mkdtemp(prefix="broken-"))
    case.lay(folder)
    return str(folder)


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
