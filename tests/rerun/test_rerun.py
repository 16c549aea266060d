"""A stored outcome is made again: what agrees, what was changed since, and what is said of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from repeatab.base.errors import InputError
from repeatab.outcome.serialise import to_json_bytes
from repeatab.rerun import Rerun, rerun

RESULT = Path("out/check/result.json")


def edited(lab: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """The stored result with one thing changed in it."""
    path = lab / RESULT
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
    return path


def only_fault(found: Rerun) -> str:
    assert found.comparison is None
    (fault,) = found.faults
    return str(fault)


def test_an_unchanged_study_comes_out_again(lab: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in lab.rglob("*")}
    found = rerun(lab / RESULT)
    assert found.study.resolve() == (lab / "check.toml").resolve()
    assert (found.faults, found.versions, found.past) == ((), (), "")
    assert found.comparison is not None
    assert found.comparison.agrees
    # Headline, section, the row of the figure.
    assert found.comparison.verdicts >= 3
    stored = json.loads((lab / RESULT).read_text(encoding="utf-8"))
    assert found.comparison.numbers > len(stored["numbers"])
    assert found.comparison.largest == 0
    assert {path: path.stat().st_mtime_ns for path in lab.rglob("*")} == before


def test_the_folder_of_a_report_stands_for_its_result(lab: Path) -> None:
    found = rerun(lab / RESULT.parent)
    assert found.comparison is not None
    assert found.comparison.agrees


def test_a_changed_number_is_named_with_its_place(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["numbers"]["cold: estimate"] *= 1 + 1e-6

    stored = edited(lab, change)
    comparison = rerun(stored).comparison
    assert comparison is not None
    (difference,) = comparison.differences
    assert difference.path == "numbers > cold: estimate"
    assert difference.relative == pytest.approx(1e-6, rel=1e-3)
    assert "stored" in str(difference)


def test_a_number_within_the_stated_part_counts_as_the_same(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["numbers"]["cold: estimate"] *= 1 + 5e-10

    comparison = rerun(edited(lab, change)).comparison
    assert comparison is not None
    assert comparison.agrees
    assert comparison.largest == pytest.approx(5e-10, rel=1e-3)


def test_a_changed_verdict_sentence_and_figure_are_found(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["headline"]["verdict"] = "different"
        content["evidence"][0] = "Something else."
        figure = next(one for one in content["figures"] if one["kind"] == "offsets by section")
        figure["rows"][0]["upper"] = 1.0

    comparison = rerun(edited(lab, change)).comparison
    assert comparison is not None
    paths = [one.path for one in comparison.differences]
    assert paths[:2] == ["headline > verdict", "evidence 1"]
    assert len(paths) == 3
    assert paths[2].endswith("> rows 1 > upper")


def test_a_changed_input_is_named_with_both_fingerprints_and_not_run(lab: Path) -> None:
    file = lab / "march.csv"
    then = hashlib.sha256(file.read_bytes()).hexdigest()
    file.write_text(file.read_text().replace("0.401", "0.402", 1))
    said = only_fault(rerun(lab / RESULT))
    assert said.startswith("march.csv: ")
    assert then in said
    assert hashlib.sha256(file.read_bytes()).hexdigest() in said
    assert "run the study" in said


def test_a_missing_input_is_named_with_the_place_it_is_expected_at(lab: Path) -> None:
    (lab / "march.csv").unlink()
    said = only_fault(rerun(lab / RESULT))
    assert said.startswith("march.csv: expected SHA-256 ")
    assert "found no such input" in said
    assert str(lab) in said


def test_a_file_that_the_pattern_takes_in_only_now_is_named(lab: Path) -> None:
    text = (lab / "march.csv").read_text().replace("-", "-more-")
    (lab / "march_2.csv").write_text(text)
    said = only_fault(rerun(lab / RESULT))
    assert said.startswith("march_2.csv: expected no such input, found SHA-256 ")


def test_a_changed_study_file_is_named_with_both_fingerprints(lab: Path) -> None:
    path = lab / "check.toml"
    then = hashlib.sha256(path.read_bytes()).hexdigest()
    path.write_text(path.read_text().replace("5 %", "4 %"))
    said = only_fault(rerun(lab / RESULT))
    assert "check.toml: " in said
    assert then in said


def test_of_two_study_files_of_one_name_the_fingerprint_tells_the_right_one(lab: Path) -> None:
    other = lab / "out" / "check.toml"
    other.write_text((lab / "check.toml").read_text().replace("5 %", "4 %"))
    found = rerun(lab / RESULT)
    assert found.study.resolve() == (lab / "check.toml").resolve()
    assert found.faults == ()


def test_a_study_file_elsewhere_is_named_by_hand(lab: Path, tmp_path: Path) -> None:
    result = tmp_path / "kept" / "a" / "b" / "c" / "result.json"
    result.parent.mkdir(parents=True)
    result.write_bytes((lab / RESULT).read_bytes())
    with pytest.raises(InputError, match=r"its study file 'check\.toml' is not found .* --study"):
        rerun(result)
    found = rerun(result, study=lab / "check.toml")
    assert found.comparison is not None
    assert found.comparison.agrees


def test_other_versions_are_said(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["provenance"]["versions"]["numpy"] = "1.0"
        del content["provenance"]["versions"]["scipy"]

    found = rerun(edited(lab, change))
    assert found.comparison is not None
    assert found.comparison.agrees
    said = "; ".join(map(str, found.versions))
    assert said.startswith("numpy 1.0 then, ")
    assert "scipy not there then, " in said


def test_what_is_no_result_is_refused(lab: Path, tmp_path: Path) -> None:
    for name, content in (("a.json", b"{}"), ("b.json", b"\xff"), ("c.json", b"[1,")):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match=name):
            rerun(path)
    with pytest.raises(InputError, match="cannot be read"):
        rerun(lab / "no" / "result.json")


def test_an_outcome_made_from_python_is_refused(rigs_outcome: Any, tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_bytes(to_json_bytes(rigs_outcome))
    with pytest.raises(InputError, match="made from Python"):
        rerun(path)


@pytest.fixture
def rigs_outcome() -> Any:
    import pandas as pd

    import repeatab as rb

    frame = pd.DataFrame({"rig": list("AABB"), "pad_set": list("abcd"), "result": [0.40, 0.41, 0.405, 0.412]})
    return rb.compare_rigs(frame, rig="A", reference_rig="B", margin=0.02)


@pytest.mark.parametrize(
    "change",
    [
        lambda content: content["tables"][0]["rows"][0].append(1),
        lambda content: content["numbers"].update({"cold: estimate": 10**400}),
        lambda content: content["numbers"].update({"cold: estimate": "0.1"}),
        lambda content: content.pop("headline"),
        lambda content: content.update(schema_version=99),
    ],
    ids=["row too long", "number too large", "text for a number", "no headline", "another version"],
)
def test_a_result_that_was_damaged_is_refused_in_words(
    lab: Path, change: Callable[[dict[str, Any]], None]
) -> None:
    with pytest.raises(InputError, match=r"result\.json"):
        rerun(edited(lab, change))


def test_a_count_beyond_every_number_is_a_difference(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["provenance"]["seed"] = 10**400

    comparison = rerun(edited(lab, change)).comparison
    assert comparison is not None
    assert [one.path for one in comparison.differences] == ["provenance > seed"]


def test_an_input_that_is_no_file_is_missing(lab: Path) -> None:
    def change(content: dict[str, Any]) -> None:
        content["provenance"]["inputs"][0]["name"] = "/dev/zero"

    assert "/dev/zero: expected SHA-256 " in only_fault(rerun(edited(lab, change)))
