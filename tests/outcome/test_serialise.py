"""An outcome survives the way to JSON and back, always as the same bytes, and its schema tells the truth."""

from __future__ import annotations

import json
import math
import typing
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from repeatab.base.errors import InputError
from repeatab.outcome import figures
from repeatab.outcome.outcome import SCHEMA_VERSION, Outcome
from repeatab.outcome.serialise import (
    FIGURE_KINDS,
    from_json_bytes,
    from_jsonable,
    result_schema,
    to_json_bytes,
    to_jsonable,
)
from repeatab.outcome.tables import Column, ColumnKind, Table
from repeatab.outcome.verdict import Judgement, Verdict


def plain(**changes: Any) -> Outcome:
    headline = Judgement(subject="s", verdict=Verdict.DESCRIBED, reason="r")
    base = Outcome(job="j", title="t", headline=headline, judgements=(), evidence=())
    return replace(base, **changes)


def table_of(*values: Any) -> Table:
    column = Column(key="v", caption="v", kind=ColumnKind.NUMBER)
    return Table(key="t", caption="t", columns=(column,), rows=tuple((value,) for value in values))


def test_an_outcome_survives_the_way_there_and_back(outcome: Outcome) -> None:
    assert from_json_bytes(to_json_bytes(outcome)) == outcome


def test_equal_outcomes_give_equal_bytes_with_the_version_first(outcome: Outcome) -> None:
    again = from_json_bytes(to_json_bytes(outcome))
    assert to_json_bytes(again) == to_json_bytes(outcome)
    keys = list(json.loads(to_json_bytes(outcome)))
    assert keys == ["schema_version", *(item.name for item in fields(Outcome))]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_comes_back_to_the_last_bit(value: float) -> None:
    back = from_json_bytes(to_json_bytes(plain(tables=(table_of(value),))))
    found = back.tables[0].rows[0][0]
    assert isinstance(found, float)
    assert found.hex() == value.hex()


@given(st.text())
def test_every_text_comes_back(text: str) -> None:
    back = from_json_bytes(to_json_bytes(plain(title=text)))
    assert back.title == text


def test_whole_numbers_in_number_fields_are_written_as_one_form(outcome: Outcome) -> None:
    whole = replace(outcome, numbers=(("a", 1),))
    broken = replace(outcome, numbers=(("a", 1.0),))
    assert to_json_bytes(whole) == to_json_bytes(broken)


def test_scalars_of_array_libraries_become_plain_values() -> None:
    cells = to_jsonable(plain(tables=(table_of(np.float64(0.1), np.int64(3), np.bool_(True)),)))
    rows = cells["tables"][0]["rows"]
    assert rows == [[0.1], [3], [True]]
    assert [type(row[0]) for row in rows] == [float, int, bool]


def test_an_undecodable_file_name_can_be_written() -> None:
    assert from_json_bytes(to_json_bytes(plain(title="a\udcffb"))).title == "a\ufffdb"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_null_where_null_is_allowed(value: float) -> None:
    data = to_jsonable(plain(tables=(table_of(value),), numbers=(("x", value),)))
    assert data["tables"][0]["rows"] == [[None]]
    assert data["numbers"] == {"x": None}


def test_a_number_that_is_not_finite_is_refused_elsewhere_with_its_place(outcome: Outcome) -> None:
    figure = outcome.figures[1]
    assert isinstance(figure, figures.OffsetsBySection)
    broken = replace(figure, rows=(replace(figure.rows[0], upper=math.nan),))
    with pytest.raises(ValueError, match=r"outcome\.figures\[0\]\.rows\[0\]\.upper: the number is nan"):
        to_jsonable(replace(outcome, figures=(broken,)))


def test_a_value_of_a_wrong_type_is_refused_with_its_place() -> None:
    with pytest.raises(ValueError, match=r"outcome\.title: found 3 of type int"):
        to_jsonable(plain(title=3))


def test_a_name_that_stands_twice_among_the_numbers_is_refused() -> None:
    with pytest.raises(ValueError, match=r"outcome\.numbers: a name stands twice"):
        to_jsonable(plain(numbers=(("a", 1.0), ("a", 2.0))))


# The schema.


