"""Killed, crowded and starved writers: the folder holds the old report or the new one, never something between."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import killed_reports
import pytest
from child_process import in_child
from killed_reports import NOTES, Versions, found_in, leftovers

from repeatab.base.errors import InputError
from repeatab.base.folders import write_folder
from repeatab.report.write import write_report

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def test_a_writer_killed_at_random_moments(tmp_path: Path, versions: Versions) -> None:
    found = killed_reports.kill_writers(4, tmp_path / "out", versions, seed=1)
    assert sum(found.values()) == 4


@pytest.mark.full
@pytest.mark.parametrize("way", ["swap", "renames"])
def test_a_writer_killed_two_hundred_times(tmp_path: Path, way: str) -> None:
    versions = killed_reports.two_versions(drawn=True)
    found = killed_reports.kill_writers(200, tmp_path / "out", versions, seed=20261128, way=way)
    assert min(found["old"], found["new"]) > 20


def test_a_half_written_report_would_be_noticed(
    tmp_path: Path, versions: Versions, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The check itself: a writer that goes file by file, without the swap, is caught."""

    def naive(folder: Path, contents: dict[str, bytes]) -> None:
        folder.mkdir(exist_ok=True)
        for name, content in contents.items():
            (folder / name).parent.mkdir(exist_ok=True)
            with (folder / name).open("wb") as stream:
                stream.write(content)
                os.fsync(stream.fileno())

    monkeypatch.setattr(killed_reports, "write_folder", naive)
    with pytest.raises(AssertionError):
        killed_reports.kill_writers(30, tmp_path / "out", versions, seed=1)


def test_processes_that_write_the_same_report_at_once(tmp_path: Path, versions: Versions) -> None:
    out = tmp_path / "out"
    write_folder(out, versions.contents[0])
    (out / NOTES).write_text("mine")

    def write(pipe: int, first: int) -> None:
        for turn in range(4):
            write_folder(out, versions.contents[(first + turn) % 2])
        os.write(pipe, b"done")

    running = [in_child(lambda pipe, first=first: write(pipe, first)) for first in range(3)]  # type: ignore[misc]
    for child, reading in running:
        with os.fdopen(reading, "rb") as stream:
            assert stream.read() == b"done"
        os.waitpid(child, 0)
    held = found_in(out)
    assert held.pop(NOTES) == b"mine"
    assert held in versions.contents
    assert leftovers(out) == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if sys.platform != "linux" or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("a small file system cannot be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False)


def test_a_disk_that_is_really_full(small_disk: Path, versions: Versions) -> None:
    out = small_disk / "out"
    write_folder(out, versions.contents[0])
    free = os.statvfs(small_disk)
    (small_disk / "filler").write_bytes(b"x" * (free.f_bavail * free.f_frsize - 16_384))
    with pytest.raises(InputError, match="No space left on device") as caught:
        write_folder(out, versions.contents[1])
    assert str(out) in str(caught.value)
    assert "Nothing was changed" in str(caught.value)
    assert found_in(out) == versions.contents[0]
    assert leftovers(out) == []
    (small_disk / "filler").unlink()
    write_folder(out, versions.contents[1])
    assert found_in(out) == versions.contents[1]


def test_a_disk_that_may_only_be_read(small_disk: Path, versions: Versions) -> None:
    out = small_disk / "out"
    write_folder(out, versions.contents[0])
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    for folder in (out, small_disk / "other"):
        with pytest.raises(InputError, match="cannot be written"):
            write_report(versions.outcomes[1], folder)
    assert found_in(out) == versions.contents[0]


def test_files_that_may_not_grow(tmp_path: Path, versions: Versions) -> None:
    """The process's own limit stands for a quota: a write is cut short in the middle of a file."""
    out = tmp_path / "out"
    write_folder(out, versions.contents[0])

    def limited(pipe: int) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (9_000, 9_000))
        try:
            write_folder(out, versions.contents[1])
        except InputError as error:
            os.write(pipe, str(error).encode())

    child, reading = in_child(limited)
    with os.fdopen(reading, "rb") as stream:
        said = stream.read().decode()
    os.waitpid(child, 0)
    assert "cannot be written (File too large)" in said
    assert found_in(out) == versions.contents[0]
    assert leftovers(out) == []
