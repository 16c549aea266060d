"""Killed writers, two writers, full disks: what was reported as recorded is there, and nothing is half-written.

The writer is killed at random moments (20 times here, 200 times in the full form) and, one after the other, at every
statement it sends.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
import sqlalchemy as sa
from child_process import ended, in_child

from repeatab.ledger.faults import LedgerError
from repeatab.ledger.records import Entry, Stamp
from repeatab.ledger.store import Ledger, open_ledger
from repeatab.ledger.verify import verify

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

Make = Callable[..., Entry]
STAMP = Stamp(by="A. Tester", at="2026-03-31T14:05:00+00:00")


def write_on(place: str, entries: Iterator[Entry], pipe: int) -> None:
    """Append entries and report each number once it is recorded."""
    ledger = open_ledger(place, create=True)
    for entry in entries:
        os.write(pipe, f"{ledger.append(entry, STAMP).number}\n".encode())


def without_end(seed: int, event: Make, batch: Make) -> Iterator[Entry]:
    chance = random.Random(seed)
    while True:
        yield (
            event(text="x" * chance.randint(1, 20_000))
            if chance.random() < 0.5
            else batch(chance.randint(1, 400))
        )


def nothing_yet(message: str, reported: list[str]) -> None:
    """The writer was killed before it had made the ledger."""
    assert "no such ledger" in message or "holds no ledger yet" in message
    assert not reported


def check_whole(place: str, reported: list[str]) -> Ledger | None:
    """Everything reported is there, at most the record in the making besides, and every hash holds."""
    assert not [line for line in reported if line.startswith("failed")]
    try:
        ledger = open_ledger(place)
    except LedgerError as error:
        return nothing_yet(str(error), reported)
    found = verify(ledger)
    assert found.faults == ()
    last = int(reported[-1]) if reported else 0
    assert reported == [str(number) for number in range(last - len(reported) + 1, last + 1)]
    assert found.records >= last
    return ledger


def kill_writers(times: int, places: Callable[[], str], event: Make, batch: Make) -> tuple[int, int]:
    """Kill a writer at a random moment, again and again; every tenth time it begins a ledger of its own."""
    chance, recorded, killed = random.Random(20260331), 0, 0
    place, before = "", 0
    for turn in range(times):
        if turn % 10 == 0:
            place, before = places(), 0
        child, reading = in_child(
            lambda pipe, p=place, t=turn: write_on(p, without_end(t, event, batch), pipe)
        )  # type: ignore[misc]
        # Up to five records first, then a moment somewhere in the one that follows.
        seen, wanted = b"", chance.randint(0, 5)
        while seen.count(b"\n") < wanted:
            seen += os.read(reading, 1)
        time.sleep(chance.uniform(0.0, 0.1 if wanted == 0 else 0.03))
        os.kill(child, signal.SIGKILL)
        reported, by = ended(child, reading, seen)
        killed += by == signal.SIGKILL
        ledger = check_whole(place, reported)
        if ledger is None:
            continue
        now = ledger.head()[0]
        # Nothing that was there before is gone, and at most one record came that was not reported.
        assert before + len(reported) <= now <= before + len(reported) + 1
        before, recorded = now, recorded + len(reported)
    return killed, recorded


@pytest.fixture
def places(place: str, tmp_path: Path, request: pytest.FixtureRequest) -> Callable[[], str]:
    """New places for ledgers, one after the other, on the same kind of database as `place`."""
    if "://" in place:
        return request.getfixturevalue("fresh_database")  # type: ignore[no-any-return]
    numbers = iter(range(10_000))
    return lambda: str(tmp_path / f"lab{next(numbers)}.sqlite")


def test_a_writer_killed_at_a_random_moment(
    places: Callable[[], str], event_entry: Make, batch: Make
) -> None:
    killed, recorded = kill_writers(20, places, event_entry, batch)
    assert killed == 20
    assert recorded > 20


@pytest.mark.full
def test_a_writer_killed_two_hundred_times(places: Callable[[], str], event_entry: Make, batch: Make) -> None:
    killed, recorded = kill_writers(200, places, event_entry, batch)
    assert killed == 200
    assert recorded > 200


def test_a_writer_killed_at_each_of_its_statements(
    places: Callable[[], str], event_entry: Make, batch: Make
) -> None:
    def die_at(statement: int, place: str, pipe: int) -> None:
        left = [statement]

        def count(*_: object) -> None:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        sa.event.listen(sa.Engine, "after_cursor_execute", count)
        sa.event.listen(sa.Engine, "commit", count)
        write_on(place, iter([event_entry(), batch(30), event_entry()]), pipe)

    reached, statement = set(), 0
    while True:
        statement += 1
        place = places()
        child, reading = in_child(lambda pipe, s=statement, p=place: die_at(s, p, pipe))  # type: ignore[misc]
        reported, by = ended(child, reading)
        ledger = check_whole(place, reported)
        reached.add(0 if ledger is None else ledger.head()[0])
        if ledger is not None:
            # The next writer goes on where the killed one stopped.
            with suppress(LedgerError):
                open_ledger(place, write=True).append(event_entry(), STAMP)
            assert verify(open_ledger(place)).whole
        if by == 0:
            break
        assert by == signal.SIGKILL
    assert statement > 15
    assert reached == {0, 1, 2, 3}


def test_processes_that_write_at_once(place: str, event_entry: Make, batch: Make) -> None:
    each, writers = 12, 4
    # Each of them also tries to make the ledger.
    running = [
        in_child(
            lambda pipe, w=w: write_on(  # type: ignore[misc]
                place, iter([event_entry(text=f"{w}.{i}") if i % 3 else batch(40) for i in range(each)]), pipe
            )
        )
        for w in range(writers)
    ]
    reported = [line for child, reading in running for line in ended(child, reading)[0]]
    assert sorted(reported, key=int) == [str(number) for number in range(1, each * writers + 1)]
    assert verify(open_ledger(place)).faults == ()


def test_a_full_disk_leaves_the_ledger_whole(
    tmp_path: Path, stamp: Stamp, batch: Make, event_entry: Make
) -> None:
    """SQLite's own bound on the number of pages stands for the end of the disk."""
    ledger = open_ledger(tmp_path / "lab.sqlite", create=True)
    ledger.append(event_entry(), stamp)

    def bound(connection: object, _: object) -> None:
        connection.execute("PRAGMA max_page_count = 60")  # type: ignore[attr-defined]

    sa.event.listen(ledger.database.engine, "connect", bound)
    with pytest.raises(LedgerError, match="no room left on the disk"):
        ledger.append(batch(20_000), stamp)
    sa.event.remove(ledger.database.engine, "connect", bound)
    assert verify(ledger).whole
    assert ledger.append(batch(20_000), stamp).number == 2


