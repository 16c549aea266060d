"""What a study file gets wrong is said in one message: the file, the key, what was found, what is expected."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.base.errors import StudyError
from repeatab.study.loading import load_study

Refusal = Callable[..., str]


def parts_in(message: str, *parts: str) -> None:
    missing = [part for part in parts if part not in message]
    assert not missing, f"{missing} not in: {message}"


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('rig = "R2"', 'rigg = "R2"', ("'rigg'", "Did you mean 'rig'?")),
        ("[results]", "[result]", ("'result'", "Did you mean 'results'?")),
        ('quantity = "friction"', 'quantity = "friction"\ndecimals = "comma"',
         ("'results.decimals'", "Did you mean 'decimal'?")),
        ('margin = "5 %"', 'margn = "5 %"', ("'sections.fade 1.margn'", "Did you mean 'margin'?")),
        ('margin = "5 %"', 'margin = "5 %"\n[cost]\nhours = 3', ("'cost.hours'", "'hours_per_set'")),
        ('margin = "5 %"', 'margin = "5 %"\n[[exclude]]\nwhere = {run = 1}\nreasn = "x"',
         ("'exclude[1].reasn'", "Did you mean 'reason'?")),
    ],
)  # fmt: skip
def test_an_unknown_key_is_named_with_the_nearest_known_one(
    refusal: Refusal, old: str, new: str, parts: tuple[str, ...]
) -> None:
    parts_in(refusal(old, new), "study.toml", "unknown key", *parts)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('rig = "R2"', "rig = 2", ("rig:", "2 (a number)", "text in quotes")),
        ('rig = "R2"', 'rig = "R2"\nconfidence = "95 %"', ("confidence:", "'95 %' (text)", "a number")),
        ('rig = "R2"', 'rig = "R2"\nconfidence = 95', ("confidence:", "95", "as a fraction")),
        ('rig = "R2"', 'rig = "R2"\ncovariates = "t0"', ("covariates:", "'t0' (text)", "a list")),
        ('rig = "R2"', 'rig = "R2"\nseed = -1', ("seed:", "-1", "at least 0")),
        ('rig = "R2"', 'rig = "R2"\nlooks = [6, 4]', ("looks:", "[6, 4]", "rising")),
        ('rig = "R2"', 'rig = "R2"\nanalysis = "ratios"', ("analysis:", "'ratios'", "Did you mean 'ratio'?")),
        ('rig = "R2"', 'rig = "R1"', ("'R1'", "names a rig twice")),
        ('rig = "R2"', 'rig = "R2"\nas_of = "31.03.2026"', ("as_of:", "'31.03.2026'", "2026-03-31")),
        ('files = "march.csv"', "files = 3", ("results.files:", "3 (a number)", "path")),
        ('files = "march.csv"', "files = []", ("results.files:", "a list", "path")),
        ('"friction"', '"frction"', ("results.quantity:", "'frction'", "Did you mean 'friction'?")),
        ('"friction"', '"friction"\nseparator = "semi"',
         ("results.separator:", "'semi'", "'semicolon'", "'tab'")),
        ('"friction"', '"friction"\nsheet = 1', ("results.sheet:", "1 (a number)", "text in quotes")),
        ('margin = "5 %"', 'margin = "5 %"\ndecides = "no"',
         ("sections.fade 1.decides:", "'no' (text)", "true or false")),
        ('margin = "5 %"', 'margin = "5,5 %"', ("sections.fade 1.margin:", "'5,5 %'", "decimal point")),
        ('margin = "5 %"', 'margin = "5 percent"', ("sections.fade 1.margin:", "'5 percent'", '"5 %"')),
        ('margin = "5 %"', 'margin = "0.02"', ("sections.fade 1.margin:", "'0.02'", "without quotes")),
        ('margin = "5 %"', "margin = 5", ("sections.fade 1.margin:", "5", '"5 %"', "friction")),
        ('margin = "5 %"', "margin = -0.02", ("sections.fade 1.margin:", "-0.02", "positive")),
        ('margin = "5 %"', "margin = inf", ("sections.fade 1.margin:", "inf")),
        ('margin = "5 %"', "margin = true", ("sections.fade 1.margin:", "true", '"5 %"')),
        ('margin = "5 %"', 'margin = "120 %"', ("sections.fade 1.margin:", "120", "less than 100")),
        ('margin = "5 %"', 'margin = "5 %"\nstatistic = "median"',
         ("sections.fade 1.statistic:", "'median'", '"minimum"')),
        ('margin = "5 %"', 'margin = "5 %"\nstatistic = "last 0 stops"',
         ("sections.fade 1.statistic:", "0", "from 1")),
        ('[sections."fade 1"]\nmargin = "5 %"', "[sections]\nfade = 3",
         ("sections.fade:", "3 (a number)", "a table")),
        ('margin = "5 %"', 'margin = "5 %"\n[[exclude]]\nwhere = {run = 1}\nreason = " "',
         ("gives no reason", "run = '1'")),
        ('margin = "5 %"', 'margin = "5 %"\n[cost]\ntarget = 80', ("cost.target:", "80", "below 1")),
    ],
)  # fmt: skip
def test_a_wrong_value_is_shown_with_what_is_expected(
    refusal: Refusal, old: str, new: str, parts: tuple[str, ...]
) -> None:
    parts_in(refusal(old, new), "study.toml", *parts)


def test_a_missing_margin_is_asked_for_with_its_meaning(refusal: Refusal) -> None:
    message = refusal('margin = "5 %"', "")
    parts_in(
        message, "study.toml", "sections.fade 1.margin", "is missing", "largest offset", "decides = false"
    )


def test_missing_bands_are_asked_for_with_their_meaning(refusal: Refusal, gauge: str) -> None:
    message = refusal("[bands]\nacceptable = 10\nconditional = 30\n", "", base=gauge)
    parts_in(message, "study.toml", "'bands'", "is missing", "R&R", "10 and 30")
    message = refusal("conditional = 30\n", "", base=gauge)
    parts_in(message, "'bands.conditional'", "is missing", "R&R")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("{ lower = 0.34, upper = 0.46 }", "{}", ("sections.characteristic.tolerance", "no limit")),
        ("lower = 0.34", "lower = 0.5", ("sections.characteristic.tolerance", "lower < upper")),
        ("conditional = 30", "conditional = 5", ("bands", "acceptable 10", "conditional 5")),
        ("[bands]", "[process]\ndrift = -1\n[bands]", ("process.drift:", "-1", "at least 0")),
    ],
)
def test_wrong_values_of_a_gauge_study(
    refusal: Refusal, gauge: str, old: str, new: str, parts: tuple[str, ...]
) -> None:
    parts_in(refusal(old, new, base=gauge), "study.toml", *parts)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('title = "R2 against R1"\n', "", ("'title'", "is missing", "heads the report")),
        ('title = "R2 against R1"', 'title = ""', ("title", "is empty")),
        ('files = "march.csv"\n', "", ("'results.files'", "is missing", "relative to the study file")),
        ('quantity = "friction"\n', "", ("'results.quantity'", "is missing", "C* taken for μ")),
        ('reference_rig = "R1"\n', "", ("reference_rig", "is missing", "compared with")),
        ('rig = "R2"\n', "", ("'rig'", "is missing", "as the results write it")),
        ('pad_set = "set"\n', "", ("columns.pad_set", "is missing", "pad set")),
        ('result = "mu"\n', "", ("columns.result", "is missing", "measured value")),
        ('[sections."fade 1"]\nmargin = "5 %"', "", ("'sections'", "is missing")),
        ('[sections."fade 1"]\nmargin = "5 %"', "[sections]", ("sections", "is empty")),
        ('margin = "5 %"', "decides = false", ("sections", "at least one has to decide")),
        ('margin = "5 %"', 'margin = "5 %"\n[[exclude]]\nwhere = {run = 1}', ("'exclude[1].reason'", "report")),
    ],
)  # fmt: skip
def test_what_is_missing_is_asked_for(refusal: Refusal, old: str, new: str, parts: tuple[str, ...]) -> None:
    parts_in(refusal(old, new), "study.toml", *parts)


def test_several_sections_need_a_column_that_tells_them(refusal: Refusal, correlation_study: str) -> None:
    two = correlation_study + '[sections.recovery]\nmargin = "5 %"\n'
    message = refusal('section = "section"\n', "", base=two)
    parts_in(message, "columns.section", "is missing", "Several sections")


def test_a_name_that_is_almost_a_role_is_refused_unless_it_is_declared(refusal: Refusal) -> None:
    message = refusal('rig = "rig"', 'rig = "rig"\noperators = "op"')
    parts_in(message, "columns.operators", "not a role", "Did you mean 'operator'?", "results.factors")


def test_a_job_that_is_unknown_or_not_named(refusal: Refusal) -> None:
    message = refusal('job = "correlation_check"', 'job = "corelation_check"')
    parts_in(
        message, "study.toml", "'corelation_check'", "'gauge_study'", "Did you mean 'correlation_check'?"
    )
    message = refusal('job = "correlation_check"\n', "")
    parts_in(message, "study.toml", "'job' is missing", "gauge_study", "repeatab start")


def test_other_faults_are_counted(refusal: Refusal) -> None:
    message = refusal('title = "R2 against R1"\nrig = "R2"\n', "rig = 2\n")
    parts_in(message, "'title' is missing", "1 more to correct")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('rig = "R2"', "rig = R2", ("line 3", "column 7", "rig = R2", "quotes")),
        ('rig = "R2"', "confidence = 0,95", ("line 3", "confidence = 0,95", "decimal point")),
        ("[results]", "[results", ("line 6", "[results")),
        ('rig = "R2"', 'rig = "R2"\nrig = "R3"', ("line 4", 'rig = "R3"')),
        ('margin = "5 %"\n', 'margin = "5 %', ("line 17", 'margin = "5 %')),
    ],
)
def test_text_that_is_no_toml_is_shown_with_line_and_column(
    refusal: Refusal, old: str, new: str, parts: tuple[str, ...]
) -> None:
    parts_in(refusal(old, new), "study.toml", "not valid TOML", *parts)


def message_for(path: Path) -> str:
    with pytest.raises(StudyError) as caught:
        load_study(path)
    return str(caught.value)


def test_files_that_are_no_study_files(tmp_path: Path) -> None:
    parts_in(message_for(tmp_path), str(tmp_path), "is a folder", "expected a study file")

    empty = tmp_path / "empty.toml"
    empty.write_text(" \n")
    parts_in(message_for(empty), "empty.toml", "is empty", "repeatab start")

    parts_in(message_for(tmp_path / "emty.toml"), "no such file", "Did you mean 'empty.toml'?")

    workbook = tmp_path / "results.xlsx"
    workbook.write_bytes(b"PK\x03\x04\xff\xfe")
    parts_in(message_for(workbook), "results.xlsx", "not UTF-8", "repeatab check")

    huge = tmp_path / "huge.csv"
    with huge.open("wb") as stream:
        stream.truncate(200_000_000)
    parts_in(message_for(huge), "huge.csv", "200 MB", "repeatab check")

    deep = tmp_path / "deep.toml"
    deep.write_text("a = " + "[" * 5000)
    parts_in(message_for(deep), "deep.toml")

    parts_in(message_for(tmp_path / ("x" * 5000)), "cannot be read")
    parts_in(message_for(tmp_path / "nul\0.toml"), "cannot be read")
