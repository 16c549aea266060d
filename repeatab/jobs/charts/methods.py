"""Methods of a control study: how each quantity was computed and where that is published.

In: the question and what is plotted.  Out: method notes.
"""

from __future__ import annotations

from repeatab.jobs.charts.question import ControlChart, Plotted
from repeatab.jobs.charts.words import PLOTTED_WORDS
from repeatab.outcome.outcome import MethodNote

_ALWAYS = (
    MethodNote(
        quantity="run lengths",
        method="Markov chain or integral equation, zero state, both sides, limits taken as known; of residuals with "
        "the whole shift in the first point and one less the carry-over of it in the later ones",
        source="Champ & Woodall (1987), Technometrics 29, 393-399; Crowder (1987); Lucas & Crosier (1982); Wardell, "
        "Moskowitz & Plante (1994), Technometrics 36, 3-17",
    ),
    MethodNote(
        quantity="estimated limits",
        method="run lengths averaged over the distribution of the estimated centre and standard deviation",
        source="Quesenberry (1993), J. Quality Technology 25, 237-247",
    ),
    MethodNote(
        quantity="beginning of a change",
        method="maximum likelihood for a step and for a drift, since the base period or the last closed signal; range "
        "of all beginnings that the data do not rule out",
        source="Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 521-527; Siegmund (1988)",
    ),
    MethodNote(
        quantity="beginning of a change of scatter",
        method="maximum likelihood for one step of the variance within visits, with that of the base period; range and "
        "limits of all steps that the data do not rule out. Scatter that grows slowly may have begun before the range",
        source="Samuel, Pignatiello & Calvin (1998), Quality Engineering 10, 529-538; Siegmund (1988)",
    ),
    MethodNote(
        quantity="neighbouring visits",
        method="lag-one correlation with its exact distribution; first-order model and its residuals where it matters",
        source="Imhof (1961), Biometrika 48, 419-426; Alwan & Roberts (1988)",
    ),
)
_ROBUST = "; centre and covariance from medians and pairs of sections (Maronna & Zamar 2002), their limits simulated"


def methods(question: ControlChart, plotted: Plotted) -> tuple[MethodNote, ...]:
    """How the numbers were formed, for those that were formed."""
    points = MethodNote(
        quantity="points and limits",
        method=f"{PLOTTED_WORDS[plotted]}; limits at {question.shewhart.limit:g} standard deviations; below 20 base "
        "visits prediction limits that keep the false-alarm rate",
        source="ISO 7870-2:2013; Hahn & Meeker (1991), Statistical Intervals, 4.7; NIST/SEMATECH e-Handbook 2.3.5",
    )
    return (points, *_ALWAYS, *_of_chosen_charts(question))


def _of_chosen_charts(question: ControlChart) -> list[MethodNote]:
    """Those of the charts that the laboratory chose beside the limits."""
    found = []
    if question.shewhart.rules:
        found.append(
            MethodNote(
                quantity="run rules",
                method="; ".join(str(rule) for rule in question.shewhart.rules),
                source="Champ & Woodall (1987), Technometrics 29, 393-399; Nelson (1984), J. Quality Technology 16, "
                "237-239",
            )
        )
    if question.ewma is not None:
        source = "ISO 7870-6; Roberts (1959), Technometrics 1, 239-250"
        found.append(MethodNote(quantity="moving average", method=str(question.ewma), source=source))
    if question.cusum is not None:
        source = "ISO 7870-4; Page (1954), Biometrika 41, 100-115"
        found.append(MethodNote(quantity="cumulative sums", method=str(question.cusum), source=source))
    if question.joint is not None:
        found.append(_joint(question))
    return found


def _joint(question: ControlChart) -> MethodNote:
    return MethodNote(
        quantity="sections together",
        method=f"T² of the visit means, limits for base and new visits{_ROBUST if question.robust else ''}; driving "
        "sections: the fewest without which the others are within their limit",
        source="Tracy, Young & Mason (1992), J. Quality Technology 24, 88-95; Mason, Tracy & Young (1995); Lowry et "
        "al. (1992); ISO 7870-7:2020",
    )
