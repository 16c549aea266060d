"""The series of all rigs with the steps between references and the wear that bring their points to one level.

In: the question, ReferenceData, events.  Out: Linked.

Steps between worn sets are formed from means with the wear taken out, so the wear comes first. Where the limits of a
series are recorded ones, its wear is the recorded one, and the steps are formed with that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from repeatab.intake.events import Event
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.forming_series import series_of
from repeatab.jobs.charts.links import Links, links_of
from repeatab.jobs.charts.question import ControlChart, Reference
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.wear import Wear, wear_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Linked:
    """links: steps as estimated now.  wear: what is taken out of the latest points; wear_now: as estimated now."""

    series: Mapping[Key, Series]
    links: Links
    wear: Mapping[Key, Wear]
    wear_now: Mapping[Key, Wear]


def linked_series(question: ControlChart, data: ReferenceData, events: Sequence[Event]) -> Linked:
    """Bring the points of every rig and section to one level."""
    now = wear_of(data, question.base) if question.reference is Reference.SET else {}
    links = links_of(_unworn(data, now))
    series = series_of(question, data, links, now, events)
    used = {key: series[key].wear or one for key, one in now.items()}
    if used != now:
        links = links_of(_unworn(data, used))
        series = series_of(question, data, links, now, events)
    return Linked(series=series, links=links, wear=used, wear_now=now)


def _unworn(data: ReferenceData, wear: Mapping[Key, Wear]) -> ReferenceData:
    """With the wear of each set taken out of its means, so that links do not take it in twice."""
    if not wear:
        return data
    cells = {
        key: replace(one, mean=one.mean - wear[key].correction(one.age)) for key, one in data.cells.items()
    }
    return replace(data, cells=cells)
