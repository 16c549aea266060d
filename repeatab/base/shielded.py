"""Text cells of files that a spreadsheet may open: none of them begins like a formula.

In: a text.  Out: the same, with an apostrophe in front where a spreadsheet would compute it. A reader of ours takes
that apostrophe off again, as a spreadsheet does when it is typed by hand.
"""

from __future__ import annotations

import re

_FORMULA = re.compile(r"'*\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|'*[\t\r\n]")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
SHIELD = "'"


def shielded(text: str) -> str:
    """The text for a cell of a CSV file; `unshielded` gives it back."""
    return f"{SHIELD}{text}" if _FORMULA.match(text) and not _PLAIN_NUMBER.fullmatch(text) else text


def unshielded(text: str) -> str:
    """The text that was shielded; any other stays as it is."""
    return text[1:] if text.startswith(SHIELD) and _FORMULA.match(text[1:]) else text
