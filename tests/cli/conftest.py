"""The command as a person starts it: a process of its own, in a folder of its own."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]

Ran = subprocess.CompletedProcess[str]


@pytest.fixture
def environment() -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": str(PROJECT),
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONIOENCODING": "utf-8",
    }


@pytest.fixture
def repeatab(tmp_path: Path, environment: dict[str, str]) -> Callable[..., Ran]:
    """Run `repeatab …` in the test's folder."""

    def ran(*words: str, **options: object) -> Ran:
        command = [sys.executable, "-m", "repeatab.cli", *words]
        return subprocess.run(  # type: ignore[call-overload, no-any-return]
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, encoding="utf-8",
            timeout=240, check=False, **options,
        )  # fmt: skip

    return ran


@pytest.fixture
def repeatab_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Callable[..., Ran]]:
    """Run `repeatab …` in the test's folder by its entry point, without the second that a process takes to begin."""
    from repeatab.cli import main

    def ran(*words: str) -> Ran:
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr(sys, "argv", ["repeatab", *words])
        capsys.readouterr()
        status = 0
        try:
            main()
        except SystemExit as end:
            status = int(end.code or 0)
        said = capsys.readouterr()
        return Ran(words, status, said.out, said.err)

    before = signal.getsignal(signal.SIGTERM), gc.get_threshold()
    try:
        yield ran
    finally:
        signal.signal(signal.SIGTERM, before[0])
        gc.set_threshold(*before[1])
        gc.unfreeze()


@pytest.fixture
def refused(repeatab_here: Callable[..., Ran], tmp_path: Path) -> Callable[..., str]:
    """Run a command whose input is at fault: one message, status 2, no traceback, nothing written."""
    return refusal(repeatab_here, tmp_path)


@pytest.fixture
def refused_by_the_program(repeatab: Callable[..., Ran], tmp_path: Path) -> Callable[..., str]:
    """The same in a process of its own."""
    return refusal(repeatab, tmp_path)


def refusal(run: Callable[..., Ran], tmp_path: Path) -> Callable[..., str]:
    def message(*words: str) -> str:
        before = contents(tmp_path)
        ran = run(*words)
        assert ran.returncode == 2, ran.stderr
        assert ran.stdout == ""
        assert "Traceback" not in ran.stderr
        assert ran.stderr.count("\n") == 1, ran.stderr
        assert contents(tmp_path) == before
        return ran.stderr

    return message


def contents(folder: Path) -> dict[str, bytes | None]:
    """Everything below a folder: files with their bytes, folders with None."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def rows(rig: str, first: int, values: list[float], section: str = "characteristic") -> list[str]:
    return [f"{rig},{rig}-S{first + at},{section},{value}" for at, value in enumerate(values)]


@pytest.fixture
def lab(tmp_path: Path, correlation_study: str) -> Callable[..., Path]:
    """Write a study file and its results into the test's folder; pieces of both can be replaced."""
    study = correlation_study.replace('"fade 1"', "characteristic")

    def written(old: str = "", new: str = "", *, table: str | None = None) -> Path:
        assert old in study
        (tmp_path / "study.toml").write_text(study.replace(old, new, 1), encoding="utf-8")
        if table is None:
            lines = rows("R1", 1, [0.401, 0.405, 0.398, 0.402, 0.407, 0.400])
            lines += rows("R2", 1, [0.403, 0.399, 0.404, 0.401, 0.406, 0.398])
            table = "\n".join(["rig,set,section,mu", *lines, ""])
        (tmp_path / "march.csv").write_text(table, encoding="utf-8")
        return tmp_path

    return written
