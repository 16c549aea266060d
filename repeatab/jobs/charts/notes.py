"""What the analysis of a control chart noticed, and how its numbers were computed.

In: series with their watched regimes, events.  Out: notes and method notes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from repeatab.base.notes import Note, NoteKind
from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.question import ControlChart, Plotted, Reference
from repeatab.jobs.charts.scale import Scale
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.charts.words import of_what
from repeatab.jobs.wording import enumerated, p_value, plural, result

_MUCH = 1.5


def chart_notes(
    question: ControlChart,
    data: ReferenceData,
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    joint: Mapping[str, tuple[JointRegime, ...]],
    events: Sequence[Event],
    most_rigs: int,
    scale: Scale,
) -> tuple[Note, ...]:
    """Restarts, trial limits, too narrow limits, events that concern nothing here, and what was not drawn."""
    found = [
        *_restarts(data, series),
        *_recorded(watched, scale),
        *_narrow(watched),
        *_troubles(watched),
        *_stopped(watched),
        *_residuals(watched),
        *_trends(series, watched, data, scale),
        *_left_out(data, joint),
        *_odd_events(data, events),
    ]
    if question.reference is Reference.LOT and data.repeats:
        found.append(
            Note(
                kind=NoteKind.WEAR,
                text="Sets of the reference lot came back at later visits.",
                remedy="Run fresh sets at each visit.",
            )
        )
    if len(data.rigs) > most_rigs:
        found.append(
            Note(
                kind=NoteKind.METHOD,
                text=f"Of {len(data.rigs)} rigs {most_rigs} are drawn one by one, those that signal first.",
            )
        )
    return tuple(found)


def _restarts(data: ReferenceData, series: Mapping[Key, Series]) -> Iterator[Note]:
    told: dict[Key, list[str]] = {}
    for (rig, section), one in series.items():
        for regime in one.regimes:
            if regime.cause:
                told.setdefault((rig, regime.cause), []).append(section)
    for (rig, cause), sections in told.items():
        where = "" if len(sections) == len(data.sections) else f" in {enumerated(sections)}"
        yield Note(
            kind=NoteKind.ASSUMPTION,
            sources=(rig,),
            text=f"{rig}: the limits start anew{where} after '{cause}'.",
        )


def _limits(watched: Mapping[Key, tuple[Watched, ...]]) -> Iterator[tuple[Key, Watched, SeriesLimits]]:
    for key, regimes in watched.items():
        for one in regimes:
            if one.limits is not None:
                yield key, one, one.limits


def _recorded(watched: Mapping[Key, tuple[Watched, ...]], scale: Scale) -> Iterator[Note]:
    """Which limits were set in earlier months, and whether their base still reads as it did."""
    used = [(key, one.regime, found) for key, one, found in _limits(watched) if found.recorded is not None]
    if used:
        here = (f"{rig}, {section}" for (rig, section), _, found in _limits(watched) if _formed_here(found))
        anew = list(dict.fromkeys(here))
        rest = (
            f" Formed here: {enumerated(anew[:6])}{' and others' if len(anew) > 6 else ''}." if anew else ""
        )
        yield Note(
            kind=NoteKind.ASSUMPTION,
            text=f"New results are judged by limits that were recorded earlier and stay frozen ({len(used)} series and "
            f"times).{rest}",
        )
    for (rig, section), _, found in used:
        if found.now is not None and found.recorded is not None:
            then, now = found.limits, found.now
            yield Note(
                kind=NoteKind.CAUTION, sources=(rig, section),
                text=f"{rig}, {section}: the base visits of the recorded limits read differently now: centre "
                f"{result(scale.level(now.centre))} and SD {result(scale.change(now.sd))} from {now.count} visits; "
                f"they were {result(scale.level(then.centre))} and {result(scale.change(then.sd))} from {then.count} "
                f"{found.recorded.noted}. Results were corrected, withdrawn or added since.",
                remedy="Withdraw the recorded limits if they no longer hold (repeatab history withdraw LEDGER NUMBER); "
                "the next run forms them anew.",
            )  # fmt: skip


def _formed_here(found: SeriesLimits) -> bool:
    return found.recorded is None and not found.stated


def _narrow(watched: Mapping[Key, tuple[Watched, ...]]) -> Iterator[Note]:
    wide = [
        f"{rig}, {section} ({found.spread.ratio_of_means:.1f})"
        for (rig, section), _, found in _limits(watched)
        if found.spread is not None and found.spread.ratio_of_means > _MUCH
    ]
    if wide:
        yield Note(
            kind=NoteKind.ASSUMPTION,
            text="The visit means scatter more than the runs within a visit explain, so limits from within visits "
            f"signal at sound visits: {enumerated(wide)} times as much.",
            remedy=f'Choose points = "{Plotted.VISITS.value}".',
        )


def _troubles(watched: Mapping[Key, tuple[Watched, ...]]) -> Iterator[Note]:
    for (rig, section), regimes in watched.items():
        for one in regimes:
            if one.trouble:
                yield Note(
                    kind=NoteKind.FEW_LEVELS, sources=(rig, section), text=f"{rig}, {section}: {one.trouble}"
                )


def _stopped(watched: Mapping[Key, tuple[Watched, ...]]) -> Iterator[Note]:
    for (rig, section), _, found in _limits(watched):
        if found.limits.screening_stopped:
            yield Note(
                kind=NoteKind.CAUTION,
                sources=(rig, section),
                text=f"{rig}, {section}: base visits still lay outside when a third had been left out.",
                remedy="The base period was not stable; choose another one.",
            )


def _residuals(watched: Mapping[Key, tuple[Watched, ...]]) -> Iterator[Note]:
    for (rig, section), _, found in _limits(watched):
        if found.model is not None:
            rate = found.model.false_alarms_if_ignored(limit=found.nominal)
            yield Note(
                kind=NoteKind.METHOD,
                sources=(rig, section),
                text=f"{rig}, {section}: neighbouring base visits resemble each other; residuals are charted. "
                "Moving-range "
                f"limits would give {100 * rate:.2g} % false alarms.",
            )
        elif found.neighbours is not None and found.neighbours.p < 0.01:
            yield Note(
                kind=NoteKind.ASSUMPTION,
                sources=(rig, section),
                text=f"{rig}, {section}: {found.neighbours}; the points are charted as if they were independent.",
                remedy="Extend the base period to 20 visits or more, so that residuals can be charted.",
            )


def _trends(
    series: Mapping[Key, Series],
    watched: Mapping[Key, tuple[Watched, ...]],
    data: ReferenceData,
    scale: Scale,
) -> Iterator[Note]:
    for (rig, section), _, found in _limits(watched):
        if found.trend is not None:
            yield Note(
                kind=NoteKind.CAUTION,
                sources=(rig, section),
                text=f"{rig}, {section}: the base period moves by {scale.change_text(found.trend.per_visit)} a visit "
                f"({p_value(found.trend.p)}); this is {of_what(series[rig, section], data)}. "
                "No ledger keeps these limits for later months.",
                remedy="Choose a base period in which nothing moved, or find out what moves.",
            )


def _left_out(data: ReferenceData, joint: Mapping[str, tuple[JointRegime, ...]]) -> Iterator[Note]:
    for rig, regimes in joint.items():
        visits = [v for regime in regimes for v in regime.left_out]
        if visits:
            names = [data.visits[rig].labels[v] for v in visits[:6]]
            more = f" and {len(visits) - 6} more" if len(visits) > 6 else ""
            yield Note(
                kind=NoteKind.CONDITION,
                sources=(rig,),
                text=f"{rig}: {plural(len(visits), 'visit')} lack a section and stand on the charts of the sections "
                f"only, not on the joint chart ({', '.join(names)}{more}).",
            )


def _odd_events(data: ReferenceData, events: Sequence[Event]) -> Iterator[Note]:
    unknown = [event for event in events if event.rig is not None and event.rig not in data.rigs]
    if unknown:
        yield Note(
            kind=NoteKind.INPUT,
            text=f"{plural(len(unknown), 'event')} of rigs without results here: {unknown[0]}"
            + (" and others." if len(unknown) > 1 else "."),
            remedy="Check the names of the rigs in the event file.",
        )
    days = [day for one in data.visits.values() for day in one.days if day]
    if not days and events:
        yield Note(
            kind=NoteKind.INPUT,
            text="The visits have no dates, so no event can be placed: none restarts limits or closes a signal.",
            remedy="Name the column of the time under [columns].",
        )
    outside = [event for event in events if days and not min(days) <= event.day <= max(days)]
    if outside:
        yield Note(
            kind=NoteKind.INPUT,
            text=f"{plural(len(outside), 'event')} before the first or after the last visit: {outside[0]}"
            + (" and others" if len(outside) > 1 else "")
            + ". They change no limits.",
        )
