"""Text made safe and short for page, figures, workbook, terminal and file names."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence

from repeatab.outcome.serialise import well_formed

# Names that some systems reserve for devices, whatever the suffix.
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)")
# Characters that no XML may hold, and those that reorder the text around them: a name must not rewrite the
# sentence it stands in.
_UNWANTED = frozenset("\ufffe\uffff\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def printable(text: str) -> str:
    """One line without control characters: line ends and tabs become spaces, the rest a replacement sign."""
    spaced = " ".join(well_formed(text).split())
    return "".join(
        "\ufffd" if unicodedata.category(letter) == "Cc" or letter in _UNWANTED else letter
        for letter in spaced
    )


def prose(text: str) -> str:
    """A sentence set for reading: true minus signs, and no line end between a number and its sign."""
    line = re.sub(r"(?<![^\s(])-(?=\d)", "\u2212", printable(text))
    line = re.sub(r"(?<=\d) (?=%)", "\u00a0", line)
    return re.sub(r"(?<=[±<>=]) (?=[\d−])", "\u00a0", line)


def title_case(key: str) -> str:
    """A key as a heading: 'correlation_check' becomes 'Correlation check'."""
    words = printable(key).replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def row_ranges(rows: Sequence[int], *, most: int = 12) -> str:
    """Row numbers with neighbours joined: (3, 4, 5, 9) becomes '3–5, 9'; cut after `most` parts."""
    parts: list[list[int]] = []
    for row in sorted(set(rows)):
        if parts and row == parts[-1][1] + 1:
            parts[-1][1] = row
        else:
            parts.append([row, row])
    shown = [f"{first}" if first == last else f"{first}–{last}" for first, last in parts[:most]]
    rest = len(parts) - most
    return ", ".join(shown) + (f" and {rest} more places" if rest > 0 else "")


def file_stem(key: str) -> str:
    """A name that is safe on every file system; different keys give different names."""
    plain = unicodedata.normalize("NFKD", key).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60]
    if not stem or stem != key.replace("_", "-") or _RESERVED.fullmatch(stem):
        digest = hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        stem = f"{stem or 'figure'}-{digest}"
    return stem
