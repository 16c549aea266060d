"""Bent inputs to every entrance: a few here, 200,000 in the full form, whose table lies in tests/assurance."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import campaign
import hostile_text
import pytest
from cases import Case, Entrance
from entrances import ENTRANCES
from hypothesis import given, settings
from hypothesis import strategies as st
from watched import watched

from repeatab.base.errors import InputError
from repeatab.base.shielded import shielded, unshielded

SHORT = {
    "text tables": 14, "workbooks": 6, "Parquet files": 12, "one file per run": 6, "study files": 60, "cell files": 120,
    "ledger import, results": 5, "ledger import, events": 8, "ledger files": 6, "command line": 6,
}  # fmt: skip


def told(tally: campaign.Tally) -> str:
    return "\n".join(f"{fault} {case.words}" for cases in tally.faults.values() for fault, case in cases)


@pytest.mark.parametrize("entrance", ENTRANCES, ids=lambda entrance: entrance.name)
def test_bent_input_is_accepted_or_refused_in_one_message(entrance: Entrance) -> None:
    quick = replace(entrance, seeds=lambda: _quick(entrance))
    # The valid cases are put to it beforehand; these are bent.
    tally = campaign.under_fire(quick, SHORT[entrance.name], begin=len(quick.seeds()))
    assert not tally.faults, told(tally)


def _quick(entrance: Entrance) -> tuple[Case, ...]:
    """Its valid cases without those that run a whole study."""
    return tuple(case for case in entrance.seeds() if not {"run", "plan"} & set(case.words.get("line", ())))


@pytest.mark.full
@pytest.mark.parametrize("entrance", ENTRANCES, ids=lambda entrance: entrance.name)
def test_bent_input_at_length(entrance: Entrance) -> None:
    tally = campaign.under_fire(entrance, campaign.shares(campaign.FULL)[entrance.name])
    assert not tally.faults, told(tally)


# The watch itself: each kind of broken promise is seen.


def entrance_that(take: object) -> Entrance:
    case = Case(files={"a.csv": b"x"})
    return Entrance(name="broken", share=0, seeds=lambda: (case,), bent=lambda case, _: case, take=take)  # type: ignore[arg-type]


def writes_and_refuses(_case: Case, folder: Path) -> None:
    (folder / "left.csv").write_text("half")
    raise InputError("no")


def raises(_case: Case, _folder: Path) -> None:
    raise KeyError("mu")


def lasts(_case: Case, _folder: Path) -> None:
    sum(number * number for number in range(10**8))


def fills(_case: Case, _folder: Path) -> None:
    bytearray(b"x" * (80 << 20))


def rambles(_case: Case, _folder: Path) -> None:
    error = InputError()
    error.args = ("x" * 2000,)
    raise error


def falls_silent(_case: Case, _folder: Path) -> None:
    raise InputError("")


@pytest.mark.parametrize(
    ("take", "fault"),
    [
        (writes_and_refuses, "writes"), (raises, "KeyError"), (fills, "MiB"), (rambles, "says 0 letters"),
        (falls_silent, "without a word"),
    ],
)  # fmt: skip
def test_a_broken_promise_is_seen(take: object, fault: str) -> None:
    tally = campaign.under_fire(entrance_that(take), 1)
    assert any(fault in text for text in tally.faults), tally.faults


def test_an_input_that_takes_too_long_is_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("watched.MOST_SECONDS", 0.0)
    seen = watched(lambda: sum(range(10**6)) and None, folder=tmp_path, size=1)
    assert any("takes" in fault for fault in seen.faults)


def test_inputs_that_reach_something_new_are_kept() -> None:
    """Guided: with the same number of inputs, more of the package is reached than by bending the seeds alone."""
    entrance = next(entrance for entrance in ENTRANCES if entrance.name == "cell files")
    tally = campaign.under_fire(entrance, 60)
    assert tally.kept > 5
    assert tally.lines > 60


def test_the_same_seed_gives_the_same_inputs() -> None:
    for entrance in ENTRANCES[:1] + ENTRANCES[4:6]:
        one, two = (
            [entrance.bent(entrance.seeds()[0], chance) for _ in range(5)]
            for chance in (random.Random(1), random.Random(1))
        )
        assert one == two


# Text that a spreadsheet could take for a formula.

texts = st.text(max_size=6, alphabet=st.sampled_from("'=+-@\t\r\n \u00a0\uff1dx1.,")) | st.text()


@settings(max_examples=120, deadline=None)
@given(texts)
def test_a_shielded_text_is_no_formula_and_comes_back(text: str) -> None:
    made = shielded(text)
    assert unshielded(made) == text
    number = made.lstrip("+-").replace(",", "").replace(".", "").isdigit()
    assert number or not made.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d"))


@settings(max_examples=50, deadline=None)
@given(st.sampled_from(hostile_text.CELLS) | st.text(max_size=2000))
def test_a_refusal_is_one_line_of_bearable_length(found: str) -> None:
    error = InputError.not_a_number(file="a.csv", row=3, column=found, found=found * 40)
    assert len(str(error).splitlines()) == 1
    assert len(str(error)) <= 1400
    assert str(error).startswith("a.csv, row 3")
    assert str(error).endswith("with a reason.")
