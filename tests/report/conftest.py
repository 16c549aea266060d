"""An Outcome as a correlation check would make it. Every number in it is invented."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable
from dataclasses import replace

import pytest

from repeatab.base.notes import Note, NoteKind
from repeatab.outcome.figures import (
    Estimate,
    MoreRunsRow,
    OffsetHistory,
    OffsetMonth,
    OffsetRow,
    OffsetsBySection,
    OffsetSeries,
    OrderOfRuns,
    OrderPoint,
    RepeatabilityByRig,
    ScatterSources,
    SetPoint,
    SetsAcrossRigs,
    WhatMoreRunsBuy,
)
from repeatab.outcome.history_figures import (
    HistoryEvent,
    HistoryLine,
    HistoryPoint,
    HistoryStrip,
    JointHistory,
    PointUse,
    ReferenceHistory,
    RigSectionState,
    RigStates,
    SmoothedHistory,
)
from repeatab.outcome.outcome import DataFinding, InputFile, MethodNote, NextRuns, Outcome, Provenance
from repeatab.outcome.tables import Column, ColumnKind, Table
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict

RIGS = ("R1", "R2")
MARGIN = 0.015
AWKWARD = (
    "Speed–pressure sensitivity 160→130 km/h, mean over 10 to 80 bar at 100 °C "
    "<script>alert(\"x\")</script> =cmd|'/c calc'!A1 🚗"
)
SECTIONS = ("Characteristic check", "Cold", "Fade 1, minimum", "Recovery", AWKWARD)

HOSTILE = (
    "<script>alert(1)</script>",
    "=cmd|'/c calc'!A1",
    "+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "\"quoted\" & 'single'",
    "../../etc/passwd",
    "C:\\rigs\\1",
    "🚗 rig",
    "a\x00b\x1b[31mred",
    "</style></title>{{ 7*7 }}",
    "$\\frac{1}{0}$",
    "\u202egnp.exe",
    "\udcff",
    "x" * 300,
)


def _runs(sections: tuple[str, ...]) -> list[SetPoint]:
    """Six sets on both rigs and two more on each rig once; an offset in the second and third section."""
    draw = random.Random(20240)
    sets = [(f"S{i:02d}", RIGS if i <= 6 else (RIGS[i % 2],)) for i in range(1, 11)]
    points = []
    for number, section in enumerate(sections):
        level = 0.41 - 0.025 * (number % 4)
        for place, (name, rigs) in enumerate(sets):
            material = draw.gauss(0, 0.007)
            for rig in rigs:
                step = (0.0, 0.006, -0.016)[number % 3] if rig == "R2" else 0.0
                value = level + material + step + draw.gauss(0, 0.004 if rig == "R1" else 0.006)
                order = 2 * place + RIGS.index(rig) + 1
                points.append(SetPoint(section=section, rig=rig, pad_set=name, order=order, value=value))
    return points


def _differences(points: list[SetPoint], section: str) -> list[float]:
    value = {(p.pad_set, p.rig): p.value for p in points if p.section == section}
    sets = sorted({p.pad_set for p in points})
    return [value[s, "R2"] - value[s, "R1"] for s in sets if (s, "R1") in value and (s, "R2") in value]


def _offset_row(points: list[SetPoint], section: str, decides: bool) -> OffsetRow:
    found = _differences(points, section)
    mean, se = statistics.fmean(found), statistics.stdev(found) / math.sqrt(len(found))
    wide, thin = 2.571 * se, 2.015 * se  # Student's t at 5 degrees of freedom, 97.5 % and 95 %
    inside = abs(mean) + thin < MARGIN
    apart = abs(mean) > wide
    word = "equivalent" if inside else "different" if apart else "undecided"
    return OffsetRow(
        label=section,
        value=mean,
        lower=mean - wide,
        upper=mean + wide,
        inner_lower=mean - thin,
        inner_upper=mean + thin,
        margin_low=-MARGIN,
        margin_high=MARGIN,
        decides=decides,
        verdict=word,
    )


def _judgement(row: OffsetRow) -> Judgement:
    verdict = Verdict(row.verdict)
    qualifier = Qualifier.NONE
    if verdict is Verdict.EQUIVALENT and (row.lower > 0 or row.upper < 0):
        qualifier = Qualifier.TOO_SMALL_TO_MATTER
    if verdict is Verdict.DIFFERENT:
        qualifier = Qualifier.MARGIN_OPEN
    place = "lies inside" if verdict is Verdict.EQUIVALENT else "reaches beyond"
    reason = (
        f"R2 minus R1 is {row.value:+.4f}; the interval {row.inner_lower:+.4f} to {row.inner_upper:+.4f} "
        f"(90 %) {place} the margin ± {MARGIN}."
    )
    return Judgement(
        subject=row.label, verdict=verdict, reason=reason, qualifier=qualifier, decides=row.decides
    )


def _offset_table(rows: list[OffsetRow]) -> Table:
    kind = ColumnKind
    columns = (
        Column(key="section", caption="section", kind=kind.TEXT),
        Column(key="pairs", caption="sets on both rigs", kind=kind.COUNT),
        Column(key="offset", caption="offset R2 − R1", kind=kind.RESULT),
        Column(key="lower", caption="from", kind=kind.RESULT),
        Column(key="upper", caption="to", kind=kind.RESULT),
        Column(key="df", caption="degrees of freedom", kind=kind.NUMBER),
        Column(key="p", caption="p, Holm", kind=kind.PROBABILITY),
        Column(key="decides", caption="decides", kind=kind.TEXT),
        Column(key="verdict", caption="answer", kind=kind.TEXT),
    )
    body = tuple(
        (
            r.label,
            6,
            r.value,
            r.lower,
            r.upper,
            5.0,
            0.0001 if r.verdict == "different" else 0.31,
            r.decides,
            r.verdict,
        )
        for r in rows
    )
    return Table(
        key="offsets",
        caption="Offset of rig R2 against rig R1 in each section, with the interval at 95 %",
        columns=columns,
        rows=body,
        remarks=("Intervals are adjusted together (Holm) over the deciding sections.",),
    )


def _component_table() -> Table:
    kind = ColumnKind
    columns = (
        Column(key="source", caption="source", kind=kind.TEXT),
        Column(key="variance", caption="variance", kind=kind.VARIANCE),
        Column(key="sd", caption="standard deviation", kind=kind.RESULT),
        Column(key="lower", caption="from", kind=kind.RESULT),
        Column(key="upper", caption="to", kind=kind.RESULT),
        Column(key="share", caption="share of the variance", kind=kind.PERCENT),
    )
    rows = (
        ("pad set", 4.9e-5, 0.0070, 0.0046, 0.0142, 57.0),
        ("rig × pad set", 0.0, 0.0, None, 0.0041, 0.0),
        ("repeatability", 3.7e-5, 0.0061, 0.0044, 0.0101, 43.0),
    )
    remark = "rig × pad set was estimated at zero and stays in the model."
    return Table(
        key="components",
        caption="Where the scatter comes from, as variances and standard deviations",
        columns=columns,
        rows=rows,
        remarks=(remark,),
    )


def _next_table() -> Table:
    kind = ColumnKind
    columns = (
        Column(key="sets", caption="new sets per rig", kind=kind.COUNT),
        Column(key="hours", caption="rig hours", kind=kind.COUNT),
        Column(key="none", caption="probability of a verdict, no difference", kind=kind.PROBABILITY),
        Column(key="seen", caption="probability of a verdict, difference as observed", kind=kind.PROBABILITY),
    )
    rows = ((2, 72, 0.55, 0.41), (4, 144, 0.78, 0.63), (6, 216, 0.91, 0.82), (8, 288, 0.97, 0.9999))
    return Table(key="next_runs", caption="What more sets would buy", columns=columns, rows=rows)


def _figures(points: list[SetPoint], rows: list[OffsetRow], sections: tuple[str, ...]) -> tuple[object, ...]:
    centre = {(p.section, p.rig): 0.0 for p in points}
    for section, rig in centre:
        centre[section, rig] = statistics.fmean(
            p.value for p in points if (p.section, p.rig) == (section, rig)
        )
    spread = {
        (s, r): statistics.stdev(p.value for p in points if (p.section, p.rig) == (s, r)) for s, r in centre
    }
    return (
        OffsetsBySection(
            key="offsets_by_section",
            title="How far is R2 from R1 in each section, and does it matter?",
            reading="In most sections the thick interval lies inside the margin band; in Fade 1 it does not.",
            unit="",
            rows=tuple(rows),
            first="R2",
            second="R1",
        ),
        SetsAcrossRigs(
            key="sets_across_rigs",
            title="Does the rig shift every pad set alike, or do the sets differ?",
            reading="Lines that lean the same way show a rig step; in Fade 1 they lean to the left.",
            unit="",
            points=tuple(points),
            rigs=RIGS,
            sections=sections,
        ),
        ScatterSources(
            key="scatter_sources",
            title="Where does the scatter come from?",
            reading="Pad sets scatter about as much as repeated runs; both are well below the margin.",
            unit="",
            sources=(
                Estimate(label="pad set", value=0.0070, lower=0.0046, upper=0.0142),
                Estimate(label="rig", value=0.0042, lower=0.0018, upper=0.31),
                Estimate(label="rig × pad set", value=0.0, lower=None, upper=0.0041),
                Estimate(label="day and operator, mixed together", value=0.002, lower=0.0, upper=None),
                Estimate(label="repeatability", value=0.0061, lower=0.0044, upper=0.0101),
            ),
            margin=MARGIN,
        ),
        RepeatabilityByRig(
            key="repeatability_by_rig",
            title="Does one rig repeat worse than the other?",
            reading="R2 scatters more than R1 in every section, but the intervals overlap.",
            unit="",
            sections=sections,
            rigs=RIGS,
            estimates=tuple(
                tuple(
                    Estimate(
                        label=r, value=spread[s, r], lower=spread[s, r] * 0.66, upper=spread[s, r] * 2.04
                    )
                    for r in RIGS
                )
                for s in sections
            ),
        ),
        OrderOfRuns(
            key="order_of_runs",
            title="Did anything drift while the study ran?",
            reading="No steady rise or fall over the order of the runs in any section.",
            unit="",
            points=tuple(
                OrderPoint(
                    section=p.section, series=p.rig, order=p.order, value=p.value - centre[p.section, p.rig]
                )
                for p in points
            ),
        ),
        WhatMoreRunsBuy(
            key="what_more_runs_buy",
            title="What would more pad sets buy?",
            reading="Six more sets per rig bring the probability of a verdict above 80 % in both cases.",
            unit="",
            rows=tuple(
                MoreRunsRow(
                    sets_per_arm=n,
                    rig_hours=36.0 * n,
                    probability_no_difference=1 - 0.62 * math.exp(-n / 3.2),
                    probability_observed=1 - 0.85 * math.exp(-n / 4.1),
                    interval_half_width=0.021 / math.sqrt(n),
                )
                for n in (2, 3, 4, 6, 8, 12)
            ),
            target=0.8,
            margin=MARGIN,
        ),
        OffsetHistory(
            key="offset_history",
            title="How has the offset of R2 against R1 moved over the months?",
            reading="No section shows a trend over the months; the last point is this check.",
            unit="%",
            series=tuple(_offset_series(s, i) for i, s in enumerate(sections)),
            events=(("2026-02-17", "relocation"),),
        ),
        *_chart_figures(sections),
    )


def _history(turn: int, *, limits: bool = True) -> HistoryLine:
    """Two years of visits: a base, a restart with new limits, a signal; one visit left out of the base."""
    draw = random.Random(77 + turn)
    points = []
    for visit in range(24):
        centre = 0.41 - 0.02 * turn + (0.015 if visit >= 14 else 0.0)
        value = centre + draw.gauss(0, 0.004)
        use = PointUse.BASE if visit < 10 or 14 <= visit < 18 else PointUse.NEW
        points.append(
            HistoryPoint(
                place=738000.0 + 30.4 * visit, label=f"visit {visit + 1}", value=value, centre=centre,
                lower=centre - 0.012 if limits else None, upper=centre + 0.012 if limits else None,
                use=PointUse.LEFT_OUT if visit == 5 else use, signal=visit == 23,
            )
        )  # fmt: skip
    return HistoryLine(name="mean of the visit", points=tuple(points), stretches=(0,) * 14 + (1,) * 10)


def _chart_figures(sections: tuple[str, ...]) -> tuple[object, ...]:
    events = (
        HistoryEvent(place=738201.0, label="2021-02-27 repair: pump exchanged", restarts=False),
        HistoryEvent(place=738206.0, label="2021-03-04 maintenance: filter changed", restarts=False),
        HistoryEvent(place=738410.0, label="2021-09-24 relocation: moved to hall B", restarts=True),
        HistoryEvent(place=738703.0, label="2022-07-14 recalibration", restarts=False),
    )
    strips = tuple(HistoryStrip(label=s, lines=(_history(i % 3),)) for i, s in enumerate(sections))
    two = tuple(
        HistoryStrip(label=s, lines=(_history(0), replace(_history(1), name="sum downward")))
        for s in sections
    )
    states = tuple(
        RigSectionState(
            rig=rig, section=section, state="signal" if (i + j) % 4 == 3 else "in control",
            since="2024-11-05" if (i + j) % 4 == 3 else "", decides=j % 5 != 4,
        )
        for i, rig in enumerate(RIGS)
        for j, section in enumerate(sections)
    )  # fmt: skip
    reading = {"reading": "The last point signals; the limits began anew after the move."}
    shared = {**reading, "unit": "", "events": events, "dated": True}
    return (
        ReferenceHistory(key="reference_history", title="R2: is it still what it was?", strips=strips, **shared),
        SmoothedHistory(
            key="smoothed_history", title="R2: small lasting changes", strips=two,
            **{**shared, "unit": "standard deviations of a point"},
        ),
        JointHistory(
            key="joint_history", title="Do the sections of a visit fit together?", strips=strips,
            **{**shared, "events": (), "dated": False},
        ),
        RigStates(
            key="state_of_the_rigs", title="Which rigs are in control?", unit="", rigs=RIGS,
            verdicts=("signal", "in control"), sections=sections, states=states, **reading,
        ),
    )  # fmt: skip


def _offset_series(section: str, place: int) -> OffsetSeries:
    months = tuple(
        OffsetMonth(
            day=f"2026-0{month}-15", value=0.4 * month - 0.3 * place % 3, lower=None if month == 2 else -2.5,
            upper=None if month == 2 else 3.1,
        )
        for month in range(1, 6)
    )  # fmt: skip
    return OffsetSeries(label=section, months=months, margin_low=-5.0, margin_high=5.0)


def example_outcome(sections: tuple[str, ...] = SECTIONS, *, title: str = "Rigs R1 and R2, March") -> Outcome:
    """A correlation check of two rigs in these sections."""
    points = _runs(sections)
    rows = [_offset_row(points, s, decides=i % 5 != 3) for i, s in enumerate(sections)]
    reason = (
        "In Fade 1, minimum, R2 reads lower than R1 by 0.0216 (interval at 95 %: 0.0147 to 0.0284, six sets "
        "on both rigs); whether that exceeds the margin of 0.015 is open. The other deciding sections agree."
    )
    return Outcome(
        job="correlation_check",
        title=title,
        headline=Judgement(
            subject="R2 against R1",
            verdict=Verdict.DIFFERENT,
            reason=reason,
            qualifier=Qualifier.MARGIN_OPEN,
        ),
        judgements=tuple(_judgement(row) for row in rows),
        evidence=(
            "16 runs of 10 pad sets of lot L23-07; 6 sets ran on both rigs, half of them on R2 first.",
            "The offset is formed per pad set and averaged: a set that is high on both rigs adds nothing.",
            "The verdict is the same with scatter pooled over the rigs and with one of its own for each rig.",
        ),
        cannot_tell=(
            "Whether the offset in Fade 1 comes from the cooling air or from the thermocouple: both differ "
            "between the rigs.",
            "Anything about pads of another lot.",
        ),
        next_runs=NextRuns(
            sentence="Six more pad sets on each rig, in alternating order, give a verdict on Fade 1 with a "
            "probability of at least 80 % (432 rig hours).",
            table=_next_table(),
        ),
        tables=(_offset_table(rows), _component_table()),
        figures=_figures(points, rows, sections),  # type: ignore[arg-type]
        notes=(
            Note(
                kind=NoteKind.ZERO_COMPONENT,
                text="rig × pad set was estimated at zero; it stays in the model.",
                sources=("rig × pad set",),
            ),
            Note(
                kind=NoteKind.WRONG_UNIT,
                text="A stop-by-stop t test would have claimed p < 0.0001 in four sections.",
                remedy="Stops of one run are not replicates of a rig; judge by runs of pad sets.",
            ),
        ),
        findings=(
            DataFinding(
                check="excluded",
                text="1 run excluded: cooling fan off (set S04, R2, second run).",
                file="runs.csv",
                rows=(41, 42, 43, 44, 45),
            ),
            DataFinding(
                check="near-duplicate names",
                text="'R1' and 'r1 ' were read as one rig, as the aliases say.",
                file="runs.csv",
                rows=(7, 19),
            ),
        ),
        methods=(
            MethodNote(
                quantity="offset per section",
                method="paired differences of sets, REML components, degrees of freedom by Kenward and Roger",
                source="Kenward & Roger (1997), Biometrics 53, 983–997",
            ),
            MethodNote(
                quantity="equivalence",
                method="two one-sided tests at 5 % each",
                source="Schuirmann (1987), J. Pharmacokin. Biopharm. 15, 657–680",
            ),
        ),
        numbers=(
            ("offset.fade_1", -0.0216),
            ("ratio_of_repeatabilities", 1.41),
            ("number_of_categories", None),
        ),
        provenance=Provenance(
            inputs=(InputFile(name="data/runs.csv", sha256="4f" * 32, rows=412),),
            settings=(("confidence", "95 %"), ("margin", "± 0.015"), ("deciding sections", "4 of 5")),
            seed=20240,
            versions=(("python", "3.11.7"), ("repeatab", "0.1.0"), ("numpy", "1.26.4")),
            as_of="2024-03-31",
        ),
    )


def many_sections(number: int) -> tuple[str, ...]:
    """Names for a study with this many sections."""
    return tuple(f"{kind} {i}" for i in range(1, number) for kind in ("Speed–pressure step", "Fade stop"))[
        :number
    ]


def hostile_outcome() -> Outcome:
    """An outcome in which every text that a user can choose is one of the hostile names, or made of them."""
    base = example_outcome(HOSTILE)
    everything = " | ".join(HOSTILE)
    judgement = replace(base.headline, subject=everything, reason=everything)
    table = replace(base.tables[0], key=HOSTILE[8], caption=everything, remarks=HOSTILE)
    figures = tuple(
        replace(figure, key=HOSTILE[i], title=everything, reading=everything)
        for i, figure in enumerate(base.figures)
    )
    assert base.next_runs is not None
    return replace(
        base,
        title=everything,
        headline=judgement,
        evidence=HOSTILE,
        cannot_tell=HOSTILE,
        next_runs=replace(base.next_runs, sentence=everything),
        tables=(table, replace(table, key=HOSTILE[1]), *base.tables),
        figures=figures,
        notes=tuple(Note(kind=NoteKind.INPUT, text=name, remedy=name) for name in HOSTILE),
        findings=tuple(DataFinding(check="x", text=name, file=name, rows=(2,)) for name in HOSTILE),
        methods=tuple(MethodNote(quantity=name, method=name, source=name) for name in HOSTILE),
        provenance=Provenance(
            inputs=tuple(InputFile(name=name, sha256="0" * 64, rows=1) for name in HOSTILE),
            settings=tuple((name, name) for name in HOSTILE),
        ),
    )


@pytest.fixture(scope="session")
def outcome() -> Outcome:
    return example_outcome()


@pytest.fixture(scope="session")
def hostile() -> Outcome:
    return hostile_outcome()


@pytest.fixture(scope="session")
def hostile_names() -> tuple[str, ...]:
    return HOSTILE


@pytest.fixture(scope="session")
def with_sections() -> Callable[[int], Outcome]:
    """An outcome with this many sections."""
    return lambda number: example_outcome(many_sections(number))
