"""How each quantity of a round robin was computed and where that is published.

In: RoundStudy.  Out: method notes.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.jobs.rounds.question import SetKind
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.outcome.outcome import MethodNote

_ALWAYS = (
    (
        "s_r, s_L, s_R",
        "pooled within cells and from cell means, unequal numbers weighted",
        "ISO 5725-2:1994, 7.4",
    ),
    (
        "their intervals",
        "exact chi-square for s_r, modified large-sample for s_L and s_R; all assume normal results: in simulated "
        "rounds of 8 × 3 with skewed, heavy-tailed or contaminated results those of s_r held 75 to 87 % and of s_R "
        "82 to 93 % instead of 95 %",
        "Graybill & Wang (1980); Ting et al. (1990); Burdick & Graybill (1992)",
    ),
    ("h and k", "indicator values from Student's t and F", "ISO 5725-2:1994, 7.3.1; Wilrich (2013)"),
    (
        "outlier tests",
        "Cochran, then Grubbs for one and for two, step by step; a second branch goes on without outliers",
        "ISO 5725-2:1994, 7.3",
    ),
    (
        "robust precision",
        "Algorithm A on cell means, Algorithm S on standard deviations",
        "ISO 5725-5:1998, clause 6",
    ),
)


def methods(study: RoundStudy) -> tuple[MethodNote, ...]:
    """How each quantity was computed."""
    return tuple(
        MethodNote(quantity=quantity, method=method, source=source)
        for quantity, method, source in _methods(study)
    )


def _methods(study: RoundStudy) -> Iterator[tuple[str, str, str]]:
    yield from _ALWAYS
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
        yield from _score_methods(study)
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


def _score_methods(study: RoundStudy) -> Iterator[tuple[str, str, str]]:
    yield (
        "scores",
        "z, z′, zeta with standard, E_n with expanded (k = 2) uncertainties",
        "ISO 13528:2022, clause 9",
    )
    yield from _assigned_methods(study)


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
