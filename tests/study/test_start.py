"""The study files to begin with: complete, explained, and good once the laboratory's decisions are filled in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from repeatab.base.errors import StudyError
from repeatab.study.faults import _schema_at
from repeatab.study.known_jobs import JOBS, schema_of
from repeatab.study.loading import load_study
from repeatab.study.start import template, write_template

_SETTING = re.compile(r"^#(?=[\w\[])", re.MULTILINE)


def filled_in(job: str) -> str:
    """The template with every commented setting in use, except the wide table that excludes a long one."""
    text = re.sub(r'^#(shape|section_columns|units_row = "none)', r"# \1", template(job), flags=re.MULTILINE)
    return _SETTING.sub("", text)


@pytest.mark.parametrize("job", JOBS)
def test_the_template_with_everything_in_use_loads(job: str, tmp_path: Path) -> None:
    path = tmp_path / f"{job}.toml"
    path.write_text(filled_in(job), encoding="utf-8")
    study = load_study(path)
    assert study.job == job
    assert len(study.statistics) == len(study.sections) == 2
    assert len(study.source.exclusions) == 1


@pytest.mark.parametrize(
    ("job", "asked"),
    [
        ("correlation_check", "sections.characteristic.margin"),
        ("gauge_study", "bands.acceptable"),
        ("control_chart", "chart.shift"),
        ("round_robin", "columns.laboratory"),
    ],
)
def test_the_template_as_written_asks_for_the_decision(job: str, asked: str, tmp_path: Path) -> None:
    path = tmp_path / f"{job}.toml"
    write_template(job, path)
    with pytest.raises(StudyError) as caught:
        load_study(path)
    assert asked in str(caught.value)
    assert "is missing" in str(caught.value)


@pytest.mark.parametrize("job", JOBS)
def test_the_template_names_every_key_of_the_schema(job: str) -> None:
    schema = schema_of(job, file="")
    text = re.sub(r"^#(?=[\w\[])", "", template(job), flags=re.MULTILINE)
    written = set(re.findall(r"\w+(?= =)", text)) | set(re.findall(r"(?<=\[)\w+", text))
    missing = {key for key in keys_of(schema) if key not in written}
    assert not missing


def keys_of(schema: type[BaseModel]) -> Iterator[str]:
    for name, field in schema.model_fields.items():
        yield name
        inner = _inner(schema, name, field.annotation)
        if inner is not None:
            yield from keys_of(inner)


def _inner(schema: type[BaseModel], name: str, annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if "Part" in str(annotation) or "Section" in str(annotation):
        steps = (name,) if "None" in str(annotation) else (name, "any")
        return _schema_at(schema, steps)
    return None


@pytest.mark.parametrize("job", JOBS)
def test_every_table_of_the_template_is_explained_above_it(job: str) -> None:
    lines = template(job).splitlines()
    headers = [number for number, line in enumerate(lines) if re.match(r"#?\[", line)]
    unexplained = [lines[at] for at in headers if not lines[at - 1].startswith("# ")]
    # Of several sections the first is explained.
    assert unexplained == ['[sections."fade 1"]']


def test_an_existing_file_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("my own")
    with pytest.raises(StudyError, match="exists already"):
        write_template("gauge_study", path)
    assert path.read_text() == "my own"


def test_a_place_that_cannot_be_written_and_a_job_that_is_unknown(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"mine\.toml: cannot be written"):
        write_template("gauge_study", tmp_path / "nowhere" / "mine.toml")
    with pytest.raises(StudyError, match="Did you mean 'gauge_study'"):
        write_template("gage_study", tmp_path / "mine.toml")
    assert list(tmp_path.iterdir()) == []
