"""How the numbers of a comparison of levels were formed, and where each method is published.

In: a LevelComparison.  Out: method notes, in the order in which the page prints them.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.base.interval import IntervalMethod
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.layout import SetUse
from repeatab.jobs.levels.tables import level_text
from repeatab.jobs.questions import Analysis
from repeatab.outcome.outcome import MethodNote

_POOLED = MethodNote(
    quantity="offset, pooled scatter",
    method="REML on cells with Kenward-Roger standard errors and degrees of freedom; components at zero stay in",
    source="Kenward & Roger (1997), Biometrics 53, 983-997",
)
_FEW_SETS = MethodNote(
    quantity="offset, with two sets on one side",
    method="as with each side fitted alone, at the harmonic mean of Welch's degrees of freedom and those of the "
    "smaller side",
    source="in the manner of Cochran (1964), Biometrics 20, 191-195; error rates by simulation",
)
_SECTIONS = MethodNote(
    quantity="several sections",
    method="difference claims and their intervals by Holm's steps over the deciding sections; equivalence of a single "
    "section is an individual claim, equivalence of all needs no adjustment",
    source="Holm (1979), Scand. J. Statist. 6, 65-70",
)
_SCATTER = MethodNote(
    quantity="ratio of standard deviations",
    method="exact F for different sets; Pitman-Morgan for the same sets at both levels",
    source="Pitman (1939) and Morgan (1939), Biometrika 31, 9-12 and 13-19",
)
_RATIO_LIMITS = MethodNote(
    quantity="limits of a ratio",
    method="ratios at which mean - ratio × mean leaves its t interval",
    source="Fieller (1954), J. R. Stat. Soc. B 16, 175-185",
)
_LOGARITHMS = MethodNote(
    quantity="analysis",
    method="on logarithms: effects are ratios, scatter is in percent",
    source="common practice, no source",
)
_ASSUMED = MethodNote(
    quantity="what the verdicts assume",
    method="little of the shape of the scatter: in simulated studies with skewed, heavy-tailed and contaminated "
    "runs, and with one side scattering twice as much, wrong verdicts stayed at the promised rate or below. "
    "Limits of standard deviations, of their ratios and of agreement do assume normal scatter: with heavy "
    "tails a 95 % limit may hold 75 to 90 %",
    source="simulation (tests/assurance/not_normal.md)",
)
_PAIRS = MethodNote(
    quantity="several pairs",
    method="within a section, the multivariate t distribution of the contrasts at the smallest Kenward-Roger degrees "
    "of freedom",
    source="Hothorn, Bretz & Westfall (2008), Biometrical J. 50, 346-363",
)
_PLANNED = MethodNote(
    quantity="what to run next",
    method="simulated through the estimators and rules of this check, at no difference and at the observed one, at "
    "the estimated scatter and at its upper limit",
    source="simulation, no source",
)


def methods_of(comparison: LevelComparison, *, planned: bool) -> tuple[MethodNote, ...]:
    """How the numbers were formed."""
    return tuple(_methods(comparison, planned=planned))


def _methods(comparison: LevelComparison, *, planned: bool) -> Iterator[MethodNote]:
    yield _POOLED
    for use in dict.fromkeys(pair.use for pair in comparison.how.pairs):
        yield _own_scatter(use, comparison.how.factor_name)
    if any(view.method is IntervalMethod.FEW_SETS for claim in comparison.compared for view in claim.views):
        yield _FEW_SETS
    yield MethodNote(
        quantity="equivalence",
        method=f"two one-sided tests, each at {level_text(comparison.rates.equivalence)}; percent margins as tests on "
        "mean - ratio × mean, never on a margin computed from an estimated mean",
        source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657-680",
    )
    yield _SECTIONS
    yield _SCATTER
    if any(claim.bounds is not None and claim.bounds.of_ratio for claim in comparison.claims):
        yield _RATIO_LIMITS
    if comparison.analysis is Analysis.RATIO:
        yield _LOGARITHMS
    if len(comparison.how.pairs) > 1:
        yield _PAIRS
    yield _ASSUMED
    if planned:
        yield _PLANNED


def _own_scatter(use: SetUse, factor: str) -> MethodNote:
    """The view that takes each pair's scatter from its own sets."""
    match use:
        case SetUse.SPLIT:
            return MethodNote(
                quantity=f"offset, scatter taken {factor} by {factor}",
                method=f"each {factor} fitted alone, degrees of freedom combined",
                source="Welch (1947), Biometrika 34, 28-35",
            )
        case SetUse.SAME:
            return MethodNote(
                quantity="offset, scatter of per-set differences",
                method="differences within sets with the order of the two runs as an effect",
                source="Grizzle (1965), Biometrics 21, 467-480",
            )
        case SetUse.MIXTURE:
            return MethodNote(
                quantity="offset, without pooling the scatter",
                method=f"per-set differences and means of each {factor}, weighted by their information in the pooled "
                "fit",
                source="Welch (1947), Biometrika 34, 28-35; Grizzle (1965), Biometrics 21, 467-480; Graybill & Deal "
                "(1959), Biometrics 15, 543-550",
            )
