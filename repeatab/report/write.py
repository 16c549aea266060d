"""Writing a report: everything is made in memory first, then the folder is replaced at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from repeatab.base.folders import check_folder, write_folder
from repeatab.base.progress import Progress, silent
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.ready import FigureReady, not_yet_drawn
from repeatab.outcome.serialise import as_stored, from_jsonable, to_jsonable
from repeatab.report import json_file, page, workbook
from repeatab.report.drawing_process import DrawingProcess, drawing_process, pictures_of
from repeatab.report.participant_pages import FOLDER, participant_files
from repeatab.report.pictures import FigureFiles, figure_and_images
from repeatab.report.rigs_page import has_rigs_page, write_rigs_page
from repeatab.report.run_sheet import run_sheet_files
from repeatab.report.words import file_stem

# So many figures take twice as long as it takes another process to begin with them.
_MANY = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFiles:
    """Where the parts of a report lie; `kept` names files changed by hand that were kept under a new name.

    rigs : the page for all rigs, which a control chart has.
    """

    folder: Path
    page: Path
    data: Path
    workbook: Path
    figures: tuple[Path, ...]
    participants: tuple[Path, ...] = ()
    kept: tuple[str, ...] = ()
    rigs: Path | None = None

    def __str__(self) -> str:
        rigs = f"{self.rigs.name} (all rigs at a glance), " if self.rigs is not None else ""
        return f"report in {self.folder}: {rigs}{self.page.name}, {self.data.name}, {self.workbook.name}, figures"


def write_report(
    outcome: Outcome,
    folder: str | Path,
    *,
    progress: Progress = silent,
    sheet_separator: str = ",",
    drawing: DrawingProcess | None = None,
) -> ReportFiles:
    """Write the report of an outcome into a folder.

    The folder then holds report.html, result.json, tables.xlsx, figures/ (SVG and PNG) and, for a round robin with
    codes, participants/ with a page for each of them; for a control chart rigs.html, written first. A report that was
    there before is replaced at once, or stays whole if anything fails. Files of others in the folder stay.

    Parameters
    ----------
    folder : made if it does not exist.
    progress : called as (step, done, total); quiet unless given.
    sheet_separator : between the values of run_sheet.csv, which a plan has.
    drawing : a process that draws the figures while this one writes the rest. Where it is not given, many figures
        have one of their own, and few are drawn here.

    Raises
    ------
    InputError
        The folder is a file, cannot be written, or holds a file of somebody else under one of our names.
    """
    folder = Path(folder)
    check_folder(folder)
    rigs = None
    if has_rigs_page(outcome):
        # Before the histories are drawn, which takes seconds for each rig. It is no part of the list of our files, so
        # that a report that is there stays whole until all of the new one is made.
        progress("writing the page for all rigs", 0, 1)
        rigs = write_rigs_page(outcome, folder, drawing)
    contents = report_contents(outcome, progress=progress, sheet_separator=sheet_separator, drawing=drawing)
    progress("writing the report", 0, 1)
    kept = write_folder(folder, contents)
    progress("writing the report", 1, 1)
    return ReportFiles(
        folder=folder,
        page=folder / page.NAME,
        data=folder / json_file.NAME,
        workbook=folder / workbook.NAME,
        figures=tuple(folder / name for name in contents if name.startswith("figures/")),
        participants=tuple(folder / name for name in contents if name.startswith(f"{FOLDER}/")),
        kept=kept,
        rigs=rigs,
    )


def draw_at_once(drawing: DrawingProcess | None) -> FigureReady:
    """What draws a figure before its outcome is whole, where a drawing process has the time."""
    if drawing is None:
        return not_yet_drawn
    return lambda figure: drawing.begin(figure_and_images, as_stored(figure))


def report_contents(
    outcome: Outcome,
    *,
    progress: Progress = silent,
    sheet_separator: str = ",",
    drawing: DrawingProcess | None = None,
) -> dict[str, bytes]:
    """Every file of the report by its name in the folder."""
    # Page, workbook and figures are made from what the JSON file holds, so that they cannot differ from it.
    outcome = from_jsonable(to_jsonable(outcome))
    with _help_with(outcome, drawing) as second:
        return _contents(outcome, progress, sheet_separator, second)


@contextmanager
def _help_with(outcome: Outcome, given: DrawingProcess | None) -> Iterator[DrawingProcess | None]:
    """The drawing process that is there, or one for many figures alone."""
    figures = len(outcome.figures) + sum(len(one.figures) for one in outcome.participants)
    if given is not None or figures < _MANY:
        yield given
        return
    with drawing_process() as own:
        yield own


def _contents(
    outcome: Outcome, progress: Progress, sheet_separator: str, drawing: DrawingProcess | None
) -> dict[str, bytes]:
    book = None
    if drawing is not None:
        for figure in outcome.figures:
            drawing.begin(figure_and_images, figure)
        book = drawing.ask(workbook.workbook_bytes, outcome)
    data = json_file.result_bytes(outcome)
    page.template()  # while the pictures are being drawn
    drawn = pictures_of(figure_and_images, outcome.figures, second=drawing, progress=progress)
    return {
        **run_sheet_files(outcome, separator=sheet_separator),
        **_figure_files(outcome, [files for files, _ in drawn]),
        json_file.NAME: data,
        page.NAME: page.page_bytes(outcome, images=[images for _, images in drawn]),
        workbook.NAME: workbook.workbook_bytes(outcome)
        if drawing is None or book is None
        else drawing.result(book),
        **participant_files(outcome, progress, drawing),
    }


def _figure_files(outcome: Outcome, drawn: Sequence[FigureFiles]) -> dict[str, bytes]:
    """The figures by their name in the folder."""
    files: dict[str, bytes] = {}
    for figure, pictures in zip(outcome.figures, drawn, strict=True):
        stem = _free_stem(file_stem(figure.key), files)
        files[f"figures/{stem}.svg"], files[f"figures/{stem}.png"] = pictures.svg, pictures.png
    return files


def _free_stem(stem: str, files: dict[str, bytes]) -> str:
    number, free = 2, stem
    while f"figures/{free}.svg" in files:
        free, number = f"{stem}-{number}", number + 1
    return free
