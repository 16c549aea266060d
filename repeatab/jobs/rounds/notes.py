"""What the analysis of a round robin noticed.

In: RoundStudy.  Out: notes.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.rounds.data import PAD_SET
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.wording import enumerated


def notes(study: RoundStudy) -> tuple[Note, ...]:
    """Every note, each once."""
    return tuple(dict.fromkeys(_notes(study)))


def _notes(study: RoundStudy) -> Iterator[Note]:
    for text in study.analysis.notes:
        yield Note(kind=NoteKind.METHOD, text=text)
    yield from _on_cells(study)
    yield from _on_sources(study)
    if study.scores is not None:
        for text in dict.fromkeys(one.uncertainty_from for one in study.scores.assigned):
            if text:
                yield Note(
                    kind=NoteKind.ASSUMPTION,
                    text=f"The uncertainty of the assigned value rests on {text}; it holds no systematic part.",
                )
        if "consensus" in study.scores.assigned[0].assigned.basis.value:
            yield Note(
                kind=NoteKind.ASSUMPTION,
                text="Each laboratory's own result is part of the consensus it is scored against; with few "
                "laboratories its scores are a little too small.",
            )
    if study.codes:
        yield Note(
            kind=NoteKind.CAUTION,
            text="The codes follow from the names of the laboratories and the code seed. Keep the study file, this "
            "report, result.json and tables.xlsx with the organiser; send only the pages under participants/.",
        )


def _on_cells(study: RoundStudy) -> Iterator[Note]:
    for one in study.analysis.levels:
        still = [
            str(lab)
            for i, lab in enumerate(one.every.laboratories)
            if one.every.count[i] > 1 and one.every.centred_ss[i] == 0
        ]
        if still:
            yield Note(
                kind=NoteKind.INPUT,
                text=f"Level {one.level}: all results of {enumerated(still)} are equal.",
                remedy="Ask whether they were rounded, copied, or one result entered several times.",
            )
        raw = getattr(one.precision, "raw_between_variance", 0.0)
        if raw < 0:
            yield Note(
                kind=NoteKind.ZERO_COMPONENT,
                text=f"Level {one.level}: the between-laboratory variance comes out negative ({raw:.3g}) and counts as "
                "zero, so s_R = s_r.",
            )


def _on_sources(study: RoundStudy) -> Iterator[Note]:
    for one in study.components:
        within = [factor.replace("_", " ") for factor in one.factors]
        if one.trouble:
            yield Note(
                kind=NoteKind.METHOD,
                text=f"Level {one.level}: the share of {enumerated(within)} cannot be computed. {one.trouble}",
            )
            continue
        if one.absent:
            names = enumerated([str(lab) for lab in one.absent])
            yield Note(
                kind=NoteKind.INPUT,
                text=f"Level {one.level}: {names} does not tell {enumerated(within)} and takes no part in the "
                "sources of scatter.",
            )
        yield Note(
            kind=NoteKind.ASSUMPTION,
            text=f"Within a laboratory {enumerated(within)} changed from run to run at some level, so s_r of the "
            "precision table holds what they add; the table of sources takes it apart.",
        )
        for source in one.sources:
            if len(source.members) > 1:
                remedy = (
                    "Let each laboratory run two sets or more, each twice."
                    if PAD_SET in source.members
                    else ""
                )
                yield Note(
                    kind=NoteKind.MIXED_TOGETHER,
                    text=f"Level {one.level}: {source.name}.",
                    sources=source.members,
                    remedy=remedy,
                )
