"""All that was worked out for a control chart, as tables, figures and sentences take it.

In: data, links, wear, series, regimes, signals, states, run lengths.  Out: Charted, and the steps its series run over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.joint import JointRegime
from repeatab.jobs.charts.lengths import ChartLengths, LimitEffect
from repeatab.jobs.charts.links import Links, Step
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.signals import ChartSignal
from repeatab.jobs.charts.states import RigState
from repeatab.jobs.charts.watch import Watched
from repeatab.jobs.charts.wear import Wear


@dataclass(frozen=True, slots=True, kw_only=True)
class Charted:
    """Everything the report is made of.

    links, wear_now: as estimated now.  wear: what is taken out of the latest points, as recorded with limits that were.
    """

    data: ReferenceData
    links: Links
    wear: Mapping[Key, Wear]
    wear_now: Mapping[Key, Wear]
    series: Mapping[Key, Series]
    watched: Mapping[Key, tuple[Watched, ...]]
    joint: Mapping[str, tuple[JointRegime, ...]]
    signals: tuple[ChartSignal, ...]
    states: tuple[RigState, ...]
    lengths: ChartLengths
    effects: tuple[LimitEffect, ...]


def steps_used(charted: Charted) -> list[Step]:
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
