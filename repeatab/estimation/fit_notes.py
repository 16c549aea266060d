"""Fit notes: what a fit noticed beside what its layout says: zeros, few levels, how the limits were formed.

In: a BlockFit.  Out: notes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from scipy import special

from repeatab.base.interval import IntervalMethod
from repeatab.base.notes import Note, NoteKind
from repeatab.estimation.block_fit import BlockFit

FEW_LEVELS = 5

_SOURCES = {
    IntervalMethod.MODIFIED_LARGE_SAMPLE: "modified large-sample (Graybill & Wang 1980; Ting et al. 1990)",
    IntervalMethod.GENERALISED: "generalised pivotal (Wald 1940; Weerahandi 1993)",
    IntervalMethod.PROFILE: "profile likelihood (Venzon & Moolgavkar 1988) at points exact for one mean square",
    IntervalMethod.CHI_SQUARE: "exact chi-square",
}


def fit_notes(part: BlockFit) -> Iterator[Note]:
    """What the fit itself noticed."""
    names = [part.layout.sources[i] for i in part.layout.estimated]
    for k, name in enumerate(names):
        if (part.variances[:, k] <= 0).any():
            yield Note(
                kind=NoteKind.ZERO_COMPONENT, sources=(name,),
                text=f"the component of {name} is estimated at zero; it stays in the degrees of freedom.",
            )  # fmt: skip
    for i in part.layout.estimated:
        yield from _few_levels(part.layout.sources[i], part.layout.random[i].size)
    yield _limits(part, names)


def _few_levels(name: str, levels: int) -> Iterator[Note]:
    if levels >= FEW_LEVELS:
        return
    df = levels - 1
    low, high = (math.sqrt(df / float(special.chdtri(df, tail))) for tail in (0.025, 0.975))
    yield Note(
        kind=NoteKind.FEW_LEVELS, sources=(name,),
        text=f"{levels} levels of {name} leave at most {df} degree{'s' if df > 1 else ''} of freedom for its scatter: "
        f"even without any other scatter the true standard deviation may lie anywhere from {low:.2f} to {high:.1f} "
        "times the estimate (95 %).",
        remedy=f"More runs on the same levels do not change that; more levels of {name} do.",
    )  # fmt: skip


def _limits(part: BlockFit, names: list[str]) -> Note:
    *random, last = part.interval_methods
    text = f"limits: {_SOURCES[last]} for {part.layout.sources[-1]}"
    if random:
        text += f", {_SOURCES[random[0]]} for the other components"
    return Note(kind=NoteKind.INTERVAL, sources=(*names, part.layout.sources[-1]), text=f"{text}.")
