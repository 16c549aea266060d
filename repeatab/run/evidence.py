"""What reading found, put into an outcome; where a finding forbids a verdict, none is left.

In: an Outcome and the Results it was made of.  Out: the Outcome with findings, provenance and versions.
"""

from __future__ import annotations

import platform
from collections.abc import Iterable
from dataclasses import replace
from importlib import metadata
from typing import TYPE_CHECKING, TypeVar

from repeatab import __version__
from repeatab.base.notes import Note, NoteKind
from repeatab.intake.results import Results
from repeatab.outcome.outcome import DataFinding, NextRuns, Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict
from repeatab.study.loading import Study

if TYPE_CHECKING:
    pass

_T = TypeVar("_T")

LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "pingouin", "narwhals")
"""The libraries whose version can change a digit."""


def with_evidence_of_input(outcome: Outcome, study: Study, runs: Results) -> Outcome:
    """Add what reading found, detected and left out, and what is needed to get the same numbers again."""
    excluded = [Note(kind=NoteKind.EXCLUDED, text=f"Left out: {entry}.") for entry in runs.excluded]
    detected = [Note(kind=NoteKind.INPUT, text=f"{sentence}.") for sentence in runs.detected]
    return replace(
        outcome,
        findings=_each_once([*runs.findings, *outcome.findings]),
        notes=_each_once([*outcome.notes, *excluded, *detected]),
        provenance=Provenance(
            inputs=runs.inputs,
            settings=(*study.settings, ("study file", study.file), ("study file sha256", study.sha256)),
            seed=study.question.seed,
            versions=versions(),
            as_of=study.as_of,
        ),
    )


def versions() -> tuple[tuple[str, str], ...]:
    """The versions of this package, Python and the libraries that make the numbers."""
    libraries = tuple((name, metadata.version(name)) for name in LIBRARIES)
    return (("repeatab", __version__), ("python", platform.python_version()), *libraries)


def _each_once(items: Iterable[_T]) -> tuple[_T, ...]:
    return tuple(dict.fromkeys(items))


def hold_back(outcome: Outcome) -> Outcome:
    """Where a finding forbids a verdict, every verdict becomes undecided, whatever the numbers say."""
    blocking = [finding for finding in outcome.findings if finding.blocks]
    if not blocking:
        return outcome
    reason = _reason(blocking)
    return replace(
        outcome,
        headline=_undecided(outcome.headline, reason),
        judgements=tuple(_undecided(judgement, reason) for judgement in outcome.judgements),
        evidence=(reason, *outcome.evidence),
        next_runs=NextRuns(
            sentence="No new runs: put the data right first, then run the study again. More runs do not help "
            "while results that were formed differently stand side by side."
        ),
    )


def _reason(blocking: list[DataFinding]) -> str:
    texts = " ".join(dict.fromkeys(finding.text for finding in blocking))
    return f"The data allow no verdict: {texts}"


def _undecided(judgement: Judgement, reason: str) -> Judgement:
    if judgement.verdict is Verdict.DESCRIBED:
        return judgement
    return replace(judgement, verdict=Verdict.UNDECIDED, qualifier=Qualifier.NONE, reason=reason)
