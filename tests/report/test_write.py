"""A report is written whole or not at all, the same each time, and names stay out of paths."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from repeatab.base.errors import InputError
from repeatab.base.owned_files import LIST_NAME
from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import from_json_bytes, result_schema
from repeatab.report import page
from repeatab.report.write import report_contents, write_report


@pytest.fixture
def small(outcome: Outcome) -> Outcome:
    return replace(outcome, figures=outcome.figures[2:4])


def test_a_report_has_all_its_parts(small: Outcome, tmp_path: Path) -> None:
    files = write_report(small, tmp_path / "out")
    assert files.page == tmp_path / "out" / "report.html"
    names = sorted(p.relative_to(tmp_path / "out").as_posix() for p in files.folder.rglob("*") if p.is_file())
    assert names == [
        LIST_NAME,
        "figures/repeatability-by-rig.png",
        "figures/repeatability-by-rig.svg",
        "figures/scatter-sources.png",
        "figures/scatter-sources.svg",
        "report.html",
        "result.json",
        "tables.xlsx",
    ]
    assert sorted(p.relative_to(tmp_path / "out").as_posix() for p in files.figures) == names[1:5]
    for path in (files.page, files.data, files.workbook, *files.figures):
        assert path.stat().st_size > 0
    Draft202012Validator(result_schema()).validate(json.loads(files.data.read_bytes()))
    assert from_json_bytes(files.data.read_bytes()) == small
    assert files.page.name in str(files)


def test_two_folders_hold_the_same_bytes_and_no_path(small: Outcome, tmp_path: Path) -> None:
    one, two = write_report(small, tmp_path / "one"), write_report(small, tmp_path / "deeper" / "two")
    for path in sorted(one.folder.rglob("*")):
        if path.is_file():
            content = path.read_bytes()
            assert content == (two.folder / path.relative_to(one.folder)).read_bytes(), path
            assert str(tmp_path).encode() not in content


def test_hostile_names_stay_out_of_paths(hostile: Outcome, tmp_path: Path) -> None:
    files = write_report(replace(hostile, figures=hostile.figures[2:4] * 2), tmp_path / "out")
    assert len({path.name.lower() for path in files.figures}) == 8
    for path in files.figures:
        assert path.parent == tmp_path / "out" / "figures"
        assert path.is_file()
        assert set(path.stem) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_failure_while_drawing_leaves_the_previous_report(
    small: Outcome, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = write_report(small, tmp_path / "out")
    before = files.page.read_bytes()

    def fails(*_: object, **__: object) -> bytes:
        raise RuntimeError("defect")

    monkeypatch.setattr(page, "page_bytes", fails)
    with pytest.raises(RuntimeError, match="defect"):
        write_report(replace(small, title="new"), tmp_path / "out")
    assert files.page.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_new_report_drops_old_figures_and_keeps_what_others_put_there(
    small: Outcome, tmp_path: Path
) -> None:
    files = write_report(small, tmp_path / "out")
    (files.folder / "comments.txt").write_text("seen by the customer")
    files.workbook.write_bytes(b"annotated")
    again = write_report(replace(small, figures=small.figures[1:]), tmp_path / "out")
    assert again.kept == ("tables.kept-1.xlsx",)
    assert (files.folder / "tables.kept-1.xlsx").read_bytes() == b"annotated"
    assert (files.folder / "comments.txt").read_text() == "seen by the customer"
    assert sorted(p.name for p in (files.folder / "figures").iterdir()) == [
        "repeatability-by-rig.png",
        "repeatability-by-rig.svg",
    ]


def test_a_path_that_is_a_file_gives_one_message(small: Outcome, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(InputError, match="is a file, expected a folder"):
        write_report(small, tmp_path / "out")
    assert (tmp_path / "out").read_text() == "mine"


def test_progress_is_told_to_the_end(small: Outcome, tmp_path: Path) -> None:
    heard: list[tuple[str, int, int]] = []
    write_report(small, tmp_path / "out", progress=lambda *step: heard.append(step))
    assert heard[0] == ("drawing the figures", 0, 2)
    assert heard[-1] == ("writing the report", 1, 1)
    assert all(0 <= done <= total for _, done, total in heard)


def test_every_part_is_made_from_what_the_json_file_holds(small: Outcome) -> None:
    key, value = small.numbers[0]
    table = small.tables[0]
    odd = (table.rows[0][0], 6, float("nan"), *table.rows[0][3:])
    outcome = replace(small, figures=(), tables=(replace(table, rows=(odd,)),), numbers=((key, value),))
    contents = report_contents(outcome)
    assert b"NaN" not in contents["result.json"]
    assert "– means: not available in this design.".encode() in contents["report.html"]


def test_importing_the_report_loads_no_heavy_library() -> None:
    root = str(Path(page.__file__).parents[2])
    heavy = ("pandas", "matplotlib", "seaborn", "scipy", "openpyxl", "jinja2", "statsmodels", "pingouin")
    code = (
        f"import sys; sys.path.insert(0, {root!r})\n"
        "import repeatab.report.write, repeatab.report.text, repeatab.report.figures\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert found.stdout.strip() == "[]"
