"""Moving averages and cumulative sums of one rig as figures.

In: series with their watched regimes.  Out: SmoothedHistory values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from repeatab.jobs.charts.data import Key, Visits
from repeatab.jobs.charts.history_figures import MOST_POINTS, places_of, strip_name
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.stretches import Stretch
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.wording import enumerated
from repeatab.outcome.figures import SmoothedHistory
from repeatab.outcome.history_figures import (
    HistoryEvent,
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    PointUse,
)


def smoothed_figures(
    question: ControlChart,
    rig: str,
    number: int,
    names: Sequence[str],
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    marks: tuple[HistoryEvent, ...],
    visits: Visits,
) -> Iterator[SmoothedHistory]:
    """The figures of those smoothed charts that the study asks for and that have points."""
    charts = []
    if question.ewma is not None:
        charts.append(("ewma", "moving average", "moving averages"))
    if question.cusum is not None:
        charts.append(("cusum", "cumulative sums", "cumulative sums"))
    for key, words, plural_words in charts:
        strips = tuple(
            HistoryStrip(
                label=strip_name(series[rig, name]),
                lines=_smoothed_lines(question, key, series[rig, name], watched[rig, name]),
            )
            for name in names
        )
        strips = tuple(strip for strip in strips if any(line.points for line in strip.lines))
        if not strips:
            continue
        loud = [s.label for s in strips if any(p.signal for line in s.lines for p in line.points)]
        yield SmoothedHistory(
            key=f"{key}-{number}",
            title=f"{rig}: small lasting changes, by {words}",
            reading=f"The {plural_words} pass their limit in {enumerated(loud)}."
            if loud
            else f"The {plural_words} stay inside their limits.",
            unit="standard deviations of a point",
            strips=strips,
            events=marks,
            dated=visits.dated,
        )


def _smoothed_lines(
    question: ControlChart, key: str, series: Series, watched: tuple[Watched, ...]
) -> tuple[HistoryLine, ...]:
    lines: dict[str, tuple[list[HistoryPoint], list[int]]] = {}
    number = 0
    for one in watched:
        for stretch in one.stretches:
            number += 1
            for name, values, low, high in _smoothed_values(question, key, stretch):
                points, stretches = lines.setdefault(name, ([], []))
                visits = series.visit[stretch.places[-MOST_POINTS:]]
                shown = values[-MOST_POINTS:].tolist()
                lower, upper = (
                    [None] * len(shown) if one is None else one[-MOST_POINTS:].tolist() for one in (low, high)
                )
                columns = (visits.tolist(), places_of(series.visits, visits), shown, lower, upper)
                for visit, place, value, under, over in zip(*columns, strict=True):
                    beyond = (over is not None and value > over) or (under is not None and value < under)
                    points.append(
                        HistoryPoint(
                            place=place, label=series.visits.labels[visit], value=value, centre=0.0, lower=under,
                            upper=over, use=PointUse.NEW, signal=beyond,
                        )
                    )  # fmt: skip
                stretches += [number] * len(shown)
    return tuple(
        HistoryLine(name=name, points=tuple(points), stretches=tuple(stretches))
        for name, (points, stretches) in lines.items()
    )


def _smoothed_values(
    question: ControlChart, key: str, stretch: Stretch
) -> Iterator[tuple[str, np.ndarray, np.ndarray | None, np.ndarray | None]]:
    if key == "ewma" and stretch.ewma is not None:
        yield "moving average", stretch.ewma.average, stretch.ewma.lower, stretch.ewma.upper
    if key == "cusum" and stretch.cusum is not None and question.cusum is not None:
        decision = np.full(stretch.places.size, question.cusum.decision)
        yield "sum upward", stretch.cusum.upper, None, decision
        # Drawn downward, so that the two sums do not cross.
        yield "sum downward", -stretch.cusum.lower, -decision, None
