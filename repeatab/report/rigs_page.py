"""The page for all rigs: the state of each at a glance, without the history of any.

In: the Outcome of a control chart.  Out: rigs.html, written before the figures of the report are drawn.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from repeatab.base.errors import InputError
from repeatab.base.files import write_atomically
from repeatab.outcome.figures import RigStates
from repeatab.outcome.outcome import Outcome
from repeatab.report.drawing_process import DrawingProcess
from repeatab.report.page import page_bytes

NAME = "rigs.html"
_TABLES = ("states", "run_lengths")


def has_rigs_page(outcome: Outcome) -> bool:
    """Whether an outcome tells the state of rigs."""
    return any(isinstance(figure, RigStates) for figure in outcome.figures)


def rigs_page(outcome: Outcome, drawing: DrawingProcess | None = None) -> bytes:
    """The page: what ran, the state of every rig and section, what to run next; the rest stands in the report."""
    glance = replace(
        outcome,
        title=f"{outcome.title}: all rigs",
        evidence=outcome.evidence[:1],
        figures=tuple(figure for figure in outcome.figures if isinstance(figure, RigStates)),
        tables=tuple(table for table in outcome.tables if table.key in _TABLES),
        methods=(),
    )
    return page_bytes(glance, alone=True, drawing=drawing)


def write_rigs_page(outcome: Outcome, folder: Path, drawing: DrawingProcess | None = None) -> Path:
    """Write the page into the report's folder in one step; what else is there stays.

    Raises
    ------
    InputError
        It cannot be written.
    """
    path = folder / NAME
    content = rigs_page(outcome, drawing)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_atomically(path, content)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error}).") from None
    return path
