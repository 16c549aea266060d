"""Figures of a gauge study, as data.

In: judged sections, data and checks.  Out: figures, each with the sentence that says what to see in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from repeatab.jobs.gauge.checks import GaugeChecks
from repeatab.jobs.gauge.data import PAD_SET, RIG, GaugeData
from repeatab.jobs.gauge.scale import Scale
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import Analysis, GaugeStudy
from repeatab.judgement.capability import Capability, Scatter
from repeatab.outcome.figures import (
    Estimate,
    Figure,
    OrderOfRuns,
    OrderPoint,
    RepeatabilityByRig,
    ScatterSources,
    SetPoint,
    SetsAcrossRigs,
)


def gauge_figures(
    sections: Sequence[GaugedSection],
    question: GaugeStudy,
    data: GaugeData,
    checks: GaugeChecks,
    scale: Scale,
) -> tuple[Figure, ...]:
    """All figures that the design allows."""
    figures: list[Figure] = [
        _sources(number, section, section.capability, question, scale)
        for number, section in enumerate(sections, start=1)
        if section.capability is not None
    ]
    figures += [*_by_rig(checks, scale), *_sets(data, question, scale), *_order(data, checks, scale)]
    return tuple(figures)


def _sources(
    number: int, section: GaugedSection, found: Capability, question: GaugeStudy, scale: Scale
) -> ScatterSources:
    bars = [
        _bar(source.name, scatter, scale)
        for source, scatter in zip(found.sources, found.components, strict=True)
    ]
    bars.append(_bar("R&R in all" + (" (upper bound)" if found.upper_bound else ""), found.grr, scale))
    largest = max(range(len(found.components)), key=lambda k: found.components[k].sd)
    margin = None
    words = ""
    if section.width is not None:
        margin = scale.factor * question.bands.acceptable / 100 * section.width / question.multiplier
        words = f" The line marks the R&R that would be {question.bands.acceptable:g} % of the tolerance."
    return ScatterSources(
        key=f"scatter-sources-{number}",
        title=f"{section.name}: where does the scatter come from?",
        reading=f"{section.name}: the largest source is {found.sources[largest].name} "
        f"({100 * found.share_of(largest):.0f} % of the total variance).{words}",
        unit=scale.unit,
        sources=tuple(bars),
        margin=margin,
    )


def _bar(label: str, scatter: Scatter, scale: Scale) -> Estimate:
    interval = scatter.interval
    return Estimate(
        label=label,
        value=scale.factor * scatter.sd,
        lower=None if interval is None else scale.shown(interval.lower),
        upper=None if interval is None else scale.shown(interval.upper),
    )


def _by_rig(checks: GaugeChecks, scale: Scale) -> Iterator[RepeatabilityByRig]:
    if not checks.rigs:
        return
    rigs = tuple(dict.fromkeys(str(rig) for found in checks.rigs.values() for rig in found.rigs))
    complete = {n: f for n, f in checks.rigs.items() if tuple(str(rig) for rig in f.rigs) == rigs}
    unequal = [name for name, found in complete.items() if found.unequal]
    what = "scatter of single runs" if any(f.joint for f in complete.values()) else "repeatability"
    yield RepeatabilityByRig(
        key="repeatability-by-rig",
        title="Do the rigs repeat alike?",
        reading=f"The {what} differs between rigs in {', '.join(unequal)}."
        if unequal
        else f"No section shows a difference in {what} between the rigs.",
        unit=scale.unit,
        sections=tuple(complete),
        rigs=rigs,
        estimates=tuple(
            tuple(
                _bar(str(rig), scatter, scale)
                for rig, scatter in zip(found.rigs, found.equality.scatters, strict=True)
            )
            for found in complete.values()
        ),
    )


def _sets(data: GaugeData, question: GaugeStudy, scale: Scale) -> Iterator[SetsAcrossRigs]:
    if RIG not in data.factors or PAD_SET not in data.factors:
        return
    table = data.table
    if question.analysis is Analysis.RATIO:
        table = table.assign(result=np.exp(table["result"]))
    ordered = table.sort_values(["section", PAD_SET, *_time_columns(data)], kind="stable")
    order = ordered.groupby(["section", PAD_SET]).cumcount() + 1
    points = tuple(
        SetPoint(section=str(s), rig=str(r), pad_set=str(p), order=int(o), value=float(v))
        for s, r, p, o, v in zip(
            ordered["section"], ordered[RIG], ordered[PAD_SET], order, ordered["result"], strict=True
        )
    )
    several = int((table.groupby(PAD_SET)[RIG].nunique() > 1).sum())
    yield SetsAcrossRigs(
        key="sets-across-rigs",
        title="Does a set read alike on every rig?",
        reading=f"{several} of {table[PAD_SET].nunique()} pad sets ran on several rigs; a step that all lines make "
        "together is the rig's, a line that lies apart is the set's.",
        unit=scale.quantity.unit,
        points=points,
        rigs=tuple(str(rig) for rig in sorted(table[RIG].unique(), key=str)),
        sections=data.sections,
    )


def _time_columns(data: GaugeData) -> list[str]:
    return [name for name in ("run_order", "time", "day", "run") if name in data.table.columns]


def _order(data: GaugeData, checks: GaugeChecks, scale: Scale) -> Iterator[OrderOfRuns]:
    """What is left of each result after the means of its set and its rig, by the run's number within the
    set."""
    if not data.has_order:
        return
    table = data.table
    left = table["result"] - table.groupby(["section", PAD_SET])["result"].transform("mean")
    series = table[RIG].astype(str) if RIG in data.factors else table[PAD_SET].astype(str)
    left = left - left.groupby([table["section"], series]).transform("mean")
    place = table.sort_values(_time_columns(data), kind="stable").groupby(["section", PAD_SET]).cumcount() + 1
    found = [name for name, trend in checks.trends.items() if trend.found]
    yield OrderOfRuns(
        key="order-of-runs",
        title="Does a set change from run to run?",
        reading=f"A trend within the sets is found in {', '.join(found)}."
        if found
        else "No section shows a trend within the sets.",
        unit=scale.unit,
        points=tuple(
            OrderPoint(section=str(s), series=str(r), order=int(o), value=scale.factor * float(v))
            for s, r, o, v in zip(table["section"], series, place.reindex(table.index), left, strict=True)
        ),
    )
