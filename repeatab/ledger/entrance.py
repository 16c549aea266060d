"""The door of the ledger for run and cli: opens it, or says that a library is missing.

In: a file or URL.  Out: an open Ledger.  Importing this module loads no database library.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from repeatab.ledger.faults import LedgerError

if TYPE_CHECKING:
    from repeatab.ledger.store import Ledger


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
