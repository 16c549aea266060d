"""How long work tells the outside how far it is, without knowing who listens."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called with the number of steps done and the number there are; must return quickly."""

    def __call__(self, step: str, done: int, total: int) -> None: ...


def silent(step: str, done: int, total: int) -> None:
    """Tell nobody."""
