"""Sentences of a two-level comparison: each verdict with the numbers that defend it.

In: compared sections.  Out: judgements, sentences and method notes.
"""

from __future__ import annotations

from collections.abc import Mapping

from repeatab.base.quantity import Quantity
from repeatab.jobs.comparison_layout import SetUse
from repeatab.jobs.level_comparison import LevelComparison, SectionComparison
from repeatab.jobs.level_scatter import LevelScatter
from repeatab.jobs.level_tables import PERCENT, shown_as
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import enumerated, percent, result
from repeatab.outcome.outcome import MethodNote
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict


def judgement_of(part: SectionComparison, comparison: LevelComparison, quantity: Quantity) -> Judgement:
    """The verdict on one section with the reason in plain words."""
    if part.trouble is not None:
        return Judgement(
            subject=part.section.name, verdict=Verdict.UNDECIDED, decides=part.section.decides,
            reason=f"Not compared: {part.trouble}",
        )  # fmt: skip
    return Judgement(
        subject=part.section.name,
        verdict=part.verdict,
        qualifier=part.qualifier,
        decides=part.section.decides,
        reason=_reason(part, comparison, quantity),
    )


def _reason(part: SectionComparison, comparison: LevelComparison, quantity: Quantity) -> str:
    shown = shown_as(part, comparison.analysis, quantity)
    how = comparison.how
    in_percent = shown.unit == PERCENT

    def span(low: float, high: float) -> str:
        texts = [
            percent(shown.value(v), sign=True).removesuffix(" %") if in_percent else result(v, sign=True)
            for v in (low, high)
        ]
        return f"{texts[0]} to {texts[1]}{' %' if in_percent else ''}"

    offset = (
        percent(shown.value(part.estimate), sign=True) if in_percent else result(part.estimate, sign=True)
    )
    start = f"{how.a} reads {offset} against {how.b}"
    c = comparison.confidence
    outer = f"{100 * (1 - part.alpha):.4g} % interval {span(part.lower, part.upper)}"
    inner = f"{100 * (2 * c - 1):.4g} % interval {span(part.inner_lower, part.inner_upper)}"
    margin = "no margin" if part.section.margin is None else f"margin {part.section.margin}"
    if part.qualifier is Qualifier.CONFOUNDED:
        return f"{start} ({outer}), but the difference is mixed with another effect, so it decides nothing."
    if part.verdict is Verdict.EQUIVALENT:
        tail = (
            ""
            if part.qualifier is Qualifier.NONE
            else "; a difference is detectable, but too small to matter"
        )
        return f"{start}; the {inner} lies inside the {margin}{tail}."
    if part.verdict is Verdict.DIFFERENT:
        beyond = part.qualifier is Qualifier.IT_MATTERS
        where = "and all of it lies beyond the" if beyond else "but it does not lie wholly beyond the"
        return f"{start}; the {outer} excludes no difference, {where} {margin}."
    if part.section.margin is None:
        return f"{start}; the {outer} includes no difference, and there is no margin to show equivalence against."
    return f"{start}; the {outer} includes no difference, and the {inner} reaches out of the {margin}."


def scatter_sentence(
    scatter: Mapping[str, LevelScatter], a: str, b: str, confidence: float
) -> tuple[str, ...]:
    """One sentence on whether one of the two repeats worse."""
    known = {name: found for name, found in scatter.items() if found.ratio is not None}
    if not known:
        return ()
    clear = []
    for name, found in known.items():
        assert found.ratio is not None
        if found.ratio.interval.excludes(1.0):
            worse = a if found.ratio.ratio > 1 else b
            clear.append(f"{name} (SD of {a} {found.ratio.ratio:.2f} times that of {b}, {worse} worse)")
    source = next(iter(known.values())).source
    if clear:
        return (
            f"The scatter ({source}) differs between the rigs in {enumerated(clear)}, section by section.",
        )
    widest = max(known.values(), key=lambda f: f.ratio.interval.upper if f.ratio else 0.0)
    assert widest.ratio is not None
    return (
        f"No section shows one rig repeating worse ({source}); with so few sets a ratio of standard deviations up "
        f"to {widest.ratio.interval.upper:.1f} is still compatible ({confidence:.0%}).",
    )


def methods_of(comparison: LevelComparison, *, planned: bool) -> tuple[MethodNote, ...]:
    """How the numbers were formed."""
    how = comparison.how
    beside = {
        SetUse.SPLIT: MethodNote(
            quantity="offset, scatter taken rig by rig",
            method="each rig fitted alone, degrees of freedom combined",
            source="Welch (1947), Biometrika 34, 28-35",
        ),
        SetUse.SAME: MethodNote(
            quantity="offset, scatter of per-set differences",
            method="differences within sets with the order of the two runs as an effect",
            source="Grizzle (1965), Biometrics 21, 467-480",
        ),
        SetUse.MIXTURE: MethodNote(
            quantity="offset, without pooling the scatter",
            method="per-set differences and rig-by-rig means, weighted by the design",
            source="Welch (1947), Biometrika 34, 28-35; Grizzle (1965), Biometrics 21, 467-480",
        ),
    }[how.use]
    notes = [
        MethodNote(
            quantity="offset, pooled scatter",
            method="REML on cells with Kenward-Roger standard errors and degrees of freedom; components at zero "
            "stay in",
            source="Kenward & Roger (1997), Biometrics 53, 983-997",
        ),
        beside,
        MethodNote(
            quantity="equivalence",
            method=f"two one-sided tests, each at {1 - comparison.confidence:.0%}; percent margins as tests on "
            "mean - ratio × mean, never on a margin computed from an estimated mean",
            source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680",
        ),
        MethodNote(
            quantity="several sections",
            method="difference claims and their intervals by Holm's steps over the deciding sections; equivalence of "
            "a single section is an individual claim, equivalence of all needs no adjustment",
            source="Holm (1979), Scand. J. Statist. 6, 65-70",
        ),
        MethodNote(
            quantity="ratio of standard deviations",
            method="exact F for different sets; Pitman-Morgan for the same sets on both rigs",
            source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19",
        ),
    ]
    if any(p.bounds is not None and p.bounds.of_ratio for p in comparison.sections):
        notes.append(
            MethodNote(
                quantity="limits of a ratio",
                method="ratios at which mean - ratio × mean leaves its t interval",
                source="Fieller (1954), J. R. Stat. Soc. B 16, 175-185",
            )
        )
    if comparison.analysis is Analysis.RATIO:
        notes.append(
            MethodNote(
                quantity="analysis",
                method="on logarithms: effects are ratios, scatter is in percent",
                source="common practice, no source",
            )  # fmt: skip
        )
    if planned:
        notes.append(
            MethodNote(
                quantity="what to run next",
                method="simulated through the estimators and rules of this check, at no difference and at the "
                "observed one, at the estimated scatter and at its upper limit",
                source="simulation, no source",
            )
        )
    return tuple(notes)
