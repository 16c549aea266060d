"""Pages that go to the participants of a round robin: one for each, under codes.

In: the organiser's Outcome.  Out: the bytes of participants/CODE.html. What is written here names no laboratory,
no input file and no setting of the organiser.
"""

from __future__ import annotations

from dataclasses import replace

from repeatab.base.progress import Progress, silent
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.participants import Participant
from repeatab.report.drawing_process import DrawingProcess
from repeatab.report.page import page_bytes
from repeatab.report.pictures import page_images
from repeatab.report.words import file_stem

FOLDER = "participants"


def participant_files(
    outcome: Outcome, progress: Progress = silent, drawing: DrawingProcess | None = None
) -> dict[str, bytes]:
    """The page of every participant by its name in the report's folder; none for other jobs."""
    if drawing is not None:
        for one in outcome.participants:
            for figure in one.figures:
                drawing.begin(page_images, figure)
    files = {}
    for number, one in enumerate(outcome.participants):
        progress("writing the participants' pages", number, len(outcome.participants))
        page = page_bytes(participant_outcome(outcome, one), alone=True, drawing=drawing)
        files[f"{FOLDER}/{_stem(one.code)}.html"] = page
    return files


def _stem(code: str) -> str:
    """A code of letters and digits is its own file name."""
    return code if code.isascii() and code.isalnum() else file_stem(code)


def participant_outcome(outcome: Outcome, one: Participant) -> Outcome:
    """What one participant may see."""
    return replace(
        outcome,
        title=f"{outcome.title}: participant {one.code}",
        headline=one.headline,
        judgements=one.judgements,
        evidence=one.evidence,
        cannot_tell=one.cannot_tell,
        next_runs=None,
        tables=one.tables,
        figures=one.figures,
        notes=(),
        findings=(),
        numbers=(),
        participants=(),
        provenance=Provenance(versions=outcome.provenance.versions, as_of=outcome.provenance.as_of),
    )
