"""Replacing a whole folder of our files at once, among files of others that must survive.

In: the content of every file, in memory. Out: the folder with the new files, or with the old ones untouched.

Which files are ours stands in a list inside the folder (`LIST_NAME`) with their fingerprints; whatever is not
in it, or was changed since, belongs to somebody else and is never deleted. The usual way is to build the new
folder beside the old one, link the files of others into it, and swap the two names. Where that cannot be
done (the folder is a mount point, belongs to somebody else, is the one we stand in, or its parent is
read-only) the files are replaced one by one inside it, each in one step, and put back if one of them fails.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from pathlib import Path, PurePosixPath

from repeatab.base.errors import InputError
from repeatab.base.exchange import exchange, sole_writer, sync
from repeatab.base.files import user_mask, write_atomically
from repeatab.base.owned_files import (
    LIST_NAME,
    Owned,
    entries,
    fingerprints,
    free_name,
    is_ours,
    list_bytes,
    read_list,
    temporary_prefix,
)


def write_folder(folder: Path, contents: dict[str, bytes]) -> tuple[str, ...]:
    """Make `folder` hold the named files in place of those of the last call; a crash leaves those whole.

    Parameters
    ----------
    folder : made if it does not exist, its parents too.
    contents : bytes by relative name with forward slashes.

    Returns
    -------
    The names under which files were kept that somebody had changed since they were written, or had put where
    one of the new files goes.

    Raises
    ------
    InputError
        The target is not a folder, cannot be written, or is not a folder of ours and holds a file under one
        of the names. Nothing is changed.
    """
    _check_names(contents)
    check_folder(folder)
    made: list[Path] = []
    try:
        target = _target_of(folder)
        made = [parent for parent in target.parents if not parent.exists()]
        target.parent.mkdir(parents=True, exist_ok=True)
        with sole_writer(target.parent) as alone:
            if alone:
                _tidy(target)
            return _place(folder, target, contents)
    except OSError as error:
        for parent in made:
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise _cannot_be_written(folder, error) from error


def check_folder(folder: Path) -> None:
    """Refuse a folder that `write_folder` would refuse, before the work that fills it; changes nothing.

    Raises
    ------
    InputError
        The target, or a folder above it, is a file or may not be written.
    """
    try:
        place = _target_of(folder)
        while not place.exists():
            place = place.parent
        effective = os.access in os.supports_effective_ids
        if not os.access(place, os.W_OK | os.X_OK, effective_ids=effective):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except OSError as error:
        raise _cannot_be_written(folder, error) from error


def _target_of(folder: Path) -> Path:
    """The folder itself behind links, refused if it or a folder above it is a file."""
    try:
        target = folder.resolve()
    except RuntimeError:  # pathlib's word for links in a circle
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from None
    for place in (target, *target.parents):
        if place.exists():
            if not place.is_dir():
                named = "is" if place == target else f"'{place}' is"
                raise InputError(
                    f"{folder}: {named} a file, expected a folder. Choose another output folder."
                )
            break
    return target


def _cannot_be_written(folder: Path, error: OSError) -> InputError:
    return InputError(
        f"{folder}: cannot be written ({error.strerror or error}). Nothing was changed there. "
        "Close programs that have its files open, or choose another output folder."
    )


def _check_names(contents: dict[str, bytes]) -> None:
    for name in contents:
        parts = PurePosixPath(name).parts
        if not parts or name != "/".join(parts) or parts[0] == "/" or ".." in parts or "\\" in name:
            raise ValueError(f"'{name}' is not a plain relative file name")


def _place(folder: Path, target: Path, contents: dict[str, bytes]) -> tuple[str, ...]:
    ours = read_list(target)
    held = target.exists() and any(target.iterdir())
    if held and not ours:
        taken = [name for name in contents if os.path.lexists(target / name)]
        if taken:
            raise InputError(
                f"{folder}: holds a file '{taken[0]}' that is not known to come from an earlier report, and "
                "it would be overwritten. Move it away, or choose another output folder."
            )
        return _replace_inside(target, contents, ours)
    if target.exists() and _is_fixed(target):
        return _replace_inside(target, contents, ours)
    try:
        return _replace_whole(target, contents, ours)
    except OSError:
        if not target.exists():
            raise
        return _replace_inside(target, contents, ours)


def _is_fixed(target: Path) -> bool:
    """Whether the folder itself has to stay, because others hold on to it."""
    here = Path.cwd()
    foreign = hasattr(os, "geteuid") and target.stat().st_uid != os.geteuid()
    return foreign or target == here or target in here.parents or os.path.ismount(target)


def _is_empty_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _fill(folder: Path, contents: dict[str, bytes]) -> None:
    for name, content in contents.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    sync(folder)


# The usual way: a new folder beside the old one, then one swap of names.


def _replace_whole(target: Path, contents: dict[str, bytes], ours: Owned) -> tuple[str, ...]:
    prefix = temporary_prefix(target)
    draft = Path(tempfile.mkdtemp(prefix=f"{prefix}draft-", dir=target.parent))
    try:
        _fill(draft, {**contents, LIST_NAME: list_bytes(fingerprints(contents))})
        draft.chmod(0o777 & ~user_mask())
        kept: tuple[str, ...] = ()
        if target.exists():
            kept = _carry(target, draft, ours)
            _like(target, draft)
        # Only a whole folder gets the name "new": what a killed process leaves under "draft" is waste.
        ready = draft.rename(draft.with_name(draft.name.replace("draft", "new", 1)))
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise
    try:
        if target.exists():
            exchange(ready, target, spare=ready.with_name(ready.name.replace("new", "old", 1)))
        else:
            ready.rename(target)
        sync(target.parent)
    finally:
        # Whichever of the two folders has this name now: what others put there is moved, the rest goes.
        _retire(ready, target)
    return kept


def _carry(old: Path, new: Path, ours: Owned) -> tuple[str, ...]:
    """Link what is not ours into `new`; the names under which something had to be kept."""
    kept = []
    for name, path in entries(old):
        if is_ours(path, name, ours):
            continue
        if _is_empty_folder(path):
            (new / name).mkdir(parents=True, exist_ok=True)
            continue
        goal = name
        if os.path.lexists(new / name):
            goal = free_name(name, old, new)
            kept.append(goal)
        (new / goal).parent.mkdir(parents=True, exist_ok=True)
        _link(path, new / goal)
    return tuple(kept)


def _like(old: Path, new: Path) -> None:
    """Give `new` and its sub-folders the permissions and owner of `old`."""
    for place, _, _ in os.walk(new):
        twin = old / Path(place).relative_to(new)
        if twin.is_dir():
            shutil.copystat(twin, place)
            if hasattr(os, "chown"):
                os.chown(place, -1, twin.stat().st_gid)
            os.utime(place)


def _retire(old: Path, new: Path) -> None:
    """Delete the folder that was replaced; what came into it since is moved into `new`. Never raises."""
    if not old.exists():
        return
    ours = read_list(old)
    linked = {(path.lstat().st_dev, path.lstat().st_ino) for _, path in entries(new)}
    for name, path in list(entries(old)):
        with contextlib.suppress(OSError):
            if name == LIST_NAME or _is_empty_folder(path):
                continue
            status = path.lstat()
            if (status.st_dev, status.st_ino) in linked or is_ours(path, name, ours):
                path.unlink()
            else:
                goal = free_name(name, new) if os.path.lexists(new / name) else name
                (new / goal).parent.mkdir(parents=True, exist_ok=True)
                path.rename(new / goal)
    for place, _, _ in os.walk(old, topdown=False):
        with contextlib.suppress(OSError):
            if Path(place) == old and {entry.name for entry in old.iterdir()} == {LIST_NAME}:
                (old / LIST_NAME).unlink()
            Path(place).rmdir()


def _tidy(target: Path) -> None:
    """Clear what killed processes left for this target; a report that lost its name gets it back."""
    prefix = temporary_prefix(target)
    left = [path for path in sorted(target.parent.iterdir()) if path.name.startswith(prefix)]
    for path in [path for path in left if path.name.startswith(f"{prefix}draft-")]:
        shutil.rmtree(path, ignore_errors=True)
    # "old" before "new": between the renames of a swap the old report is the one that stood there.
    for kind in ("old", "new"):
        for path in [path for path in left if path.name.startswith(f"{prefix}{kind}-")]:
            with contextlib.suppress(OSError):
                if target.exists():
                    _retire(path, target)
                else:
                    path.rename(target)
    if target.exists():
        for path in target.glob(f"{prefix}draft-*"):
            shutil.rmtree(path, ignore_errors=True)
        # A list that was being written when its writer was killed.
        for path in target.glob(f".{LIST_NAME}.*"):
            path.unlink(missing_ok=True)


# The other way: inside the folder, file by file.


def _replace_inside(target: Path, contents: dict[str, bytes], ours: Owned) -> tuple[str, ...]:
    stage = Path(tempfile.mkdtemp(prefix=f"{temporary_prefix(target)}draft-", dir=target))
    listed = fingerprints(contents)
    undo: list[tuple[Path, Path | None]] = []
    try:
        _fill(stage / "new", contents)
        # Until all is done both the old and the new files count as ours, so that a crash leaves no strangers.
        both = {name: [*ours.get(name, []), *listed.get(name, [])] for name in {**ours, **listed}}
        _save(target, LIST_NAME, stage, undo)
        write_atomically(target / LIST_NAME, list_bytes(both))
        kept = _swap_files(target, stage, contents, ours, undo)
        write_atomically(target / LIST_NAME, list_bytes(listed))
        sync(target)
    except BaseException:
        _undo(undo)
        raise
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    return kept


def _swap_files(
    target: Path, stage: Path, contents: dict[str, bytes], ours: Owned, undo: list[tuple[Path, Path | None]]
) -> tuple[str, ...]:
    kept = []
    for name in contents:
        path = target / name
        if os.path.lexists(path) and not is_ours(path, name, ours):
            goal = free_name(name, target)
            _link_or_copy(path, target / goal)
            undo.append((target / goal, None))
            kept.append(goal)
        _make_parents(target, path.parent, undo)
        _save(target, name, stage, undo)
        (stage / "new" / name).replace(path)
    for name in ours.keys() - contents.keys():
        if is_ours(target / name, name, ours):
            _save(target, name, stage, undo)
            (target / name).unlink()
            with contextlib.suppress(OSError):
                (target / name).parent.rmdir()
    return tuple(kept)


def _make_parents(target: Path, parent: Path, undo: list[tuple[Path, Path | None]]) -> None:
    for folder in reversed([parent, *parent.parents]):
        if target in folder.parents and not folder.exists():
            folder.mkdir()
            undo.append((folder, None))


def _save(target: Path, name: str, stage: Path, undo: list[tuple[Path, Path | None]]) -> None:
    """Remember how to bring back what stands at `name` now."""
    path, saved = target / name, stage / "old" / name
    if not os.path.lexists(path):
        undo.append((path, None))
        return
    saved.parent.mkdir(parents=True, exist_ok=True)
    _link_or_copy(path, saved)
    undo.append((path, saved))


def _link(source: Path, goal: Path) -> None:
    if os.link in os.supports_follow_symlinks:
        os.link(source, goal, follow_symlinks=False)
    else:
        os.link(source, goal)


def _link_or_copy(source: Path, goal: Path) -> None:
    try:
        _link(source, goal)
    except OSError:
        shutil.copy2(source, goal, follow_symlinks=False)


def _undo(steps: list[tuple[Path, Path | None]]) -> None:
    for path, saved in reversed(steps):
        with contextlib.suppress(OSError):
            if saved is not None:
                path.parent.mkdir(parents=True, exist_ok=True)
                saved.replace(path)
            elif path.is_dir() and not path.is_symlink():
                path.rmdir()
            else:
                path.unlink()
