"""Where a ledger is: a file, or the URL of a PostgreSQL database; and how it is shown without its password.

In: what a person wrote.  Out: Address.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

from repeatab.ledger.faults import LedgerError

_SECRET = re.compile(r"passw|secret|token", re.IGNORECASE)
# Up to the last "@": whoever forgets to write / or @ of a password as %2F or %40 shall not see it printed.
_PASSWORD = re.compile(r"(://[^:/@?#]*):(.*)@")
_POSTGRESQL = ("postgresql", "postgres", "postgresql+psycopg")
_HIDDEN = "***"


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
            text = text.replace(secret, _HIDDEN)
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
    secrets = _secrets_in(text)
    return Address(shown=masked(text), url="postgresql+psycopg" + text[len(scheme) :], secrets=secrets)


def masked(text: str) -> str:
    """A URL without the password before its host and without the values of secret settings after it."""
    text = _PASSWORD.sub(rf"\1:{_HIDDEN}@", text)
    head, mark, query = text.partition("?")
    if not mark:
        return head
    parts = [part.partition("=") for part in query.split("&")]
    return f"{head}?" + "&".join(f"{k}{m}{_HIDDEN if _SECRET.search(k) else v}" for k, m, v in parts)


def has_password(text: str) -> bool:
    """Whether a path or URL holds a password."""
    return masked(text) != text


def _secrets_in(text: str) -> tuple[str, ...]:
    before_host = _PASSWORD.search(text)
    found = [before_host[2]] if before_host else []
    try:
        found += [value for key, value in parse_qsl(urlsplit(text).query) if _SECRET.search(key)]
    except ValueError:
        raise LedgerError.not_an_address(masked(text)) from None
    both = [form for secret in found if secret for form in (secret, unquote(secret))]
    return tuple(sorted(set(both), key=len, reverse=True))
