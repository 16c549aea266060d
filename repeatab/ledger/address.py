"""Where a ledger is: a file, or the URL of a PostgreSQL database; and how it is shown without its password.

In: what a person wrote.  Out: Address.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from repeatab.base.passwords import HIDDEN, masked, passwords_in
from repeatab.ledger.faults import LedgerError

_POSTGRESQL = ("postgresql", "postgres", "postgresql+psycopg")


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A file (`file`) or a database (`url`, for the driver); `shown` is safe to print. Its text form is `shown`."""

    shown: str
    file: Path | None = None
    url: str = field(default="", repr=False)
    secrets: tuple[str, ...] = field(default=(), repr=False)

    def __str__(self) -> str:
        return self.shown

    def without_secrets(self, text: str) -> str:
        """`text` with every password of this address hidden."""
        for secret in self.secrets:
            text = text.replace(secret, HIDDEN)
        return text


def address_of(where: str | Path) -> Address:
    """The address that a path or URL stands for.

    Raises
    ------
    LedgerError
        A URL of another kind of database, or one that cannot be read; the message hides passwords.
    """
    text = str(where)
    if isinstance(where, Path) or "://" not in text:
        if not text.strip():
            raise LedgerError.not_an_address("--ledger")
        return Address(shown=text, file=Path(text))
    scheme = text.partition("://")[0].lower()
    if scheme == "sqlite":
        return Address(shown=text, file=Path(text.partition("://")[2].removeprefix("/")))
    if scheme not in _POSTGRESQL:
        raise LedgerError.not_an_address(masked(text))
    try:
        secrets = passwords_in(text)
    except ValueError:
        raise LedgerError.not_an_address(masked(text)) from None
    return Address(shown=masked(text), url="postgresql+psycopg" + text[len(scheme) :], secrets=secrets)
