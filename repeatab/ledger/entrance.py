"""The door of the ledger for run and cli: opens it, or says that a library is missing.

In: a file or URL.  Out: an open Ledger.  Importing this module loads no database library.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from repeatab.ledger.faults import LedgerError

if TYPE_CHECKING:
    from repeatab.ledger.store import Ledger


@contextmanager
def stand_in(where: str | Path) -> Iterator[Ledger | None]:
    """An empty ledger in a temporary folder where the named file is not there yet; None where it is, or is a database.

    What could be refused is done with it first, so that a refusal leaves no new file behind.

    Raises
    ------
    LedgerError
        The folder of the file is not there or may not be written.
    """
    from repeatab.ledger.address import address_of

    address = address_of(where)
    if address.file is None or address.file.exists():
        yield None
        return
    folder = address.file.absolute().parent
    if not folder.is_dir():
        raise LedgerError.no_folder(address.shown, str(address.file.parent))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise LedgerError.read_only(address.shown)
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "ledger.sqlite"
        try:
            yield enter(file, write=True, create=True)
        except LedgerError as error:
            raise LedgerError(str(error).replace(str(file), address.shown)) from None


def enter(where: str | Path, *, write: bool = False, create: bool = False) -> Ledger:
    """Open a ledger; see `store.open_ledger`.

    Raises
    ------
    LedgerError
    """
    try:
        from repeatab.ledger.store import open_ledger
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "sqlalchemy":
            raise
        raise LedgerError.package_missing("sqlalchemy") from None
    return open_ledger(where, write=write, create=create)
