"""The command `repeatab verify`: what it says and how it ends."""

from __future__ import annotations

import json
from pathlib import Path

from typer.testing import CliRunner

from repeatab.cli import app

RESULT = "out/check/result.json"


def verified(lab: Path, *more: str) -> tuple[int, str, str]:
    ran = CliRunner().invoke(app, ["verify", str(lab / RESULT), *more])
    return ran.exit_code, ran.stdout, ran.stderr


def test_an_outcome_that_comes_out_again_ends_with_zero(lab: Path) -> None:
    status, said, errors = verified(lab)
    assert (status, errors) == (0, "")
    for part in (
        "R2 against R1",
        "Inputs: 1, every fingerprint as stored.",
        "Versions: the same.",
        "Reproduced: ",
    ):
        assert part in said


def test_a_difference_ends_with_three_and_is_listed(lab: Path) -> None:
    path = lab / RESULT
    content = json.loads(path.read_text(encoding="utf-8"))
    wrong = dict.fromkeys(content["numbers"], 7.0)
    content["numbers"] = wrong
    content["headline"]["subject"] = "\x1b[31mred"
    path.write_text(json.dumps(content), encoding="utf-8")
    status, said, errors = verified(lab)
    assert (status, errors) == (3, "")
    assert "Not reproduced: " in said
    assert "- numbers > cold: estimate: stored 7.0, found " in said
    assert "(relative difference " in said
    assert "\x1b" not in said


def test_a_changed_input_ends_with_two(lab: Path) -> None:
    (lab / "march.csv").write_text("rig,set,section,mu\n", encoding="utf-8")
    status, said, errors = verified(lab)
    assert (status, said) == (2, "")
    assert "march.csv: expected SHA-256" in errors
    assert "Traceback" not in errors


def test_many_differences_are_cut_unless_all_are_asked_for(lab: Path) -> None:
    path = lab / RESULT
    content = json.loads(path.read_text(encoding="utf-8"))
    content["numbers"] = {f"{name}, once more {at}": 7.0 for name in content["numbers"] for at in range(10)}
    path.write_text(json.dumps(content), encoding="utf-8")
    _, said, _ = verified(lab)
    assert " more; --all lists them." in said
    _, everything, _ = verified(lab, "--all")
    assert len(everything.splitlines()) > len(said.splitlines())
