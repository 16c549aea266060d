"""Control charts on reference pads: is each rig still what it was?

In: run results of reference visits, events, and a ControlChart question.  Out: an Outcome: the state of every rig.
A signal says that something changed, not that the rig reads wrong; its name says what it may be a change of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from repeatab.base.errors import EstimationError, StudyError, listed, nearest
from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.scatter import ScatterMethod
from repeatab.intake.events import Event
from repeatab.intake.results import Results
from repeatab.jobs.charts import tables, words
from repeatab.jobs.charts.data import ReferenceData, reference_data
from repeatab.jobs.charts.figures import MOST_RIGS, chart_figures
from repeatab.jobs.charts.joint import JointRegime, watch_jointly
from repeatab.jobs.charts.lengths import ChartLengths, LimitEffect, effects_of, lengths_of
from repeatab.jobs.charts.limits import plotted_form
from repeatab.jobs.charts.links import Links, Step, links_of
from repeatab.jobs.charts.methods import methods
from repeatab.jobs.charts.notes import chart_notes
from repeatab.jobs.charts.past_visits import PastVisits
from repeatab.jobs.charts.question import (
    BasePeriod,
    ChartedSection,
    ControlChart,
    JointWatch,
    Plotted,
    Reference,
    Residuals,
    StatedLimits,
)
from repeatab.jobs.charts.series import Series, series_of
from repeatab.jobs.charts.states import RigState, common_changes, states_of
from repeatab.jobs.charts.watch import ChartSignal, Watched, watch
from repeatab.jobs.charts.wear import Wear, wear_of
from repeatab.jobs.questions import Analysis
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.verdict import Verdict

Key = tuple[str, str]
_STEPS = 4
_SECTION = "result"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Charted:
    """Everything the report is made of."""

    data: ReferenceData
    links: Links
    wear: Mapping[Key, Wear]
    series: Mapping[Key, Series]
    watched: Mapping[Key, tuple[Watched, ...]]
    joint: Mapping[str, tuple[JointRegime, ...]]
    signals: tuple[ChartSignal, ...]
    states: tuple[RigState, ...]
    lengths: ChartLengths
    effects: tuple[LimitEffect, ...]


def run_control_chart(
    question: ControlChart,
    results: Results | PastVisits,
    *,
    events: Sequence[Event] = (),
    title: str = "Control chart",
    progress: Progress = silent,
) -> Outcome:
    """Chart the reference results of every rig and say what state it is in.

    Parameters
    ----------
    results : run results, one row per run and section, with the visit or the time of each run; rig, pad lot and pad
        set where they are recorded. Or fresh sets of a lot, reduced by visit already, where ratios are not analysed and
        no range is charted.
    events : what happened to rigs and reference; some kinds restart the limits, some close signals.

    Raises
    ------
    StudyError
        A rig or section of the question is not in the results, limits are stated for some only, or the base period
        lies after the results that are to be judged.
    InputError
        The runs have no order, or no result is left.
    EstimationError
        No rig has limits; the message gives the reason of the first.
    """
    data = reference_data(question, results)
    _refuse_unstated(question, data)
    progress("linking references", 1, _STEPS)
    wear = wear_of(data, question.base) if question.reference is Reference.SET else {}
    links = links_of(_unworn(data, wear))
    series = series_of(question, data, links, wear, events)
    _refuse_base_at_the_end(question, series)
    progress("charting", 2, _STEPS)
    watched: dict[Key, tuple[Watched, ...]] = {}
    signals: list[ChartSignal] = []
    for key, one in series.items():
        watched[key], given = watch(question, data, one, events)
        signals += given
    _refuse_nothing(watched)
    joint: dict[str, tuple[JointRegime, ...]] = {}
    for rig in data.rigs if question.joint is not None else ():
        mine = {section: one for (r, section), one in series.items() if r == rig}
        own = {section: one for (r, section), one in watched.items() if r == rig}
        joint[rig], given = watch_jointly(question, rig, mine, own, data.visits[rig], events)
        signals += given
    progress("run lengths", 3, _STEPS)
    charted = _Charted(
        data=data, links=links, wear=wear, series=series, watched=watched, joint=joint, signals=tuple(signals),
        states=states_of(question, data.rigs, watched, joint, signals),
        lengths=lengths_of(
            question, visits_per_month=data.visits_per_month, nominal_ratio=_scatter_charted(question, data)
        ),
        effects=effects_of(question, _in_use(series, watched)),
    )  # fmt: skip
    return _outcome(question, results, charted, events, title)


def control_chart(
    data: Any,
    *,
    base: BasePeriod | None = None,
    rigs: tuple[str, ...] = (),
    result: str = "result",
    rig: str | None = "rig",
    section: str | None = None,
    visit: str | None = None,
    time: str | None = None,
    pad_lot: str | None = None,
    pad_set: str | None = None,
    events: Iterable[Event] | Any = (),
    reference: Reference = Reference.LOT,
    plotted: Plotted | None = None,
    shewhart: Shewhart | None = None,
    ewma: Ewma | None = None,
    cusum: Cusum | None = None,
    joint: JointWatch | None = None,
    shift: float = 1.0,
    scatter: ScatterMethod = ScatterMethod.MOVING_RANGE,
    robust: bool = False,
    screening: bool = False,
    residuals: Residuals = Residuals.WHEN_NEEDED,
    limits: tuple[StatedLimits, ...] = (),
    restart_at: tuple[str, ...] | None = None,
    inform: tuple[str, ...] = (),
    confidence: float = 0.95,
    analysis: Analysis = Analysis.DIFFERENCE,
    quantity: Quantity = FRICTION,
) -> Outcome:
    """Chart reference results from a dataframe or Results: the control chart from Python.

    Parameters
    ----------
    data : Results, or a dataframe with one row per run (and section).
    base : the base period; None only where `limits` states all limits.
    result, rig, section, visit, time, pad_lot, pad_set : column names of a dataframe; visit or time is needed.
    events : Event values, or a dataframe with columns date and kind, and perhaps rig and event.
    shewhart, ewma, cusum, joint : the charts; Shewhart with 3-sigma limits unless stated.
    inform : sections that only inform.
    Others : see ControlChart.

    Returns
    -------
    Outcome

    Raises
    ------
    StudyError, InputError, EstimationError
    """
    columns = {
        "result": result, "rig": rig, "section": section, "visit": visit, "time": time, "pad_lot": pad_lot,
        "pad_set": pad_set,
    }  # fmt: skip
    results = data if isinstance(data, Results) else _read(data, columns, quantity)
    names = results.levels("section") if "section" in results.factors else (_SECTION,)
    question = ControlChart(
        sections=tuple(ChartedSection(name=str(name), decides=str(name) not in inform) for name in names),
        base=base, rigs=rigs, reference=reference, plotted=plotted, shewhart=shewhart or Shewhart(), ewma=ewma,
        cusum=cusum, joint=joint, shift=shift, scatter=scatter, robust=robust, screening=screening,
        residuals=residuals, limits=limits, confidence=confidence, analysis=analysis,
    )  # fmt: skip
    if restart_at is not None:
        question = replace(question, restart_at=restart_at)
    return run_control_chart(question, results, events=_events(events))


def _read(data: Any, columns: Mapping[str, str | None], quantity: Quantity) -> Results:
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.reading import read_results

    named = {role: column for role, column in columns.items() if column is not None}
    present = getattr(data, "columns", ())
    if columns["rig"] == "rig" and "rig" not in list(present):
        named.pop("rig", None)
    return read_results(data, columns=named, options=ReadOptions(), quantity=quantity)


def _events(events: Any) -> tuple[Event, ...]:
    from repeatab.intake.events import events_of

    if hasattr(events, "columns"):
        return events_of(events)
    return tuple(sorted(events, key=lambda event: event.day))


def _refuse_unstated(question: ControlChart, data: ReferenceData) -> None:
    for one in question.limits:
        if one.rests_on is None and one.reference is not None and one.reference not in data.sources:
            raise StudyError(
                f"limits of {one.rig}, {one.section}: the reference '{one.reference}' is not in the results; there are "
                f"{listed(data.sources)}.{nearest(one.reference, data.sources)} Correct it, or leave it out."
            )
    if question.base is not None:
        return
    stated = {(one.rig, one.section) for one in question.limits}
    lacking = [key for key in data.cells if key not in stated]
    if lacking:
        rig, section = lacking[0]
        known = [f"{one.rig}, {one.section}" for one in question.limits]
        raise StudyError(
            f"limits: none are stated for {rig}, {section}, and there is no base period to form them from."
            f"{nearest(f'{rig}, {section}', known)} State a base period, or these limits too."
        )


def _refuse_base_at_the_end(question: ControlChart, series: Mapping[Key, Series]) -> None:
    """A base period after everything that is to be judged judges nothing."""
    if question.base is None or any(r.new.size for one in series.values() for r in one.regimes):
        return
    early = [one for one in series.values() if one.regimes[0].base.size and one.regimes[0].base[0] > 0]
    if early:
        start = question.base.start or ""
        raise StudyError(
            f"base: the base period (from {start}) lies after the results that are to be judged: the last "
            "result is of "
            f"{early[0].visits.when(len(early[0].visits) - 1)}. Limits come first, new results after them: "
            "end the base "
            "period before the results in question."
        )


def _refuse_nothing(watched: Mapping[Key, tuple[Watched, ...]]) -> None:
    if all(one.limits is None for regimes in watched.values() for one in regimes):
        (rig, section), regimes = next(iter(watched.items()))
        raise EstimationError(f"no limits can be formed. {rig}, {section}: {regimes[0].trouble}")


def _unworn(data: ReferenceData, wear: Mapping[Key, Wear]) -> ReferenceData:
    """With the wear of each set taken out of its means, so that links do not take it in twice."""
    if not wear:
        return data
    cells = {
        key: replace(one, mean=one.mean - wear[key].correction(one.age)) for key, one in data.cells.items()
    }
    return replace(data, cells=cells)


def _scatter_charted(question: ControlChart, data: ReferenceData) -> float:
    """False alarms of the scatter's limits over those of the mean's: 1 where only the upper one is set to the rate."""
    if plotted_form(question, data) is Plotted.SINGLE:
        return 0.0
    return 1.0 if any(bool((cells.count > 1).any()) for cells in data.cells.values()) else 0.0


def _in_use(
    series: Mapping[Key, Series], watched: Mapping[Key, tuple[Watched, ...]]
) -> Iterable[tuple[Any, float]]:
    """The limits that the latest points are judged by, with what a link leaves unknown."""
    for key, regimes in watched.items():
        last = regimes[-1]
        if last.limits is not None and last.regime.new.size:
            yield last.limits, float(series[key].extra[last.regime.new[-1]]) / last.limits.limits.sd**2


def _steps_used(charted: _Charted) -> list[Step]:
    """Steps over which some series runs on, in the order of references and sections."""
    used = set()
    for one in charted.series.values():
        source = one.cells.source
        for i in range(1, source.size):
            if source[i] != source[i - 1]:
                a, b = sorted((int(source[i - 1]), int(source[i])))
                used.add((a, b, one.section))
    order = {name: i for i, name in enumerate(charted.data.sections)}
    keys = sorted(used, key=lambda key: (key[0], key[1], order[key[2]]))
    return [charted.links[section, a, b] for a, b, section in keys if (section, a, b) in charted.links]


def _outcome(
    question: ControlChart,
    results: Results | PastVisits,
    charted: _Charted,
    events: Sequence[Event],
    title: str,
) -> Outcome:
    data = charted.data
    scale = words.Scale(analysis=question.analysis, quantity=results.quantity)
    common = common_changes(charted.states)
    steps = _steps_used(charted)
    causes = [r.cause for one in charted.series.values() for r in one.regimes]
    level = question.confidence
    made = (
        tables.states_table(charted.states, data.visits, scale),
        tables.signals_table(charted.signals, data, charted.series, scale, level),
        tables.lengths_table(charted.lengths),
        tables.effects_table(charted.effects, question.shewhart.limit),
        tables.limits_table(charted.series, charted.watched, scale),
        tables.links_table(steps, scale, level),
        tables.screening_table(charted.series, charted.watched, charted.joint, data.visits, scale),
        tables.neighbours_table(charted.watched),
        tables.wear_table(charted.wear, scale, level),
        tables.frozen_table(question, data, charted.series, charted.watched),
    )
    return Outcome(
        job="control_chart",
        title=title,
        headline=words.headline(charted.states, common, data.visits),
        judgements=tuple(
            words.rig_judgement(state, data.visits[state.rig], scale, _what(state, charted))
            for state in charted.states
        ),
        evidence=words.evidence(question, data, charted.lengths, charted.effects, steps, common, scale),
        cannot_tell=words.cannot_tell(question, data, charted.wear, charted.states, causes),
        next_runs=words.next_runs(charted.states, question),
        tables=tuple(table for table in made if table is not None),
        figures=chart_figures(
            question, charted.states, charted.series, charted.watched, charted.joint, charted.signals, events,
            data.visits, scale,
        ),
        notes=chart_notes(question, data, charted.series, charted.watched, charted.joint, events, MOST_RIGS, scale),
        findings=results.findings,
        methods=methods(question, plotted_form(question, data)),
        numbers=_numbers(charted, scale),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )  # fmt: skip


def _what(state: RigState, charted: _Charted) -> str:
    one = next((one for (rig, _), one in charted.series.items() if rig == state.rig), None)
    return words.of_what(one, charted.data)


def _numbers(charted: _Charted, scale: words.Scale) -> tuple[tuple[str, float | None], ...]:
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
        found.append((f"{one.words}: visits to a false alarm", one.in_control))
        found.append((f"{one.words}: months to a false alarm", charted.lengths.months(one.in_control)))
    signalling = sum(state.verdict is Verdict.SIGNAL for state in charted.states)
    found.append(("rigs that signal", float(signalling)))
    return tuple(found)