def test_the_schema_is_valid_and_accepts_the_outcome(outcome: Outcome) -> None:
    Draft202012Validator.check_schema(result_schema())
    Draft202012Validator(result_schema()).validate(json.loads(to_json_bytes(outcome)))
    Draft202012Validator(result_schema()).validate(json.loads(to_json_bytes(plain())))


def test_the_schema_refuses_what_does_not_belong(outcome: Outcome) -> None:
    check = Draft202012Validator(result_schema())
    data = to_jsonable(outcome)
    for path, value in (
        (("schema_version",), 99),
        (("headline", "verdict"), "fine"),
        (("extra",), 1),
        (("tables", 0, "columns", 0, "kind"), "colour"),
        (("figures", 0, "kind"), "pie"),
        (("provenance", "inputs", 0, "sha256"), "short"),
        (("findings", 0, "rows"), [0]),
        (("numbers", "offset"), "0.1"),
    ):
        changed = json.loads(json.dumps(data))
        place = changed
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value
        assert not check.is_valid(changed), path


def model_classes() -> dict[str, type]:
    """Every dataclass and enum that an Outcome can hold, by name."""
    found: dict[str, type] = {}

    def visit(hint: Any) -> None:
        if isinstance(hint, type) and (is_dataclass(hint) or issubclass(hint, Enum)):
            if hint.__name__ in found:
                return
            found[hint.__name__] = hint
            if is_dataclass(hint):
                for inner in typing.get_type_hints(hint).values():
                    visit(inner)
        for inner in typing.get_args(hint):
            visit(inner)

    visit(Outcome)
    return found


def test_the_schema_names_exactly_the_fields_and_choices_of_the_classes() -> None:
    schema = result_schema()
    definitions = {**schema["$defs"], "Outcome": schema}
    classes = model_classes()
    assert definitions.keys() == classes.keys()
    for name, cls in classes.items():
        part = definitions[name]
        if issubclass(cls, Enum):
            assert part["enum"] == [member.value for member in cls], name
            continue
        names = [item.name for item in fields(cls)]
        own = [key for key in part["properties"] if key not in ("schema_version", "kind") or key in names]
        assert own == names, name
        assert part["required"] == list(part["properties"]), name
        assert part["additionalProperties"] is False, name
    assert schema["properties"]["schema_version"]["const"] == SCHEMA_VERSION


def test_every_kind_of_figure_has_its_name_in_json_and_schema() -> None:
    members = set(typing.get_args(figures.Figure))
    assert set(FIGURE_KINDS.values()) == members
    for kind, cls in FIGURE_KINDS.items():
        assert result_schema()["$defs"][cls.__name__]["properties"]["kind"]["const"] == kind


# Reading what is not a result of ours.


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"rig;mu", "r.json: is not readable as JSON"),
        (b"\xff\xfe", "r.json: is not readable as JSON"),
        (b"[]", "r.json: found no 'schema_version'"),
        (b'{"schema_version": 2}', "r.json: found schema version 2, this program reads version 1"),
    ],
)
def test_other_files_are_refused(content: bytes, message: str) -> None:
    with pytest.raises(InputError, match=message):
        from_json_bytes(content, name="r.json")


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("title",), None, r"outcome\.title: found None"),
        (("surplus",), 1, "outcome: unknown field 'surplus'"),
        (("headline", "verdict"), "fine", r"outcome\.headline\.verdict: found 'fine', expected one of"),
        (("figures", 0, "kind"), "pie", r"outcome\.figures\[0\]: found the figure kind 'pie'"),
        (("figures", 1, "rows", 0, "value"), "x", r"outcome\.figures\[1\]\.rows\[0\]\.value: found 'x'"),
        (("provenance", "settings", 0), ["a"], r"provenance\.settings\[0\]: found 1 values, expected 2"),
    ],
)
def test_a_damaged_result_is_refused_with_the_place(
    outcome: Outcome, path: tuple[Any, ...], value: Any, message: str
) -> None:
    data = to_jsonable(outcome)
    place: Any = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(InputError, match=message):
        from_jsonable(data)


def test_a_missing_field_is_refused_by_name(outcome: Outcome) -> None:
    data = to_jsonable(outcome)
    del data["evidence"]
    with pytest.raises(InputError, match="outcome: the field 'evidence' is missing"):
        from_jsonable(data)
