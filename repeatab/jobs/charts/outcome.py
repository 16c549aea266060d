"""The outcome of a control chart: answers, sentences, tables, figures, notes and numbers.

In: question, results, what was charted.  Out: an Outcome.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.intake.events import Event
from repeatab.intake.results import Results
from repeatab.jobs.charts.charted import Charted, steps_used
from repeatab.jobs.charts.evidence_words import cannot_tell, evidence
from repeatab.jobs.charts.figures import MOST_RIGS, chart_figures
from repeatab.jobs.charts.limits import plotted_form
from repeatab.jobs.charts.methods import methods
from repeatab.jobs.charts.notes import chart_notes
from repeatab.jobs.charts.past_notes import past_notes
from repeatab.jobs.charts.past_visits import PastVisits
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.state_words import headline, next_runs, rig_judgement
from repeatab.jobs.charts.states import RigState, common_changes
from repeatab.jobs.charts.tables import chart_tables
from repeatab.jobs.charts.words import of_what
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.verdict import Verdict


def chart_outcome(
    question: ControlChart,
    results: Results | PastVisits,
    charted: Charted,
    events: Sequence[Event],
    title: str,
) -> Outcome:
    """What the charts say, from the answer to the numbers."""
    data = charted.data
    scale = Scale(analysis=question.analysis, quantity=results.quantity)
    common = common_changes(charted.states)
    steps = steps_used(charted)
    causes = [r.cause for one in charted.series.values() for r in one.regimes]
    return Outcome(
        job="control_chart",
        title=title,
        headline=headline(charted.states, common, data.visits),
        judgements=tuple(
            rig_judgement(state, data.visits[state.rig], scale, _what(state, charted))
            for state in charted.states
        ),
        evidence=evidence(question, data, charted.lengths, charted.effects, steps, common, scale),
        cannot_tell=cannot_tell(question, data, charted.wear, charted.states, causes),
        next_runs=next_runs(charted.states, question),
        tables=chart_tables(question, charted, steps, scale),
        figures=chart_figures(question, charted, events, scale),
        notes=(
            *chart_notes(question, data, charted.series, charted.watched, charted.joint, events, MOST_RIGS, scale),
            *past_notes(charted, scale),
        ),
        findings=results.findings,
        methods=methods(question, plotted_form(question, data)),
        numbers=_numbers(charted, scale),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )  # fmt: skip


def _what(state: RigState, charted: Charted) -> str:
    one = next((one for (rig, _), one in charted.series.items() if rig == state.rig), None)
    return of_what(one, charted.data)


def _numbers(charted: Charted, scale: Scale) -> tuple[tuple[str, float | None], ...]:
    """Key figures by stable name."""
    found: list[tuple[str, float | None]] = []
    for (rig, section), regimes in charted.watched.items():
        limits = regimes[-1].limits
        if limits is None:
            continue
        shown = limits.limits
        for key, value in (("centre", shown.centre), ("lower", shown.lower), ("upper", shown.upper)):
            found.append((f"{rig}, {section}: {key}", scale.level(value)))
        found.append((f"{rig}, {section}: sd", scale.change(shown.sd)))
    for one in charted.lengths.charts:
        if one.residuals is not None:
            continue  # in control they run as the chart itself
        found.append((f"{one.words}: visits to a false alarm", one.in_control))
        found.append((f"{one.words}: months to a false alarm", charted.lengths.months(one.in_control)))
    signalling = sum(state.verdict is Verdict.SIGNAL for state in charted.states)
    found.append(("rigs that signal", float(signalling)))
    return tuple(found)
