"""Methods of a correlation check that a comparison of levels does not have: what was formed beside the offsets.

In: CorrelationFindings.  Out: method notes.
"""

from __future__ import annotations

from repeatab.jobs.correlation.overall import SectionPattern
from repeatab.jobs.correlation.study import CorrelationFindings
from repeatab.jobs.levels.layout import SetUse
from repeatab.jobs.levels.look_plans import looks_method
from repeatab.outcome.outcome import MethodNote

_OVERALL = MethodNote(
    quantity="overall offset",
    method="one value per set (the mean over its deciding sections, which weigh alike), then compared like one section",
    source="common practice, no source",
)
_DAYS = MethodNote(
    quantity="what the verdict is about",
    method="the rigs as they ran on these days. Ordinary drift from visit to visit is part of the offset: where it "
    "is a fifth of the scatter of single sets and all sets ran in one visit, rigs that agree in the long run "
    "are called different in 8 % (sets of their own) to 13 % (shared sets) instead of 5 %; sets spread over "
    "four visits or more bring that down to 5 to 6 %",
    source="simulation (tests/assurance/visit_drift.md)",
)
_LINE = MethodNote(
    quantity="shift or gain",
    method="straight line with errors on both rigs, error ratio from the sets; whole sets left out and drawn",
    source="York et al. (2004), Am. J. Phys. 72, 367-375; Efron & Tibshirani (1993), An Introduction to the Bootstrap",
)
_AGREEMENT = MethodNote(
    quantity="limits of agreement, concordance",
    method="mean difference ± 1.96 SD with exact intervals; Lin's coefficient, its interval the wider of a studentised "
    "bootstrap and a generalised pivot",
    source="Bland & Altman (1986), Lancet 327, 307-310; Owen (1968), Technometrics 10, 445-478; Lin (1989), "
    "Biometrics 45, 255-268; Hall (1988), Ann. Statist. 16, 927-953; Weerahandi (1993), JASA 88, 899-905",
)
_POOLED = MethodNote(
    quantity="ratio of standard deviations over all sections",
    method="sums of squares of whole sets; degrees of freedom as the correlation of the sections leaves them, or t "
    "over the sets that ran on both",
    source="Box (1954), Ann. Math. Stat. 25, 290-302; Fieller (1954), J. R. Stat. Soc. B 16, 175-185",
)


def extra_methods(found: CorrelationFindings) -> tuple[MethodNote, ...]:
    """How the numbers beside the offsets were formed, for those that were formed."""
    resampled = [pattern for pattern in found.patterns if pattern.interaction is not None]
    shared = any(pair.use is not SetUse.SPLIT for pair in found.comparison.how.pairs)
    return (
        _DAYS,
        *([_OVERALL] if found.overall is not None else []),
        *(_resampled(one) for one in resampled[:1]),
        *([_LINE] if any(one.found.line is not None for one in found.levels) else []),
        *([_AGREEMENT] if shared else []),
        *([_POOLED] if found.pooled else []),
        *([looks_method()] if found.look.table is not None else []),
    )


def _resampled(pattern: SectionPattern) -> MethodNote:
    interaction = pattern.interaction
    assert interaction is not None
    arrangements = "arrangements, all there are" if interaction.complete else "random ones"
    method = f"{interaction.resampling.value}, {interaction.resampled} {arrangements}"
    source = (
        "Anderson & ter Braak (2003), J. Stat. Comput. Simul. 73, 85-113; Fisher (1935), The Design of "
        "Experiments, section 21"
    )
    if pattern.sets.unequal:
        method += (
            "; unequal numbers of sets: of exchanging sets between the rigs and drawing within each rig, which need "
            "not scatter alike, the larger p counts"
        )
        source += "; Brunner, Dette & Munk (1997), JASA 92, 1494-1502"
    return MethodNote(quantity="section by rig", method=method, source=source)
