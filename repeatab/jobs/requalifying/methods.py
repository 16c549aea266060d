"""Methods of a requalification: how each of its numbers was formed, with the source.

In: the design, and which parts were computed.  Out: method notes.
"""

from __future__ import annotations

from repeatab.jobs.levels.look_plans import looks_method
from repeatab.jobs.requalifying.design import MoveDesign
from repeatab.outcome.outcome import MethodNote

_WITH_CONTROLS = (
    "rig, phase and 'moved rig after the move' fixed; visit, rig × visit (ordinary drift) and pad set random; the "
    "shift is the last fixed coefficient (difference of differences)"
)
_ALONE = "phase fixed; visit (ordinary drift) and pad set random; the shift is the difference of the phases"

_ALWAYS = (
    MethodNote(
        quantity="shift, scatter taken rig by rig and phase by phase",
        method="each rig and phase with the scatter of its own sets within visits, ordinary drift added from the "
        "pooled fit, degrees of freedom combined",
        source="Welch (1947), Biometrika 34, 28-35; Satterthwaite (1946), Biometrics Bulletin 2, 110-114",
    ),
    MethodNote(
        quantity="percent margins",
        method="the shift against the level of the moved rig before, tested as level + shift - ratio × level",
        source="Fieller (1954), J. R. Stat. Soc. B 16, 175-185",
    ),
    MethodNote(
        quantity="equivalence",
        method="two one-sided tests",
        source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680",
    ),
    MethodNote(
        quantity="several sections",
        method="difference claims and their intervals by Holm's steps over the deciding sections of a question",
        source="Holm (1979), Scand. J. Statist. 6, 65-70",
    ),
    MethodNote(
        quantity="ratio of standard deviations",
        method="exact F for different sets, about the mean of each visit; Pitman-Morgan for the same sets",
        source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19",
    ),
)
_ASSUMED = MethodNote(
    quantity="what the verdicts assume",
    method="little of the shape of the scatter: in simulated studies with skewed, heavy-tailed and contaminated sets"
    " a rig that had not shifted was called shifted in 2 to 4 %. The ratio of standard deviations does assume"
    " normal scatter",
    source="simulation (tests/assurance/not_normal.md)",
)
_LOGARITHMS = MethodNote(
    quantity="analysis",
    method="on logarithms: effects are ratios, scatter is in percent",
    source="common practice, no source",
)
_PLANNED = MethodNote(
    quantity="what to run next",
    method="simulated through the estimators and rules of this job: the phase before as it was, fresh sets in further "
    "visits after",
    source="simulation, no source",
)


def methods(design: MoveDesign, *, planned: bool, looks: bool, ratio: bool) -> tuple[MethodNote, ...]:
    """How the numbers were formed."""
    return (
        MethodNote(
            quantity="shift, pooled scatter",
            method="REML on cells with Kenward-Roger standard errors and degrees of freedom: "
            f"{_WITH_CONTROLS if design.controls else _ALONE}; components at zero stay in",
            source="Kenward & Roger (1997), Biometrics 53, 983-997",
        ),
        *_ALWAYS,
        _ASSUMED,
        *([_LOGARITHMS] if ratio else []),
        *([looks_method()] if looks else []),
        *([_PLANNED] if planned else []),
    )
