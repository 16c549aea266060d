"""Bad input ends in one message on stderr and exit status 2; nothing is written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

Refused = Callable[..., str]
Lab = Callable[..., Path]


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('rig = "R2"', "rig = R2", ("study.toml, line 3, column 7",)),
        ('margin = "5 %"', 'margn = "5 %"', ("study.toml", "sections.characteristic.margn", "Did you mean 'margin'")),
        ('margin = "5 %"', "", ("study.toml", "sections.characteristic.margin", "is missing")),
        ("correlation_check", "correlation", ("study.toml", "job", "Did you mean 'correlation_check'")),
        ('rig = "rig"', 'rig = "dyno"', ("march.csv", "'rig'", "'dyno'", "'set'")),
        ("march.csv", "mach.csv", ("mach.csv", "no such file", "Did you mean 'march.csv'")),
        ('"march.csv"', '"exports"', ("exports", "folder without a table")),
        ("sections.characteristic", "sections.charcteristic", ("'charcteristic'", "Did you mean 'characteristic'")),
        ('rig = "R2"', 'rig = "R3"', ("'R3'",)),
    ],
)  # fmt: skip
def test_a_study_that_cannot_be_run(
    refused: Refused, lab: Lab, old: str, new: str, parts: tuple[str, ...]
) -> None:
    (lab(old, new) / "exports").mkdir()
    message = refused("run", "study.toml")
    missing = [part for part in parts if part not in message]
    assert not missing, message


@pytest.mark.parametrize(
    ("table", "parts"),
    [
        ("", ("march.csv", "empty")),
        ("rig,set,section,mu\n", ("march.csv", "no row")),
        ("rig,set,section,mu\nR1,S1,characteristic,n/a\nR2,S2,characteristic,0.4\n",
         ("march.csv", "row 2", "'mu'", "'n/a'", "[[exclude]]")),
        ("rig,set,section,mu\nR1,S1,characteristic,0.4\nR1,S2,characteristic,0.41\n", ("R2",)),
    ],
)  # fmt: skip
def test_results_that_cannot_be_used(refused: Refused, lab: Lab, table: str, parts: tuple[str, ...]) -> None:
    lab(table=table)
    message = refused("run", "study.toml")
    missing = [part for part in parts if part not in message]
    assert not missing, message


def test_paths_that_are_no_study(refused_by_the_program: Refused, tmp_path: Path) -> None:
    assert "is a folder" in refused_by_the_program("run", ".")
    assert "no such file" in refused_by_the_program("run", "nothing.toml")
    (tmp_path / "empty.toml").touch()
    assert "is empty" in refused_by_the_program("run", "empty.toml")


def test_results_taken_for_a_study_and_folders_for_results(refused: Refused, lab: Lab) -> None:
    lab()
    assert "repeatab check" in refused("run", "march.csv") or "not valid TOML" in refused("run", "march.csv")
    assert "no such file" in refused("check", "nothing.csv")


def test_an_output_folder_that_is_a_file_or_cannot_be_made(refused: Refused, lab: Lab) -> None:
    lab()
    (lab() / "taken").write_text("a file")
    assert "expected a folder" in refused("run", "study.toml", "--to", "taken")
    assert "expected a folder" in refused("run", "study.toml", "--to", "taken/out")
    # A place where nobody, not even the administrator, can make a folder.
    assert "cannot be written" in refused("run", "study.toml", "--to", "/proc/repeatab")


def test_words_on_the_command_line(refused: Refused, lab: Lab) -> None:
    lab()
    assert "--separator" in (message := refused("check", "march.csv", "--separator", "semikolon"))
    assert "Did you mean 'semicolon'" in message
    assert "quantity" in refused("check", "march.csv", "--quantity", "frction")
    assert "ROLE=COLUMN" in refused("check", "march.csv", "--column", "mu")
    assert "'nonsense'" in refused("check", "march.csv", "--column", "result=nonsense")
    assert "Did you mean 'gauge_study'" in refused("start", "gauge_stdy")
