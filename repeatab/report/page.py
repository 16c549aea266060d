"""The page: one HTML file that holds everything and needs no network; its one script sorts tables.

In: an Outcome. Out: the bytes of report.html. What stands where is in page.html.j2; here the values are made
into text. Every name goes through the template's escaping; nothing is marked as safe.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING

from repeatab.base.progress import Progress, silent
from repeatab.outcome import figures as data
from repeatab.outcome.outcome import DataFinding, Outcome
from repeatab.outcome.tables import Table, Value
from repeatab.outcome.verdict import Judgement
from repeatab.report.drawing_process import DrawingProcess, pictures_of
from repeatab.report.marks import LOOKS, mark_of
from repeatab.report.numbers import MISSING, MISSING_MEANS, cell_text, column_decimals, count, is_numeric
from repeatab.report.pictures import Image, page_images
from repeatab.report.words import printable, prose, row_ranges, title_case

if TYPE_CHECKING:
    from jinja2 import Template

NAME = "report.html"

_AT_A_GLANCE = 8
_LONG_WORD = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A judgement as the page shows it."""

    subject: str
    word: str
    qualifier: str
    reason: str
    mark: str
    decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell as text; `key` is the number that its column is sorted by, "" for texts."""

    text: str
    numeric: bool
    missing: bool
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    caption: str
    unit: str
    numeric: bool

    @property
    def long(self) -> bool:
        """Whether a word of it may be broken: one that would take the room of several columns."""
        return max(map(len, self.caption.split()), default=0) > _LONG_WORD


@dataclass(frozen=True, slots=True, kw_only=True)
class TableView:
    """A table as text."""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureView:
    title: str
    reading: str
    images: tuple[Image, ...]


def page_bytes(
    outcome: Outcome,
    *,
    alone: bool = False,
    images: Sequence[tuple[Image, ...]] | None = None,
    progress: Progress = silent,
    drawing: DrawingProcess | None = None,
) -> bytes:
    """The page of an outcome.

    alone : the page is sent out by itself, so it names no file beside it.
    images : of each figure; they are drawn where not given, and `progress` hears of each.
    drawing : a process that helps with that.
    """
    if images is None:
        images = pictures_of(
            page_images, outcome.figures, second=drawing, progress=progress, step="drawing the page"
        )
    pictures = [_figure_view(figure, its) for figure, its in zip(outcome.figures, images, strict=True)]
    planning = [
        view
        for view, figure in zip(pictures, outcome.figures, strict=True)
        if isinstance(figure, data.WhatMoreRunsBuy)
    ]
    next_table = outcome.next_runs.table if outcome.next_runs is not None else None
    text = template().render(
        outcome=outcome,
        alone=alone,
        job=title_case(outcome.job),
        headline=_answer(outcome.headline),
        answers=[_answer(judgement) for judgement in outcome.judgements],
        tally=_tally(outcome.judgements),
        evidence_figures=[view for view in pictures if view not in planning],
        planning_figures=planning,
        tables=[_table_view(table) for table in outcome.tables],
        next_table=_table_view(next_table) if next_table is not None else None,
        colours={mark.value: look.colour for mark, look in LOOKS.items()},
        missing_means=MISSING_MEANS,
        script_hash=_script_hash(),
        rows_of=_rows_of,
        plain=printable,
        prose=prose,
        count=count,
    )
    return "\n".join(line.rstrip() for line in text.splitlines() if line.strip()).encode("utf-8") + b"\n"


@lru_cache(maxsize=1)
def template() -> Template:
    """The template, ready to be filled; to make it so takes longer than to fill it."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("repeatab.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html.j2")


def _script_hash() -> str:
    """The hash by which the page's policy knows its script."""
    script = resources.files("repeatab.report").joinpath("sort_tables.js.j2").read_bytes().strip()
    return "sha256-" + base64.b64encode(hashlib.sha256(script).digest()).decode("ascii")


def _key(value: Value) -> str:
    """A number with all its digits."""
    return repr(float(value)) if isinstance(value, int | float) and not isinstance(value, bool) else ""


def _answer(judgement: Judgement) -> Answer:
    return Answer(
        subject=printable(judgement.subject),
        word=judgement.verdict.value,
        qualifier=judgement.qualifier.value,
        reason=prose(judgement.reason),
        mark=mark_of(judgement.verdict).value,
        decides=judgement.decides,
    )


def _tally(judgements: tuple[Judgement, ...]) -> str:
    """How often each answer was given, where there are too many to see at a glance."""
    if len(judgements) <= _AT_A_GLANCE:
        return ""
    words = dict.fromkeys(judgement.verdict.value for judgement in judgements)
    counts = [f"{sum(j.verdict.value == word for j in judgements)} {word}" for word in words]
    informing = sum(not judgement.decides for judgement in judgements)
    tail = f" {informing} of them inform only." if informing else ""
    return f"{len(judgements)} answers: {', '.join(counts)}.{tail}"


def _table_view(table: Table) -> TableView:
    decimals = column_decimals(table)
    numeric = [is_numeric(column.kind) for column in table.columns]
    rows = []
    for values in table.rows:
        cells = []
        for value, column, places, right in zip(values, table.columns, decimals, numeric, strict=True):
            text = cell_text(value, column, places)
            key = "" if text == MISSING or not right else _key(value)
            cells.append(Cell(text=text, numeric=right, missing=text == MISSING, key=key))
        rows.append(tuple(cells))
    remarks = [prose(remark) for remark in table.remarks]
    if any(cell.missing for row in rows for cell in row):
        remarks.append(f"{MISSING} means: {MISSING_MEANS}.")
    heads = tuple(
        Head(caption=printable(column.caption), unit=printable(column.unit), numeric=right)
        for column, right in zip(table.columns, numeric, strict=True)
    )
    return TableView(caption=printable(table.caption), heads=heads, rows=tuple(rows), remarks=tuple(remarks))


def _figure_view(figure: data.Figure, images: tuple[Image, ...]) -> FigureView:
    return FigureView(title=printable(figure.title), reading=prose(figure.reading), images=images)


def _rows_of(finding: DataFinding) -> str:
    """Where in its file a finding lies."""
    rows = f"row{'s' if len(finding.rows) > 1 else ''} {row_ranges(finding.rows)}" if finding.rows else ""
    return ", ".join(part for part in (printable(finding.file), rows) if part)
