"""A folder is replaced whole or not at all, and nothing of others is ever lost."""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from repeatab.base import exchange as exchange_module
from repeatab.base import folders, owned_files
from repeatab.base.errors import InputError
from repeatab.base.files import fingerprint, write_atomically
from repeatab.base.folders import check_folder, write_folder
from repeatab.base.owned_files import LIST_NAME

NAMES = ("report.html", "result.json", "tables.xlsx", "figures/offsets.svg", "figures/offsets.png")


def contents(version: int) -> dict[str, bytes]:
    return {name: f"{name} of version {version}\n".encode() * 50 for name in NAMES}


def files_in(folder: Path) -> dict[str, bytes]:
    """Every file below the folder but our own list."""
    files = {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {name: content for name, content in files.items() if name != LIST_NAME}


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.startswith(".repeatab-") and p.name != LIST_NAME]


@pytest.fixture(params=["swap", "renames", "inside"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every way in which a folder can be replaced, so that each keeps the same promises."""
    if request.param == "renames":
        monkeypatch.setattr(exchange_module, "_exchange_at_once", lambda _first, _second: False)
    if request.param == "inside":
        monkeypatch.setattr(folders, "_is_fixed", lambda _target: True)
    return str(request.param)


@pytest.fixture
def plain_user() -> Iterator[Path]:
    """A world-readable folder, with this process acting as a user who is not root."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o777)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            yield place
        finally:
            if root:
                os.seteuid(0)


def test_a_new_folder_holds_exactly_the_files(tmp_path: Path) -> None:
    write_folder(tmp_path / "a" / "b" / "out", contents(1))
    assert files_in(tmp_path / "a" / "b" / "out") == contents(1)
    assert leftovers(tmp_path / "a" / "b") == []


def test_the_same_files_make_the_same_folder(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_folder(tmp_path / name, contents(1))
    assert (tmp_path / "one" / LIST_NAME).read_bytes() == (tmp_path / "two" / LIST_NAME).read_bytes()


@pytest.mark.usefixtures("way")
def test_a_second_report_replaces_the_first_and_its_stale_files(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, {**contents(1), "figures/gone.svg": b"old"})
    write_folder(out, contents(2))
    assert files_in(out) == contents(2)
    assert leftovers(tmp_path) + leftovers(out) == []


@pytest.mark.usefixtures("way")
def test_files_of_others_survive(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))
    (out / "notes.txt").write_text("asked the customer")
    (out / "figures" / "photo.jpg").write_bytes(b"pad")
    (out / "mail" / "2").mkdir(parents=True)
    (out / "mail" / "2" / "reply.eml").write_bytes(b"ok")
    (out / "empty").mkdir()
    (out / "link").symlink_to(tmp_path / "nowhere")
    for version in (2, 3):
        assert write_folder(out, contents(version)) == ()
    extra = {"notes.txt": b"asked the customer", "figures/photo.jpg": b"pad", "mail/2/reply.eml": b"ok"}
    assert files_in(out) == {**contents(3), **extra}
    assert (out / "empty").is_dir()
    assert (out / "link").is_symlink()
    assert leftovers(tmp_path) + leftovers(out) == []


@pytest.mark.usefixtures("way")
def test_a_file_of_ours_that_was_changed_by_hand_is_kept_beside_the_new_one(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))
    (out / "tables.xlsx").write_bytes(b"with my comments")
    assert write_folder(out, contents(2)) == ("tables.kept-1.xlsx",)
    assert files_in(out) == {**contents(2), "tables.kept-1.xlsx": b"with my comments"}
    (out / "tables.xlsx").write_bytes(b"more comments")
    assert write_folder(out, contents(3)) == ("tables.kept-2.xlsx",)
    assert files_in(out)["tables.kept-1.xlsx"] == b"with my comments"
    assert files_in(out)["tables.kept-2.xlsx"] == b"more comments"


def test_a_folder_with_other_files_is_written_into_and_they_stay(tmp_path: Path) -> None:
    (tmp_path / "runs.csv").write_text("rig;mu\n")
    write_folder(tmp_path, contents(1))
    write_folder(tmp_path, contents(2))
    assert files_in(tmp_path) == {**contents(2), "runs.csv": b"rig;mu\n"}


def test_a_file_that_was_never_ours_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "tables.xlsx").write_bytes(b"the lab's own workbook")
    with pytest.raises(InputError, match=r"holds a file 'tables.xlsx'.*choose another output folder"):
        write_folder(tmp_path, contents(1))
    assert files_in(tmp_path) == {"tables.xlsx": b"the lab's own workbook"}


def test_the_folder_we_stand_in_stays_the_same_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_folder(tmp_path, contents(1))
    monkeypatch.chdir(tmp_path)
    before = tmp_path.stat().st_ino
    write_folder(Path(), contents(2))
    assert tmp_path.stat().st_ino == before
    assert files_in(Path.cwd()) == contents(2)


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    write_folder(tmp_path / "out", contents(1))
    write_folder(tmp_path / "out", contents(2))
    assert (tmp_path / "out").is_symlink()
    assert files_in(tmp_path / "real") == contents(2)