def test_a_file_that_may_not_grow_leaves_the_ledger_whole(
    tmp_path: Path, stamp: Stamp, batch: Make, event_entry: Make
) -> None:
    """The process's own limit stands for a quota: writes are cut short in the middle."""
    place = str(tmp_path / "lab.sqlite")
    open_ledger(place, create=True).append(event_entry(), stamp)

    def limited(pipe: int) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
        try:
            open_ledger(place, write=True).append(batch(20_000), stamp)
        except LedgerError as error:
            os.write(pipe, f"refused {error}\n".encode())

    (line,), by = ended(*in_child(limited))
    assert by == 0
    assert line.startswith("refused")
    assert "no room left on the disk" in line
    assert verify(open_ledger(place)).whole
    assert open_ledger(place, write=True).append(event_entry(), stamp).number == 2


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(folder)]
    if sys.platform != "linux" or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("a small file system cannot be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False)


def test_a_disk_that_is_really_full(small_disk: Path, stamp: Stamp, batch: Make, event_entry: Make) -> None:
    ledger = open_ledger(small_disk / "lab.sqlite", create=True)
    ledger.append(event_entry(), stamp)
    with pytest.raises(LedgerError, match="no room left on the disk"):
        ledger.append(batch(20_000), stamp)
    assert verify(open_ledger(small_disk / "lab.sqlite")).whole
    (small_disk / "filler").write_bytes(
        b"x" * (os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize)
    )
    with pytest.raises(LedgerError, match="no room left on the disk"):
        ledger.append(batch(500), stamp)
    with pytest.raises(LedgerError):
        open_ledger(small_disk / "second.sqlite", create=True)
    (small_disk / "filler").unlink()
    assert ledger.append(event_entry(), stamp).number == 2
    assert verify(ledger).whole
    assert open_ledger(small_disk / "second.sqlite", create=True).append(event_entry(), stamp).number == 1
