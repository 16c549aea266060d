"""Commands on tables too large to hold: what the terminal shows, and that stopping leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from repeatab.cell_files import read_cell_file
from repeatab.terminal import pace

pytest.importorskip("duckdb")

# The limit is set low, so that a small file goes the way of a large one.
COMMAND = """
import sys
from repeatab.intake import large_files
large_files.MOST_BYTES = 1000
sys.argv = ["repeatab", *sys.argv[1:]]
from repeatab.cli import main
main()
"""


@pytest.fixture
def start(tmp_path: Path, environment: dict[str, str]) -> Iterator[object]:
    (tmp_path / "temporary").mkdir()
    started: list[subprocess.Popen[str]] = []

    def command(*words: str, **options: object) -> subprocess.Popen[str]:
        process = subprocess.Popen(  # type: ignore[call-overload]
            [sys.executable, "-c", COMMAND, *words], cwd=tmp_path, text=True,
            env={**environment, "TMPDIR": str(tmp_path / "temporary")},
            **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options},
        )  # fmt: skip
        started.append(process)
        return process

    yield command
    for process in started:
        process.kill()
        process.communicate()


def write(path: Path, blocks: int) -> None:
    block = "".join(f"L{i % 5},A,{0.38 + i % 997 * 1e-4:.4f}\n" for i in range(10_000))
    path.write_text("lab,material,mu\n" + block * blocks)


WORDS = ("cells", "runs.csv", "--to", "cells.csv", "--column", "level=material")


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX systems")
@pytest.mark.parametrize("asked", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.full)])
def test_stopping_leaves_nothing_behind(tmp_path, start, asked):
    write(tmp_path / "runs.csv", 200)
    process = start(*WORDS)
    for _ in range(3000):
        if list((tmp_path / "temporary").glob("*/rows*")):
            break
        time.sleep(0.01)
    process.send_signal(asked)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, "", "Stopped. Nothing was written.\n")
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["runs.csv", "temporary"]


@pytest.mark.skipif(os.name != "posix", reason="a terminal of POSIX systems")
def test_cells_of_a_large_file_and_what_the_terminal_shows(tmp_path, start):
    import pty

    write(tmp_path / "runs.csv", 4)
    ours, theirs = pty.openpty()
    process = start(*WORDS, stderr=theirs)
    os.close(theirs)
    shown = b""
    try:
        while part := os.read(ours, 4096):
            shown += part
    except OSError:
        pass  # the other end was closed
    finally:
        os.close(ours)
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "5 cells of 40000 results by laboratory, level" in out
    assert read_cell_file(tmp_path / "cells.csv").results[0].rows == 40_000
    assert list((tmp_path / "temporary").iterdir()) == []
    for part in ("fingerprints, MiB", "reading, MiB", "checks", "rows to cells", "40,000 of 40,000"):
        assert part in shown.decode(errors="replace")


def test_rate_and_time_left_in_words():
    assert pace(0, 10**8, 5.0) == pace(10**8, 10**8, 5.0) == pace(3, 8, 5.0) == pace(10**6, 10**8, 0.5) == ""
    assert pace(10**7, 10**8, 10.0) == ", 1,000,000 a second, 1 min 30 s left"
    assert pace(99 * 10**6, 10**8, 99.0) == ", 1,000,000 a second, 1 s left"
    assert pace(10**7, 10**8, 3600.0) == ", 2,778 a second, 9 h 00 min left"
