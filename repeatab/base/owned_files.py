"""Which files of a folder are ours: the list kept inside it, and the names we give to what is not.

The list holds the fingerprints of the files as they were written, so that a file changed since is known to be
somebody's work and is never deleted.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from repeatab.base.files import fingerprint

LIST_NAME = ".repeatab-files.json"

Owned = dict[str, list[str]]
"""Fingerprints by relative name; several while files are being replaced one by one."""


def temporary_prefix(target: Path) -> str:
    """How the names of our temporary folders for this target begin; short, whatever the target is called."""
    return f".repeatab-{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:8]}-"


def list_bytes(ours: Owned) -> bytes:
    """The content of the list."""
    return (json.dumps({"files": dict(sorted(ours.items()))}, indent=1) + "\n").encode()


def fingerprints(contents: dict[str, bytes]) -> Owned:
    """The list of files that are about to be written."""
    return {name: [hashlib.sha256(content).hexdigest()] for name, content in contents.items()}


def read_list(folder: Path) -> Owned:
    """The list that a folder holds; empty where there is none that can be read."""
    try:
        files = json.loads((folder / LIST_NAME).read_text(encoding="utf-8"))["files"]
        return {str(name): [str(digest) for digest in digests] for name, digests in files.items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def is_ours(path: Path, name: str, ours: Owned) -> bool:
    """Whether the file is one that we wrote and nobody changed since."""
    if name == LIST_NAME:
        return True
    return name in ours and path.is_file() and not path.is_symlink() and fingerprint(path) in ours[name]


def entries(folder: Path) -> Iterator[tuple[str, Path]]:
    """Every file, link and empty folder below `folder` by relative name; our temporary folders left out."""
    for place, folders, files in os.walk(folder):
        below = Path(place)
        folders[:] = sorted(name for name in folders if not name.startswith(temporary_prefix(folder)))
        links = [name for name in folders if (below / name).is_symlink()]
        for name in sorted([*files, *links]):
            yield (below / name).relative_to(folder).as_posix(), below / name
        if not files and not folders and below != folder:
            yield below.relative_to(folder).as_posix(), below


def free_name(name: str, *folders: Path) -> str:
    """A name near `name` that no folder holds yet."""
    path = PurePosixPath(name)
    number = 1
    while True:
        kept = path.with_name(f"{path.stem}.kept-{number}{path.suffix}").as_posix()
        if not any(os.path.lexists(folder / kept) for folder in folders):
            return kept
        number += 1
