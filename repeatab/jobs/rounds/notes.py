"""What the analysis of a round robin noticed, how it was computed, and its key numbers.

In: RoundStudy.  Out: notes, method notes, numbers by name.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.rounds.data import PAD_SET
from repeatab.jobs.rounds.question import SetKind
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.wording import enumerated
from repeatab.outcome.outcome import MethodNote


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


def methods(study: RoundStudy) -> tuple[MethodNote, ...]:
    """How each quantity was computed."""
    return tuple(
        MethodNote(quantity=quantity, method=method, source=source)
        for quantity, method, source in _methods(study)
    )


def _methods(study: RoundStudy) -> Iterator[tuple[str, str, str]]:
    yield (
        "s_r, s_L, s_R",
        "pooled within cells and from cell means, unequal numbers weighted",
        "ISO 5725-2:1994, 7.4",
    )
    yield (
        "their intervals",
        "exact chi-square for s_r, modified large-sample for s_L and s_R; all assume normal results: in simulated "
        "rounds of 8 × 3 with skewed, heavy-tailed or contaminated results those of s_r held 75 to 87 % and of s_R "
        "82 to 93 % instead of 95 %",
        "Graybill & Wang (1980); Ting et al. (1990); Burdick & Graybill (1992)",
    )
    yield "h and k", "indicator values from Student's t and F", "ISO 5725-2:1994, 7.3.1; Wilrich (2013)"
    yield (
        "outlier tests",
        "Cochran, then Grubbs for one and for two, step by step; a second branch goes on without outliers",
        "ISO 5725-2:1994, 7.3",
    )
    yield (
        "robust precision",
        "Algorithm A on cell means, Algorithm S on standard deviations",
        "ISO 5725-5:1998, clause 6",
    )
    if any(one.q_hampel is not None for one in study.analysis.levels):
        yield "Q method, Hampel estimator", "pairwise differences of the results", "ISO 13528:2022, C.5"
    if study.dependence:
        yield "dependence on the level", "three functional forms and a constant", "ISO 5725-2:1994, 7.5"
    if study.components:
        yield (
            "sources within the laboratory",
            "analysis of variance and modified large-sample limits where balanced, else REML and generalised pivotal "
            "limits",
            "ISO 5725-3:1994; Searle, Casella & McCulloch (1992)",
        )
    if study.drifts:
        yield (
            "drift of travelling sets",
            "least squares through the pilot laboratory's runs, each set with its own level; its standard error times "
            "the distance in runs enters u (left in: also the change itself, as a rectangular distribution)",
            "Draper & Smith (1998); JCGM 100:2008, 4.3.7 and F.2.4.5",
        )
    if study.scores is not None:
        yield (
            "scores",
            "z, z′, zeta with standard, E_n with expanded (k = 2) uncertainties",
            "ISO 13528:2022, clause 9",
        )
        yield from _assigned_methods(study)
    if study.lot:
        yield (
            "homogeneity and stability",
            "against 0.3 sigma_pt, expanded for the check's error",
            "ISO 13528:2022, annex B",
        )
    if any(kind is SetKind.TRAVELLING for kind in study.kinds.values()) and study.drift_taken_out:
        yield (
            "results",
            "taken back to the run of the set at the pilot laboratory's first visit",
            "ISO 13528:2022, 6.1",
        )


def _assigned_methods(study: RoundStudy) -> Iterator[tuple[str, str, str]]:
    assert study.scores is not None
    one = study.scores.assigned[0]
    if one.weighted is not None:
        sources = {
            "mandel-paule": "Mandel & Paule (1970)",
            "dersimonian-laird": "DerSimonian & Laird (1986)",
            "reml": "Viechtbauer (2005)",
        }
        name = one.weighted.method.value
        yield "assigned value", f"weighted mean, between-laboratory variance by {name}", sources[name]
    elif "robust" in one.assigned.basis.value:
        yield "assigned value", "Algorithm A; u = 1.25 s* / √p", "ISO 13528:2022, 7.7 and C.3"


def numbers(study: RoundStudy) -> tuple[tuple[str, float | None], ...]:
    """Key figures by name for programs."""
    found: list[tuple[str, float | None]] = []
    for one in study.analysis.levels:
        for name in ("mean", "s_r", "s_L", "s_R"):
            found.append((f"{one.level}: {name}", getattr(one.precision, name, None)))
        if one.log.set_aside:
            for name in ("s_r", "s_L", "s_R"):
                found.append((f"{one.level}: {name} with exclusion", getattr(one.excluded, name, None)))
    for level, drift in study.drifts.items():
        found.append((f"{level}: drift per run", None if drift.drift is None else drift.drift.slope))
    if study.scores is not None:
        found += [(f"{one.level}: assigned value", one.assigned.value) for one in study.scores.assigned]
        found += [(f"{s.laboratory}, {s.level}: score", s.judged) for s in study.scores.scores]
    return tuple(found)
