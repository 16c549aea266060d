"""Passwords in addresses of databases: found, and hidden before anything is printed.

In: an address as a person wrote it.  Out: the same without its passwords, and the passwords themselves.
"""

from __future__ import annotations

import re
from urllib.parse import parse_qsl, unquote, urlsplit

HIDDEN = "***"
_SECRET = re.compile(r"passw|secret|token", re.IGNORECASE)
# Up to the last "@": whoever forgets to write / or @ of a password as %2F or %40 shall not see it printed.
_PASSWORD = re.compile(r"(://[^:/@?#]*):(.*)@")


def masked(text: str) -> str:
    """A URL without the password before its host and without the values of secret settings after it."""
    text = _PASSWORD.sub(rf"\1:{HIDDEN}@", text)
    head, mark, query = text.partition("?")
    if not mark:
        return head
    parts = [part.partition("=") for part in query.split("&")]
    return f"{head}?" + "&".join(f"{k}{m}{HIDDEN if _SECRET.search(k) else v}" for k, m, v in parts)


def has_password(text: str) -> bool:
    """Whether a path or URL holds a password."""
    return masked(text) != text


def passwords_in(text: str) -> tuple[str, ...]:
    """The passwords of a URL as written and as decoded, the longest first.

    Raises
    ------
    ValueError
        It cannot be read as a URL.
    """
    before_host = _PASSWORD.search(text)
    found = [before_host[2]] if before_host else []
    found += [value for key, value in parse_qsl(urlsplit(text).query) if _SECRET.search(key)]
    both = [form for secret in found if secret for form in (secret, unquote(secret))]
    return tuple(sorted(set(both), key=len, reverse=True))
