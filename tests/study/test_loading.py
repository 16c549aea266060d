"""A study file becomes the job's question and the way to its results."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.quantity import BRAKE_FACTOR
from repeatab.intake.options import DecimalMark, Separator, Shape
from repeatab.intake.statistics import LastStops, Mean, MeanOverConditions, Minimum
from repeatab.jobs.questions import (
    AcceptanceBands,
    Analysis,
    CorrelationCheck,
    GaugeStudy,
    GaugeStudySection,
    ProcessUncertainty,
    RunCost,
    Section,
    Tolerance,
)
from repeatab.study.loading import Study, load_study

Load = Callable[..., Study]
FIVE_PERCENT = Margin(size=5.0, unit=MarginUnit.PERCENT)


def test_a_correlation_check_as_its_file_states_it(load: Load, tmp_path: Path) -> None:
    study = load(
        'rig = "R2"',
        'rig = "R2"\nas_of = 2026-03-31\nconfidence = 0.9\nanalysis = "ratio"\nlooks = [4, 6]\nseed = 7',
    )
    assert study.question == CorrelationCheck(
        rigs=("R2",),
        reference_rig="R1",
        sections=(Section(name="fade 1", margin=FIVE_PERCENT, decides=True),),
        confidence=0.9,
        analysis=Analysis.RATIO,
        looks=(4, 6),
        as_of="2026-03-31",
        seed=7,
    )
    assert (study.job, study.title, study.name) == ("correlation_check", "R2 against R1", "study")
    assert study.as_of == "2026-03-31"
    assert study.sections == ("fade 1",)
    assert study.source.folder == tmp_path
    assert study.sha256 == hashlib.sha256((tmp_path / "study.toml").read_bytes()).hexdigest()


def test_how_long_a_correction_holds_is_stated_with_the_day_it_counts_from(
    load: Load, refusal: Callable[..., str]
) -> None:
    question = load(
        'rig = "R2"', 'rig = "R2"\nas_of = 2026-03-31\ncorrection_valid_days = 31\noverall_margin = "3 %"'
    ).question
    assert isinstance(question, CorrelationCheck)
    assert (question.correction_valid_days, question.as_of) == (31, "2026-03-31")
    assert question.overall_margin == Margin(size=3, unit=MarginUnit.PERCENT)
    text = refusal('rig = "R2"', 'rig = "R2"\ncorrection_valid_days = 31')
    assert "correction_valid_days" in text
    assert "needs as_of" in text


def test_several_rigs_against_one_or_each_against_each(load: Load, correlation_study: str) -> None:
    several = load('rig = "R2"', 'rig = ["R2", "R3"]').question
    assert isinstance(several, CorrelationCheck)
    assert several.pairs == (("R2", "R1"), ("R3", "R1"))
    alone = correlation_study.replace('reference_rig = "R1"\n', "")
    each = load('rig = "R2"', 'rig = ["R1", "R2", "R3"]', base=alone).question
    assert isinstance(each, CorrelationCheck)
    assert len(each.pairs) == 3
    assert each.reference_rig is None


def test_a_gauge_study_as_its_file_states_it(load: Load, gauge: str) -> None:
    study = load(
        "[bands]",
        "[process]\nresolution = 0.001\nbias = -0.002\n[bands]",
        base=gauge.replace('title = "', 'remove_wear = true\nmultiplier = 5.15\ntitle = "', 1),
    )
    assert study.question == GaugeStudy(
        sections=(GaugeStudySection(name="characteristic", tolerance=Tolerance(lower=0.34, upper=0.46)),),
        multiplier=5.15,
        bands=AcceptanceBands(acceptable=10, conditional=30),
        process=ProcessUncertainty(resolution=0.001, bias=-0.002),
        remove_wear=True,
    )


def test_the_ways_of_reading_arrive_as_types(load: Load, correlation_study: str) -> None:
    study = load(
        'quantity = "friction"',
        'quantity = "brake factor"\nseparator = "semicolon"\ndecimal = "comma"\nsheet = "a"\nheader_row = 3\n'
        'factors = ["disc_batch"]',
        base=correlation_study.replace("[columns]", '[columns]\ndisc_batch = "disc batch"', 1),
    )
    options = study.source.options
    assert study.source.quantity is BRAKE_FACTOR
    assert (options.separator, options.decimal) == (Separator.SEMICOLON, DecimalMark.COMMA)
    assert options.factors == ("disc_batch",)
    assert (options.sheet, options.header_row, options.shape) == ("a", 3, Shape.LONG)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ('"5 %"', FIVE_PERCENT),
        ('"5%"', FIVE_PERCENT),
        ('"± 5.0 %"', FIVE_PERCENT),
        ('"2.5 %"', Margin(size=2.5, unit=MarginUnit.PERCENT)),
        ("0.02", Margin(size=0.02, unit=MarginUnit.ABSOLUTE)),
    ],
)
def test_margins_are_percent_in_text_or_a_number_in_the_unit(load: Load, written: str, meant: Margin) -> None:
    question = load('margin = "5 %"', f"margin = {written}").question
    assert isinstance(question, CorrelationCheck)
    assert question.sections[0].margin == meant


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ('"mean"', Mean()),
        ('"minimum"', Minimum()),
        ('"last stop"', LastStops(1)),
        ('"last 3 stops"', LastStops(3)),
        ('{ mean_over_conditions = ["20", "40"] }', MeanOverConditions(("20", "40"))),
        ("{ mean_over_conditions = [20, 40] }", MeanOverConditions(("20", "40"))),
    ],
)
def test_statistics(load: Load, written: str, meant: object) -> None:
    study = load('margin = "5 %"', f'margin = "5 %"\nstatistic = {written}')
    assert study.statistics == {"fade 1": meant}


def test_an_informing_section_needs_no_margin(load: Load) -> None:
    question = load(new="[sections.bedding]\ndecides = false\n").question
    assert question.sections[1] == Section(name="bedding", margin=None, decides=False)


def test_exclusions_aliases_and_cost(load: Load) -> None:
    study = load(
        new='[[exclude]]\nwhere = { run = 4109, date = 2026-03-06 }\nreason = "fault"\n'
        '[aliases]\nrigs = { "dyno 2" = "R2" }\n[cost]\nhours_per_set = 5\nsets_at_hand = 8\n'
    )
    (exclusion,) = study.source.exclusions
    assert (exclusion.match, exclusion.reason) == ({"run": 4109, "date": "2026-03-06"}, "fault")
    assert study.source.aliases.rigs == {"dyno 2": "R2"}
    assert isinstance(study.question, CorrelationCheck)
    assert study.question.cost == RunCost(hours_per_set=5.0, sets_at_hand=8)


def test_covariates_are_read_as_numbers_and_used(load: Load, correlation_study: str) -> None:
    base = correlation_study.replace("[columns]", '[columns]\nt0 = "start_temp"', 1)
    study = load('rig = "R2"', 'rig = "R2"\ncovariates = ["t0"]', base=base)
    assert study.question.covariates == ("t0",) == study.source.options.covariates


def test_settings_list_what_was_stated_and_mark_what_was_not(load: Load) -> None:
    settings = dict(load().settings)
    assert settings["sections.fade 1.margin"] == "± 5 %"
    assert settings["results.quantity"] == "friction"
    assert settings["columns.pad_set"] == "set"
    assert settings["confidence"] == "0.95 (not stated: default)"
    assert settings["sections.fade 1.decides"] == "yes (not stated: default)"
    assert "as_of" not in settings


def test_settings_hold_no_folder_of_the_machine(load: Load, tmp_path: Path) -> None:
    study = load('"march.csv"', f'"{tmp_path.as_posix()}/data/march.csv"')
    assert dict(study.settings)["results.files"] == "data/march.csv"
    assert not any(tmp_path.as_posix() in text for _, text in study.settings)


def test_a_bom_and_windows_line_ends_do_not_matter(load: Load, tmp_path: Path) -> None:
    plain = load()
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_study(str(path)).question == plain.question
