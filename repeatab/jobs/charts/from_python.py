"""The control chart from Python: a dataframe and what the lab decides, an Outcome back.

In: reference results as a dataframe or Results, charts, base period, events.  Out: an Outcome.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from repeatab.base.quantity import FRICTION, Quantity
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.scatter import ScatterMethod
from repeatab.intake.events import Event
from repeatab.intake.results import Results
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
from repeatab.jobs.control_chart import run_control_chart
from repeatab.jobs.questions import Analysis
from repeatab.outcome.outcome import Outcome

_SECTION = "result"


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
