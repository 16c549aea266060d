"""What an entrance is and what a case is: the words in which the modules beside this one speak of inputs."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).parents[2]
DEMO, STUDIES = PROJECT / "demo_data", PROJECT / "studies"
CLOCK = "2026-03-31T14:05:00+00:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One input: files by name, and words that say how to read them or what to do."""

    files: Mapping[str, bytes]
    words: Mapping[str, Any] = field(default_factory=dict)

    @property
    def size(self) -> int:
        return sum(len(content) for content in self.files.values())

    def lay(self, folder: Path) -> None:
        """Put the files into an empty folder."""
        for name, content in self.files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entrance:
    """A way in. share : how many of 1,000 inputs go here. timed : whether an accepted input must be quick."""

    name: str
    share: int
    seeds: Callable[[], tuple[Case, ...]]
    bent: Callable[[Case, random.Random], Case]
    take: Callable[[Case, Path], None]
    timed: bool = True


def head_of(name: str, rows: int = 24, *, skip: int = 0) -> bytes:
    lines = (DEMO / name).read_bytes().splitlines(keepends=True)
    return b"".join(lines[:1] + lines[1 + skip : 1 + skip + rows])


def memory_folder() -> str | None:
    """A folder that lies in memory, where there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
