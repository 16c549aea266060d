"""Measure: time and peak memory of two sides, each in processes of its own, turn by turn in one run.

In: command lines whose processes print `seconds`, `version` and `value` lines.  Out: Side and ratios.
A busy machine slows both sides of a turn alike, so a ratio is the median over turns of ratios within a turn.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]


@dataclass(slots=True, kw_only=True)
class Side:
    """One side: seconds of each call, turn by turn; seconds of the processor (`busy`); peak memory of the process in
    MiB; versions; values."""

    turns: list[list[float]] = field(default_factory=list)
    busy: list[float] = field(default_factory=list)
    peak: float = 0.0
    versions: str = ""
    values: dict[str, float] = field(default_factory=dict)
    failed: str = ""

    @property
    def calls(self) -> list[float]:
        return [seconds for turn in self.turns for seconds in turn]

    @property
    def median(self) -> float:
        return statistics.median(self.calls) if self.calls else float("nan")

    @property
    def spread(self) -> tuple[float, float]:
        """Fastest and slowest call."""
        return (min(self.calls), max(self.calls)) if self.calls else (float("nan"),) * 2


def python_task(task: str, *arguments: str) -> list[str]:
    """The command of a task in tasks.py."""
    return [sys.executable, str(HERE / "tasks.py"), task, *arguments]


def r_task(task: str, *arguments: str) -> list[str]:
    """The command of a task in yardstick.R."""
    return ["Rscript", str(HERE / "yardstick.R"), task, *arguments]


def run_once(
    side: Side,
    command: Sequence[str],
    *,
    whole: bool,
    limit: float,
    threads: int,
    byte_code: Path | None = None,
) -> None:
    """Run a process once and add what it says; `whole` times the process itself. In `byte_code` all modules are kept
    compiled, as those of installed packages are."""
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    environment |= {name: str(threads) for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")}
    if byte_code is not None:
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        environment["PYTHONPYCACHEPREFIX"] = str(byte_code)
    began = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        try:
            out, err = process.communicate(timeout=limit)
        except subprocess.TimeoutExpired:
            process.kill()
            side.failed = f"not done after {limit:.0f} s"
            return
    took = time.perf_counter() - began
    if process.returncode != 0:
        side.failed = err.strip().splitlines()[-1] if err.strip() else f"exit status {process.returncode}"
        return
    seconds: list[float] = []
    for line in out.splitlines():
        match line.split():
            case ["seconds", number, busy]:
                seconds.append(float(number))
                side.busy.append(float(busy))
            case ["peak_mib", number]:
                side.peak = max(side.peak, float(number))
            case ["version", *words]:
                side.versions = " ".join(words)
            case ["value", name, number]:
                side.values[name] = float(number)
    side.turns.append([took] if whole else seconds)


def compare(
    ours: Sequence[str],
    theirs: Sequence[str],
    *,
    turns: int,
    whole: bool = False,
    limit: float = 600.0,
    threads: int = 1,
    byte_code: Path | None = None,
) -> tuple[Side, Side]:
    """Both sides turn by turn; a side that failed once is not run again."""
    first, second = Side(), Side()
    if byte_code is not None:
        for command in (ours, theirs):  # compiles what is compiled once only
            run_once(Side(), command, whole=whole, limit=limit, threads=threads, byte_code=byte_code)
    for _ in range(turns):
        for side, command in ((first, ours), (second, theirs)):
            if not side.failed:
                run_once(side, command, whole=whole, limit=limit, threads=threads, byte_code=byte_code)
    return first, second


def busy_ratio(ours: Side, theirs: Side) -> float:
    """Their least processor time over ours: what is left to compare where others keep the machine busy."""
    return min(theirs.busy) / min(ours.busy) if ours.busy and theirs.busy else float("nan")


def ratio(ours: Side, theirs: Side) -> float:
    """Their time over ours, the median over the turns."""
    pairs = [
        statistics.median(b) / statistics.median(a)
        for a, b in zip(ours.turns, theirs.turns, strict=False)
        if a and b
    ]
    return statistics.median(pairs) if pairs else float("nan")