@pytest.mark.usefixtures("way")
def test_permissions_of_the_folder_are_kept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))
    out.chmod(0o2775)
    write_folder(out, contents(2))
    assert out.stat().st_mode & 0o7777 == 0o2775


def test_a_path_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(InputError, match="is a file, expected a folder"):
        write_folder(tmp_path / "out", contents(1))
    with pytest.raises(InputError, match=r"deeper: '.*out' is a file, expected a folder"):
        write_folder(tmp_path / "out" / "deeper", contents(1))
    assert (tmp_path / "out").read_text() == "mine"


def test_a_read_only_parent_gives_one_message_and_nothing_is_written(plain_user: Path) -> None:
    parent = plain_user / "locked"
    parent.mkdir()
    parent.chmod(0o555)
    with pytest.raises(InputError, match=r"cannot be written \(Permission denied\).*another output folder"):
        write_folder(parent / "new" / "out", contents(1))
    assert list(parent.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_known_before_the_work(plain_user: Path) -> None:
    parent = plain_user / "locked"
    parent.mkdir()
    check_folder(parent / "new" / "out")
    parent.chmod(0o555)
    for folder in (parent, parent / "new" / "out"):
        with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
            check_folder(folder)
    (plain_user / "file").touch()
    with pytest.raises(InputError, match="is a file, expected a folder"):
        check_folder(plain_user / "file" / "out")
    assert sorted(p.name for p in plain_user.iterdir()) == ["file", "locked"]


def test_a_loop_of_links_gives_one_message(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    with pytest.raises(InputError, match="cannot be written"):
        write_folder(tmp_path / "a" / "out", contents(1))


def test_a_read_only_report_keeps_its_content(plain_user: Path) -> None:
    out = plain_user / "locked" / "out"
    write_folder(out, contents(1))
    out.chmod(0o555)
    out.parent.chmod(0o555)
    with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
        write_folder(out, contents(2))
    assert files_in(out) == contents(1)
    out.parent.chmod(0o755)
    out.chmod(0o755)


def test_a_report_that_was_made_read_only_is_not_replaced(plain_user: Path) -> None:
    out = plain_user / "out"
    write_folder(out, contents(1))
    out.chmod(0o555)
    with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
        write_folder(out, contents(2))
    assert files_in(out) == contents(1)
    out.chmod(0o755)


def test_a_report_below_a_read_only_parent_is_replaced_inside(plain_user: Path) -> None:
    out = plain_user / "share" / "out"
    write_folder(out, contents(1))
    out.parent.chmod(0o555)
    write_folder(out, contents(2))
    assert files_in(out) == contents(2)
    assert leftovers(out) == []
    out.parent.chmod(0o755)


@pytest.mark.usefixtures("way")
def test_a_full_disk_leaves_the_previous_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_folder(out, contents(2))
    assert files_in(out) == contents(1)
    assert leftovers(tmp_path) + leftovers(out) == []


@pytest.mark.parametrize("stop_at", range(1, 6))
def test_a_failure_midway_inside_a_folder_is_undone(
    tmp_path: Path, stop_at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_folder(out, {**contents(1), "figures/gone.svg": b"old"})
    (out / "tables.xlsx").write_bytes(b"with my comments")
    before = files_in(out)
    monkeypatch.setattr(folders, "_is_fixed", lambda _target: True)
    save, calls = folders._save, iter(range(100))

    def fails(*args: object) -> None:
        if next(calls) == stop_at:
            raise OSError(errno.EACCES, "open in another program")
        save(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(folders, "_save", fails)
    with pytest.raises(InputError, match="open in another program"):
        write_folder(out, {**contents(2), "more/new.svg": b"new"})
    assert files_in(out) == before
    assert not (out / "more").exists()


def test_a_name_that_leaves_the_folder_is_a_defect(tmp_path: Path) -> None:
    for name in ("../x", "/x", "a/../x", "a\\b", "", "a//b"):
        with pytest.raises(ValueError, match="not a plain relative file name"):
            write_folder(tmp_path / "out", {name: b""})
    assert not (tmp_path / "out").exists()


def test_several_writers_at_once_leave_one_whole_report(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(0))
    (out / "notes.txt").write_text("mine")
    writers = [threading.Thread(target=write_folder, args=(out, contents(n))) for n in range(1, 9)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    found = files_in(out)
    assert found.pop("notes.txt") == b"mine"
    assert found in [contents(n) for n in range(1, 9)]
    assert leftovers(tmp_path) == []


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
from repeatab.base import exchange
from repeatab.base.folders import write_folder
if {way!r} == "renames":
    exchange._exchange_at_once = lambda first, second: False
names = {names!r}
print("ready", flush=True)
for version in range(1, 10**9):
    write_folder(Path({out!r}), {{n: f"{{n}} of version {{version}}\\n".encode() * 50 for n in names}})
"""


def killed_writer(out: Path, way: str, delay: float, *, where: Path | None = None) -> None:
    """Start a process that writes report after report into `out`, and kill it after `delay` seconds."""
    root = str(Path(folders.__file__).parents[2])
    code = WRITER.format(root=root, way=way, names=NAMES, out=str(out))
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=where)
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    time.sleep(delay)
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()


def whole(folder: Path) -> dict[str, bytes]:
    """What others put into the folder; our own files must all be there and of one version."""
    found = files_in(folder)
    listed = json.loads((folder / LIST_NAME).read_text())["files"]
    assert {name: [fingerprint(folder / name)] for name in NAMES} == listed
    versions = {found.pop(name).split(b" ")[-1] for name in NAMES}
    assert len(versions) == 1
    return found


@pytest.mark.parametrize("seed", range(20))
def test_a_killed_writer_leaves_a_whole_report_and_the_files_of_others(tmp_path: Path, seed: int) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(0))
    (out / "notes.txt").write_text("mine")
    killed_writer(out, "swap", random.Random(seed).uniform(0.0, 0.08))
    assert whole(out) == {"notes.txt": b"mine"}
    write_folder(out, contents(1))
    assert files_in(out) == {**contents(1), "notes.txt": b"mine"}
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("seed", range(8))
def test_without_the_swap_call_the_next_report_mends_what_a_kill_left(tmp_path: Path, seed: int) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(0))
    (out / "notes.txt").write_text("mine")
    killed_writer(out, "renames", random.Random(seed).uniform(0.0, 0.08))
    if out.exists():
        assert whole(out) == {"notes.txt": b"mine"}
    write_folder(out, contents(1))
    assert files_in(out) == {**contents(1), "notes.txt": b"mine"}
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("seed", range(8))
def test_a_kill_inside_a_fixed_folder_breaks_no_file_and_is_mended_next_time(
    tmp_path: Path, seed: int
) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(0))
    (out / "notes.txt").write_text("mine")
    # A writer that stands in the folder cannot swap it.
    killed_writer(out, "inside", random.Random(seed).uniform(0.0, 0.08), where=out)
    assert (out / "notes.txt").read_bytes() == b"mine"
    for name in NAMES:
        lines = (out / name).read_bytes().splitlines()
        assert len(lines) == 50
        assert len(set(lines)) == 1
    assert write_folder(out, contents(1)) == ()
    assert files_in(out) == {**contents(1), "notes.txt": b"mine"}
    assert leftovers(tmp_path) + leftovers(out) == []


def test_a_folder_that_cannot_be_swapped_is_replaced_inside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))
    (out / "notes.txt").write_text("mine")

    def busy(_first: Path, _second: Path, *, spare: Path) -> None:
        raise OSError(errno.EBUSY, f"mount point {spare}")

    monkeypatch.setattr(folders, "exchange", busy)
    write_folder(out, contents(2))
    assert files_in(out) == {**contents(2), "notes.txt": b"mine"}
    assert leftovers(tmp_path) + leftovers(out) == []


def test_a_report_that_lost_its_name_between_two_renames_gets_it_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))
    (out / "notes.txt").write_text("mine")
    out.rename(tmp_path / f"{owned_files.temporary_prefix(out)}old-abc")

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError):
        write_folder(out, contents(2))
    assert files_in(out) == {**contents(1), "notes.txt": b"mine"}


def test_a_file_that_came_during_the_swap_is_moved_to_the_new_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_folder(out, contents(1))

    def late(first: Path, second: Path, *, spare: Path) -> None:
        (second / "figures" / "late.txt").write_text("just saved")
        exchange_module.exchange(first, second, spare=spare)

    monkeypatch.setattr(folders, "exchange", late)
    write_folder(out, contents(2))
    assert files_in(out) == {**contents(2), "figures/late.txt": b"just saved"}


@pytest.mark.skipif(sys.platform != "linux", reason="the one-step swap is a Linux call")
def test_two_folders_swap_in_one_step(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    assert exchange_module._exchange_at_once(tmp_path / "one", tmp_path / "two")
    assert (tmp_path / "one" / "two").exists()
    assert (tmp_path / "two" / "one").exists()
    with pytest.raises(OSError, match="No such file"):
        exchange_module.exchange(tmp_path / "one", tmp_path / "three", spare=tmp_path / "four")


def test_write_atomically_replaces_and_leaves_nothing_beside(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    write_atomically(path, b"1")
    write_atomically(path, b"2")
    assert path.read_bytes() == b"2"
    assert [p.name for p in tmp_path.iterdir()] == ["x.json"]


def test_write_atomically_keeps_the_old_file_on_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.json"
    write_atomically(path, b"1")

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomically(path, b"2")
    assert path.read_bytes() == b"1"
    assert [p.name for p in tmp_path.iterdir()] == ["x.json"]


def test_fingerprint_is_the_published_sha256_of_abc(tmp_path: Path) -> None:
    # Source: NIST FIPS 180-4, example for SHA-256 with the one-block message "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint(tmp_path / "abc") == expected
