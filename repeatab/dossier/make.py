"""Making the dossier: every check is carried out on this installation, and the page is written.

In: where it goes, the day, versions.  Out: the checks as they came out, and a file.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from repeatab.base.errors import InputError
from repeatab.base.files import write_atomically
from repeatab.base.progress import Progress, silent
from repeatab.dossier.all_checks import all_checks
from repeatab.dossier.checks import Checked, carry_out
from repeatab.dossier.page import MADE_BY, page_bytes
from repeatab.dossier.quantities import quantities
from repeatab.dossier.rates import rate_sheets


def write_dossier(
    to: Path, *, day: str, versions: Sequence[tuple[str, str]], progress: Progress = silent
) -> tuple[Checked, ...]:
    """Write the dossier of this installation.

    Parameters
    ----------
    to : the HTML file; an earlier dossier there is replaced at once. day : as the page shows it.

    Raises
    ------
    InputError
        The file cannot be written, or is somebody else's.
    """
    _refuse_foreign(to)
    found = carry_out(all_checks(), progress=progress)
    content = page_bytes(found, quantities(), rate_sheets(), versions=versions, day=day)
    try:
        write_atomically(to, content)
    except OSError as error:
        raise InputError(
            f"{to}: cannot be written ({error.strerror or error}). Choose another place."
        ) from None
    return found


def _refuse_foreign(to: Path) -> None:
    try:
        if not to.exists():
            return
        ours = to.is_file() and f'content="{MADE_BY}"'.encode() in to.read_bytes()[:4096]
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{to}: cannot be used ({reason}). Choose another place.") from None
    if not ours:
        raise InputError(f"{to}: exists and is no dossier, so it is not overwritten. Choose another name.")
