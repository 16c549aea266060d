"""From the path of a study file to its raw content.

In: a path.  Out: the parsed TOML with the file's name and fingerprint.
Not here: what the keys mean (the schemas).
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from repeatab.base.errors import RepeatabError, StudyError, nearest
from repeatab.base.files import refuse_no_plain_file, shown_name

MOST_BYTES = 1_000_000
"""No study file written by a person is larger; a result file given by mistake often is."""

_PLACE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")
_COMMA_NUMBER = re.compile(r"=\s*[+-]?\d+,\d")
_USE = "To look at a result file, use: repeatab check FILE"


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyText:
    """The content of a study file: its name without folders, SHA-256 and parsed keys."""

    file: str
    sha256: str
    content: dict[str, Any]


def read_study_text(path: Path) -> StudyText:
    """Read and parse a study file.

    Raises
    ------
    StudyError
        There is no such file, it is a folder, empty, too large, not UTF-8 or not valid TOML; a message about
        the text names the line and the column.
    """
    raw = _bytes_of(path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise StudyError(
            f"{path}: is not UTF-8 text, expected a study file (TOML). Save it as UTF-8. {_USE}"
        ) from None
    if not text.strip():
        raise StudyError(
            f"{path}: the file is empty, expected a study file. Make one with: repeatab start JOB"
        )
    try:
        content = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise _malformed(path, text, str(error)) from None
    except ValueError:
        raise StudyError(
            f"{path}: a number has thousands of digits, expected one that a person wrote."
        ) from None
    except RecursionError:
        raise StudyError(f"{path}: brackets are nested too deeply for a study file.") from None
    return StudyText(file=shown_name(path.name), sha256=hashlib.sha256(raw).hexdigest(), content=content)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise StudyError(f"{path}: is a folder, expected a study file (TOML). Name the file in it.")
        refuse_no_plain_file(path, str(path))
        if path.is_file() and (size := path.stat().st_size) > MOST_BYTES:
            raise StudyError(
                f"{path}: has {size / 1e6:.0f} MB, expected a study file of some kilobytes. {_USE}"
            )
        return path.read_bytes()
    except FileNotFoundError:
        beside = sorted(entry.name for entry in path.parent.glob("*.toml"))
        raise StudyError(
            f"{path}: no such file.{nearest(path.name, beside)} Make a study file with: repeatab start JOB"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise (
            error
            if isinstance(error, RepeatabError)
            else StudyError(f"{path}: cannot be read ({reason}). Correct the path or the permissions.")
        ) from None


def _malformed(path: Path, text: str, message: str) -> StudyError:
    """Say where the text stops being TOML, show that line, and what is often behind it."""
    place = _PLACE.search(message)
    lines = text.splitlines()
    line = int(place["line"]) if place and place["line"] else len(lines)
    column = int(place["column"]) if place and place["column"] else len(lines[-1]) + 1
    shown = lines[line - 1].strip() if 0 < line <= len(lines) else ""
    what = _PLACE.sub("", message)
    hint = (
        "Numbers take a decimal point, not a comma."
        if _COMMA_NUMBER.search(shown)
        else "Texts, and names with spaces, stand in quotes."
    )
    return StudyError(
        f"{path}, line {line}, column {column}: not valid TOML ({what}) in `{shown[:80]}`. {hint}"
    )
