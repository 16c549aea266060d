"""The notes and methods of a gauge study.

In: judged sections, data and checks.  Out: notes (what the analysis noticed and what would mend it) and
methods (how each quantity was made and where that is published).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy import special

from repeatab.base.interval import IntervalMethod
from repeatab.base.notes import Note, NoteKind
from repeatab.jobs.gauge.checks import ERROR_RATE, GaugeChecks
from repeatab.jobs.gauge.data import OPERATOR, RIG, GaugeData
from repeatab.jobs.gauge.fit import SectionFit, mixture_sentences
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.gauge.words import WORDS
from repeatab.jobs.questions import GaugeStudy
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.outcome import MethodNote

_FEW = 5


def notes(
    sections: Sequence[GaugedSection],
    question: GaugeStudy,
    data: GaugeData,
    fits: dict[str, SectionFit],
    checks: GaugeChecks,
) -> tuple[Note, ...]:
    """What the analysis noticed."""
    found = [*_few_levels(data)]
    for section in sections:
        found += _zero_components(section)
        if section.capability is not None and section.capability.upper_bound:
            found.append(
                Note(kind=NoteKind.UPPER_BOUND, sources=(section.name,),
                     text=f"{section.name}: R&R holds scatter of the pad sets and is an upper bound.",
                     remedy="Run at least two pad sets twice on the same rig.")
            )  # fmt: skip
    for fit in fits.values():
        if fit.part is not None:
            found += [
                Note(kind=NoteKind.MIXED_TOGETHER, sources=names, text=text, remedy=remedy)
                for names, text, remedy in mixture_sentences(fit.part.layout)
            ]
            found += [note for note in fit.part.layout.notes() if len(note.sources) == 1]
    found += _assumptions(checks, question)
    return tuple({str(note): note for note in found}.values())


def _few_levels(data: GaugeData) -> list[Note]:
    found = []
    for name in (RIG, OPERATOR):
        count = data.levels(name)
        if name not in data.factors or count >= _FEW:
            continue
        df = count - 1
        low, high = (math.sqrt(df / float(special.chdtri(df, tail))) for tail in (0.025, 0.975))
        found.append(
            Note(kind=NoteKind.FEW_LEVELS, sources=(name,),
                 text=f"{count} {WORDS[name]}s give the scatter between {WORDS[name]}s {plural(df, 'degree')} of "
                 f"freedom: even without any other scatter the true standard deviation may lie anywhere from {low:.2f} "
                 f"to {high:.1f} times the estimate (95 %).",
                 remedy=f"More runs on the same {WORDS[name]}s do not change that; more {WORDS[name]}s do.")
        )  # fmt: skip
    return found


def _zero_components(section: GaugedSection) -> list[Note]:
    found = section.capability
    if found is None:
        return []
    zero = [source.name for source, raw in zip(found.sources, found.raw, strict=True) if raw <= 0]
    if not zero:
        return []
    negative = " (negative in the analysis of variance)" if min(found.raw) < 0 else ""
    return [
        Note(
            kind=NoteKind.ZERO_COMPONENT,
            sources=(section.name, *zero),
            text=f"{section.name}: the scatter of {enumerated(zero)} is estimated at zero{negative}; the other "
            "components are estimated with it held there, and it stays in the intervals.",
        )
    ]


def _assumptions(checks: GaugeChecks, question: GaugeStudy) -> list[Note]:
    found = []
    grows = [name for name, level in checks.levels.items() if level.grows]
    if grows:
        found.append(
            Note(kind=NoteKind.ASSUMPTION, sources=tuple(grows),
                 text=f"The scatter of repeats grows with the level in {enumerated(grows)}.",
                 remedy='A ratio analysis (analysis = "ratio") is called for.')
        )  # fmt: skip
    elif checks.levels:
        found.append(
            Note(kind=NoteKind.ASSUMPTION, sources=tuple(checks.levels),
                 text="The scatter of repeats does not grow with the level in any section, so a ratio analysis is not "
                 "called for.")
        )  # fmt: skip
    odd = [name for name, p in checks.normality_p.items() if p < ERROR_RATE]
    if odd:
        found.append(
            Note(kind=NoteKind.ASSUMPTION, sources=tuple(odd),
                 text=f"The repeats in {enumerated(odd)} do not look normally distributed; the limits of standard "
                 "deviations lean on that more than means do.",
                 remedy="Look for single runs far from their repeats.")
        )  # fmt: skip
    unequal = [name for name, rigs in checks.rigs.items() if rigs.unequal]
    if unequal:
        found.append(
            Note(kind=NoteKind.UNEQUAL_SCATTER, sources=tuple(unequal),
                 text=f"The rigs do not repeat alike in {enumerated(unequal)}; one pooled repeatability understates "
                 "the worst rig, and the verdict has to hold with that rig's own.",
                 remedy="Look into the rig that scatters most before more runs are made.")
        )  # fmt: skip
    worn = [name for name, trend in checks.trends.items() if trend.found]
    if worn:
        found.append(
            Note(kind=NoteKind.WEAR, sources=tuple(worn),
                 text=f"The sets change from run to run in {enumerated(worn)}.",
                 remedy=_wear_remedy(question))
        )  # fmt: skip
    return found


def _wear_remedy(question: GaugeStudy) -> str:
    if question.remove_wear:
        return "It is taken out before the components are estimated."
    return "Take the trend out (remove_wear = true), or use sets that are run in."


_COMPONENTS = MethodNote(
    quantity="components of scatter",
    method="analysis of variance with expected mean squares where a section's layout is balanced (REML where that "
    "gives a negative component), REML elsewhere; rigs, operators, pad lots and pad sets are random",
    source="Searle, Casella & McCulloch (1992), Variance Components",
)
_BALANCED = MethodNote(
    quantity="intervals, balanced sections",
    method="exact chi-square for one mean square, modified large-sample for sums, generalised pivotal for ratios",
    source="Graybill & Wang (1980), JASA 75, 869-873; Ting et al. (1990), J. Stat. Comput. Simul. 35, 135-143; "
    "Hamada & Weerahandi (2000), J. Qual. Technol. 32, 241-253",
)
_UNBALANCED = MethodNote(
    quantity="intervals, unbalanced sections",
    method="exact chi-square for repeatability; modified large-sample on weighted mean squares of the adjusted terms "
    "for sums; generalised pivotal for other components and for ratios: Wald's pivots of the adjusted terms, solved "
    "from the finest to the coarsest",
    source="Thomas & Hultquist (1978), Ann. Statist. 6, 582-587; Ting et al. (1990), J. Stat. Comput. Simul. 35, "
    "135-143; Wald (1940), Ann. Math. Statist. 11, 96-100; Weerahandi (1993), JASA 88, 899-905; Burdick, Borror & "
    "Montgomery (2005), Design and Analysis of Gauge R&R Studies, SIAM",
)
_ASSUMED = MethodNote(
    quantity="what these intervals assume",
    method="normally distributed scatter. In simulated studies a 95 % interval of repeatability held the true value "
    "in 88 to 90 % with skewed or heavy-tailed runs and in 80 % where one run in twenty scattered four times "
    "as widely, one of R&R in 90 to 94 %: look at single runs far from their repeats before the limits are "
    "relied on",
    source="simulation (tests/assurance/not_normal.md)",
)
_CORRELATION = MethodNote(
    quantity="intraclass correlation",
    method="pad-set variance over total variance, from the components",
    source="Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428",
)
_PROCESS = MethodNote(
    quantity="measuring system and measurement process",
    method="Q = 2 U / tolerance with U = 2 u; C_MS = 0.3 tolerance / (6 u_MS); C_MP = 0.3 tolerance / (3 u_MP)",
    source="ISO 22514-7:2012 and 2021 (from memory)",
)
_BARTLETT = MethodNote(
    quantity="scatter by rig",
    method="Bartlett's test on the sums of squares of repeats, p over all sections by Holm",
    source="Bartlett (1937), Proc. R. Soc. A 160, 268-282; Holm (1979), Scand. J. Statist. 6, 65-70",
)


def methods(
    sections: Sequence[GaugedSection], question: GaugeStudy, data: GaugeData, checks: GaugeChecks
) -> tuple[MethodNote, ...]:
    """How the numbers were made, with sources; only what was used."""
    used = {
        scatter.interval.method
        for section in sections
        if section.capability is not None
        for scatter in (section.capability.grr, section.capability.total)
        if scatter.interval is not None
    }
    bands = MethodNote(
        quantity="R&R, distinct categories, bands",
        method=f"ratios of standard deviations; {question.multiplier:g} standard deviations make a spread; categories "
        "= 1.41 PV / R&R, truncated. The verdict uses the interval, not the estimate alone",
        source="automotive measurement-systems handbook, 4th edition (2010), chapters II and III (from memory)",
    )
    trend = MethodNote(
        quantity="trend within sets",
        method=f"slope on {data.order_source}, less the set's mean, with Kenward-Roger degrees of freedom; p over all "
        "sections by Holm",
        source="Kenward & Roger (1997), Biometrics 53, 983-997; Holm (1979), Scand. J. Statist. 6, 65-70",
    )
    wanted = (
        (_COMPONENTS, True),
        (_BALANCED, bool(used & {IntervalMethod.CHI_SQUARE, IntervalMethod.MODIFIED_LARGE_SAMPLE})),
        (_UNBALANCED, bool(used & {IntervalMethod.GENERALISED, IntervalMethod.WEIGHTED_MEAN_SQUARES})),
        (_ASSUMED, bool(used)),
        (bands, True),
        (_CORRELATION, any(s.capability is not None and s.capability.agreement for s in sections)),
        (_PROCESS, any(section.process is not None for section in sections)),
        (trend, bool(checks.trends)),
        (_BARTLETT, bool(checks.rigs)),
    )
    return tuple(note for note, applies in wanted if applies)
