"""The smallest Outcome that holds one object of every class. The numbers are invented."""

from __future__ import annotations

import pytest

from repeatab.base.notes import Note, NoteKind
from repeatab.outcome import figures as f
from repeatab.outcome import history_figures as h
from repeatab.outcome.outcome import DataFinding, InputFile, MethodNote, NextRuns, Outcome, Provenance
from repeatab.outcome.participants import Participant
from repeatab.outcome.tables import Column, ColumnKind, Table
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict


@pytest.fixture
def outcome() -> Outcome:
    columns = (
        Column(key="name", caption="name", kind=ColumnKind.TEXT),
        Column(key="value", caption="value", kind=ColumnKind.RESULT, unit="N m"),
    )
    table = Table(
        key="t",
        caption="t",
        columns=columns,
        rows=(("a", 0.1), ("b", None), ("c", 3), ("d", True)),
        remarks=("r",),
    )
    base = {"title": "t", "reading": "r", "unit": ""}
    estimate = f.Estimate(label="rig", value=0.01, lower=None, upper=0.02)
    row = f.OffsetRow(
        label="Cold",
        value=0.001,
        lower=-0.01,
        upper=0.012,
        inner_lower=-0.008,
        inner_upper=0.01,
        margin_low=-0.02,
        margin_high=0.02,
        decides=True,
        verdict="equivalent",
    )
    more = f.MoreRunsRow(
        sets_per_arm=4,
        rig_hours=None,
        probability_no_difference=0.8,
        probability_observed=0.7,
        interval_half_width=0.01,
    )
    month = f.OffsetMonth(day="2026-01-31", value=1.2, lower=None, upper=2.0)
    series = f.OffsetSeries(label="Cold", months=(month,), margin_low=-5.0, margin_high=None)
    visit = h.HistoryPoint(
        place=1.0, label="v", value=0.4, centre=None, lower=0.39, upper=None, use=h.PointUse.NEW, signal=False
    )
    strip = h.HistoryStrip(label="Cold", lines=(h.HistoryLine(name="m", points=(visit,), stretches=(0,)),))
    event = h.HistoryEvent(place=1.0, label="moved", restarts=True)
    figures: tuple[f.Figure, ...] = (
        f.ScatterSources(key="1", sources=(estimate,), margin=None, **base),
        f.OffsetsBySection(key="2", rows=(row,), first="A", second="B", **base),
        f.SetsAcrossRigs(
            key="3",
            points=(f.SetPoint(section="Cold", rig="A", pad_set="S1", order=1, value=0.4),),
            rigs=("A",),
            sections=("Cold",),
            **base,
        ),
        f.RepeatabilityByRig(key="4", sections=("Cold",), rigs=("A",), estimates=((estimate,),), **base),
        f.OrderOfRuns(
            key="5", points=(f.OrderPoint(section="Cold", series="A", order=1, value=0.0),), **base
        ),
        f.WhatMoreRunsBuy(key="6", rows=(more,), target=0.8, margin=0.02, **base),
        f.OffsetHistory(
            key="offsets over the months", series=(series,), events=(("2026-02-01", "repair"),), **base
        ),
        f.ReferenceHistory(key="8", strips=(strip,), events=(event,), dated=True, **base),
        f.SmoothedHistory(key="9", strips=(strip,), events=(), dated=True, **base),
        f.JointHistory(key="10", strips=(strip,), events=(), dated=False, **base),
        f.RigStates(
            key="11",
            rigs=("A",),
            verdicts=("signal",),
            sections=("Cold",),
            states=(
                h.RigSectionState(rig="A", section="Cold", state="signal", since="2025-01-31", decides=True),
            ),
            **base,
        ),
        f.ConsistencyByLaboratory(
            key="12",
            laboratories=("L",),
            levels=("A",),
            points=(
                f.ConsistencyPoint(
                    laboratory="L",
                    level="A",
                    h=None,
                    k=0.5,
                    h_beyond=f.Beyond.NEITHER,
                    k_beyond=f.Beyond.ONE_PERCENT,
                ),
            ),
            h_5=1.7,
            h_1=2.0,
            k_5=None,
            k_1=None,
            highlight="L",
            **base,
        ),
        f.ResultsByLaboratory(
            key="13",
            laboratories=("L",),
            rows=(
                f.LaboratoryResults(
                    laboratory="L", level="A", values=(0.4, 0.41), mean=0.405, sd=None, flag="straggler"
                ),
            ),
            lines=(f.LevelLine(level="A", value=0.4, low=0.38, high=0.42),),
            line_label="mean",
            band_label="band",
            **base,
        ),
        f.PairsOfLevels(
            key="14",
            pairs=(f.LevelPair(first="A", second="B", points=(f.PairPoint(laboratory="L", x=0.0, y=0.1),)),),
            **base,
        ),
        f.PrecisionByLevel(
            key="15",
            rows=(f.PrecisionPoint(level="A", mean=0.4, repeatability=None, reproducibility=estimate),),
            curves=(f.PrecisionCurve(label="s_R", form="s = b m", points=((0.3, 0.01), (0.4, 0.02))),),
            **base,
        ),
        f.WearOfSets(
            key="16",
            levels=(
                f.LevelWear(
                    level="A",
                    runs=(f.ReturnRun(pad_set="S", position=1.0, value=0.0, takes_part=True),),
                    line=(f.DriftLine(position=1.0, value=0.0, low=-0.1, high=0.1),),
                    places=(("L", 1.0),),
                ),
            ),
            **base,
        ),
    )
    judgement = Judgement(
        subject="A against B",
        verdict=Verdict.UNDECIDED,
        reason="wide",
        qualifier=Qualifier.CONFOUNDED,
        decides=False,
    )
    participant = Participant(
        code="P01",
        laboratory="L",
        headline=judgement,
        judgements=(judgement,),
        evidence=("four",),
        cannot_tell=("five",),
        tables=(table,),
        figures=figures[:1],
    )
    return Outcome(
        job="correlation_check",
        title="μ of rigs",
        headline=judgement,
        judgements=(judgement,),
        evidence=("one",),
        cannot_tell=("two",),
        next_runs=NextRuns(sentence="three", table=table),
        tables=(table,),
        figures=figures,
        notes=(Note(kind=NoteKind.WEAR, text="wears", sources=("set",), remedy="run fewer"),),
        findings=(DataFinding(check="dup", text="twice", file="a.csv", rows=(2, 3), blocks=True),),
        methods=(MethodNote(quantity="offset", method="t", source="Student (1908)"),),
        numbers=(("offset", 0.1), ("categories", None)),
        participants=(participant,),
        provenance=Provenance(
            inputs=(InputFile(name="a.csv", sha256="0" * 64, rows=3),),
            settings=(("confidence", "95 %"), ("exclude", "a"), ("exclude", "b")),
            seed=1,
            versions=(("numpy", "1.26"),),
            as_of="2024-01-31",
        ),
    )
