"""How a job tells of a figure before its outcome is whole, without knowing who draws it meanwhile."""

from __future__ import annotations

from typing import Protocol

from repeatab.outcome.figures import Figure


class FigureReady(Protocol):
    """Called with a figure that the outcome will hold; must return quickly and change nothing."""

    def __call__(self, figure: Figure) -> None: ...


def not_yet_drawn(figure: Figure) -> None:
    """Leave it to the report."""
