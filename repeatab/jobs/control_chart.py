"""Control charts on reference pads: is each rig still what it was?

In: run results of reference visits, events, and a ControlChart question.  Out: an Outcome: the state of every rig.
A signal says that something changed, not that the rig reads wrong; its name says what it may be a change of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from repeatab.base.progress import Progress, silent
from repeatab.intake.events import Event
from repeatab.intake.results import Results
from repeatab.jobs.charts.arranging import reference_data
from repeatab.jobs.charts.charted import Charted
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.joint_watch import watch_jointly
from repeatab.jobs.charts.lengths import ResidualSeries, effects_of, lengths_of
from repeatab.jobs.charts.limits import plotted_form
from repeatab.jobs.charts.linked import linked_series
from repeatab.jobs.charts.outcome import chart_outcome
from repeatab.jobs.charts.past_visits import PastVisits
from repeatab.jobs.charts.question import ControlChart, Plotted
from repeatab.jobs.charts.refusals import refuse_base_at_the_end, refuse_nothing, refuse_unstated
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.signals import ChartSignal
from repeatab.jobs.charts.states import states_of
from repeatab.jobs.charts.watch import Watched, watch
from repeatab.outcome.outcome import Outcome

_STEPS = 4


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
    refuse_unstated(question, data)
    progress("linking references", 1, _STEPS)
    linked = linked_series(question, data, events)
    series = linked.series
    refuse_base_at_the_end(question, series)
    progress("charting", 2, _STEPS)
    watched: dict[Key, tuple[Watched, ...]] = {}
    signals: list[ChartSignal] = []
    for key, one in series.items():
        watched[key], given = watch(question, data, one, events)
        signals += given
    refuse_nothing(watched)
    joint: dict[str, tuple[JointRegime, ...]] = {}
    for rig in data.rigs if question.joint is not None else ():
        mine = {section: one for (r, section), one in series.items() if r == rig}
        own = {section: one for (r, section), one in watched.items() if r == rig}
        joint[rig], given = watch_jointly(question, rig, mine, own, data.visits[rig], events)
        signals += given
    progress("run lengths", 3, _STEPS)
    charted = Charted(
        data=data, links=linked.links, wear=linked.wear, wear_now=linked.wear_now, series=series, watched=watched,
        joint=joint, signals=tuple(signals),
        states=states_of(question, data.rigs, watched, joint, signals),
        lengths=lengths_of(
            question, visits_per_month=data.visits_per_month, nominal_ratio=_scatter_charted(question, data),
            residuals=_residual_series(watched),
        ),
        effects=effects_of(question, _in_use(series, watched)),
    )  # fmt: skip
    return chart_outcome(question, results, charted, events, title)


def _scatter_charted(question: ControlChart, data: ReferenceData) -> float:
    """False alarms of the scatter's limits over those of the mean's: 1 where only the upper one is set to the rate."""
    if plotted_form(question, data) is Plotted.SINGLE:
        return 0.0
    return 1.0 if any(bool((cells.count > 1).any()) for cells in data.cells.values()) else 0.0


def _residual_series(watched: Mapping[Key, tuple[Watched, ...]]) -> list[ResidualSeries]:
    """The series whose latest points are charted as residuals."""
    found = []
    for (rig, section), regimes in watched.items():
        limits = regimes[-1].limits
        if limits is not None and limits.model is not None:
            found.append(ResidualSeries(rig=rig, section=section, carry=limits.model.carry))
    return found


def _in_use(
    series: Mapping[Key, Series], watched: Mapping[Key, tuple[Watched, ...]]
) -> Iterable[tuple[Any, float]]:
    """The limits that the latest points are judged by, with what a link leaves unknown."""
    for key, regimes in watched.items():
        last = regimes[-1]
        if last.limits is not None and last.regime.new.size:
            yield last.limits, float(series[key].extra[last.regime.new[-1]]) / last.limits.limits.sd**2
