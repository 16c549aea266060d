"""Cell files: what comes back is what was written, and whatever no results can have is refused by place."""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Callable
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repeatab.base.errors import InputError
from repeatab.cell_files import (
    cell_file_bytes,
    cells_to_share,
    is_cell_file,
    read_cell_file,
    summary_cells,
)
from repeatab.cells import Cells, reduce_to_cells
from repeatab.intake.reading import read_results
from repeatab.outcome.outcome import InputFile


def table(**changed: Any) -> pd.DataFrame:
    columns = {
        "laboratory": ["L2", "L1", "L1", "L2", "L1", "L2"],
        "level": [1, 1, 2, 2, 1, 1],
        "result": [0.4012, 0.3977, 0.3511, 0.3498, 0.3991, 0.4100],
        "run_order": [3.0, 1.0, 1.0, 2.0, 2.0, 4.0],
    }
    return pd.DataFrame({**columns, **changed})


def written(tmp_path: Path, frame: pd.DataFrame | None = None) -> Path:
    frame = table() if frame is None else frame
    cells = reduce_to_cells(frame, result="result", factors=["laboratory", "level"], covariates=["run_order"])
    path = tmp_path / "l1.cells.csv"
    raw = InputFile(name="l1.csv", sha256="ab" * 32, rows=6)
    path.write_bytes(cell_file_bytes(cells, quantity="friction", results=[raw]))
    return path


def test_cells_come_back_with_labels_numbers_and_origin(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert is_cell_file(path)
    found = read_cell_file(path)
    cells = reduce_to_cells(
        table(), result="result", factors=["laboratory", "level"], covariates=["run_order"]
    )
    assert found.cells.factors == ("laboratory", "level")
    assert list(found.cells.levels[0]) == ["L1", "L2"]
    assert [type(label) for label in found.cells.levels[1]] == [int, int]
    assert found.cells.count.tolist() == cells.count.tolist()
    # 17 digits give every double back; only the shift that is subtracted may differ by its rounding.
    assert found.cells.mean + found.cells.shift == pytest.approx(cells.mean + cells.shift, rel=1e-15)
    assert np.array_equal(found.cells.cross, cells.cross)
    assert (found.quantity, found.rounded, found.name) == ("friction", False, "l1.cells.csv")
    assert found.results == (InputFile(name="l1.csv", sha256="ab" * 32, rows=6),)
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@given(st.lists(st.floats(1e-6, 1e6), min_size=2, max_size=12), st.floats(0, 1e15), st.floats(-1e15, 1e15))
def test_numbers_survive_whatever_their_size(values: list[float], level: float, shift: float) -> None:
    """A mean as its exact value less the nominal one, rounded once; the text is near it for whoever reads that."""
    frame = pd.DataFrame(
        {"laboratory": ["L", "M"] * len(values), "result": [level + v for v in values for _ in "ab"]}
    )
    cells = reduce_to_cells(frame, result="result", factors=["laboratory"]).shifted_to(np.array([shift]))
    content = cell_file_bytes(cells, quantity="")
    (nominal,) = json.loads(content.splitlines()[1][1:])["nominal"]
    found = read_back(content)
    for at, row in enumerate(content.decode().splitlines()[3:]):
        exact = Fraction(cells.mean[at, 0]) + Fraction(shift)
        assert float(row.split(",")[2]) == pytest.approx(float(exact), rel=1e-15)
        if nominal:
            assert found.shift[0] == nominal
            assert found.mean[at, 0] == float(exact - Fraction(nominal))
    assert np.array_equal(found.cross, cells.cross)


def read_back(content: bytes) -> Cells:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.cells.csv"
        path.write_bytes(content)
        return read_cell_file(path).cells


# The sets of NIST's analysis of variance whose levels are 1e6 and 1e12, as SciPy's test data carry them.
SHIFTED = ("SmLs04", "SmLs05", "SmLs06", "SmLs07", "SmLs08", "SmLs09")


@pytest.mark.parametrize("name", SHIFTED)
def test_the_shifted_sets_of_nist_come_back_exactly(name: str, tmp_path: Path) -> None:
    """NIST/ITL StRD, Analysis of Variance; of 1000000000000.4 a double keeps the tenths to four digits only."""
    file = resources.files("scipy.stats") / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not file.is_file():
        pytest.skip(f"this SciPy was installed without its test data (no {file})")
    lines = file.read_text(encoding="ascii").splitlines()
    first, last = map(int, re.search(r"Data +\(lines (\d+) to (\d+)\)", "\n".join(lines[:10])).groups())
    body = "".join(",".join(line.split()) + "\n" for line in lines[first - 1 : last])
    (tmp_path / "a.csv").write_text("treatment,response\n" + body)
    results = read_results(tmp_path / "a.csv", columns={"result": "response", "laboratory": "treatment"})
    cells = cells_to_share(results)
    content = cell_file_bytes(cells, quantity="")
    found = read_back(content)
    assert np.array_equal(found.shift, cells.shift)
    assert np.array_equal(found.mean, cells.mean)
    assert np.array_equal(found.cross, cells.cross)
    # The text itself holds the mean of the printed values; the sums of few decimals have exact means.
    printed: dict[str, list[Fraction]] = {}
    for line in lines[first - 1 : last]:
        treatment, value = line.split()
        printed.setdefault(treatment, []).append(Fraction(value))
    for row in content.decode().splitlines()[3:]:
        treatment, _, mean, _ = row.split(",")
        exact = sum(printed[treatment]) / len(printed[treatment])
        assert abs(Fraction(mean) - exact) < Fraction(1, 10**15)


# Written by the program when its cell files had version 1, from the results of `table`.
FIRST_VERSION = """\
# repeatab cells, version 1
# {"factors": ["laboratory", "level"], "values": ["result", "run_order"], "whole_numbers": ["level"], \
"quantity": "friction", "results": [{"name": "l1.csv", "sha256": "ab", "rows": 6}], \
"table_sha256": "bedfe2ed0a28efba08b9e0d43d458c81af4143575657a0c1a6efefa4f999eae8"}
laboratory,level,count,mean result,mean run_order,cross result result,cross result run_order,cross run_order run_order
L1,1,2,0.39839999999999998,1.5,9.800000000000173e-07,0.00070000000000000617,0.5
L1,2,1,0.35110000000000002,1,0,0,0
L2,1,2,0.40559999999999996,3.5,3.8719999999999778e-05,0.0043999999999999873,0.5
L2,2,1,0.3498,2,0,0,0
"""


def test_files_of_the_first_version_are_read(tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_text(FIRST_VERSION, encoding="utf-8")
    found, now = read_cell_file(path).cells, read_cell_file(written(tmp_path)).cells
    assert found.mean + found.shift == pytest.approx(now.mean + now.shift, rel=1e-15)
    assert np.array_equal(found.cross, now.cross)
    # The second version does not do without nominal values.
    path.write_text(FIRST_VERSION.replace("version 1", "version 2"), encoding="utf-8")
    with pytest.raises(InputError, match="found no description of the columns"):
        read_cell_file(path)


def test_no_single_result_stands_in_a_file_of_cells_of_several() -> None:
    """Cells are centred on a value of the data, which does not go along."""
    frame = pd.DataFrame({"laboratory": "L", "result": [912.0, 911.25, 914.5, 913.0]})
    content = cell_file_bytes(
        reduce_to_cells(frame, result="result", factors=["laboratory"]), quantity=""
    ).decode()
    assert '"nominal": [913.0]' in content  # the mean is 912.6875
    assert "912.6875" in content
    for value in ("911.25", "914.5", "912.0"):
        assert value not in content


def test_line_ends_of_another_system_do_not_matter(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert len(read_cell_file(path).cells) == 4


def spoilt(tmp_path: Path, change: Callable[[list[str]], None], *, sealed: bool = True) -> Path:
    """A cell file whose table was changed, with a fingerprint that agrees unless `sealed` is False."""
    path = written(tmp_path)
    first, second, *body = path.read_text(encoding="utf-8").splitlines()
    change(body)
    text = "\n".join(body) + "\n"
    about = json.loads(second[1:])
    if sealed:
        about["table_sha256"] = hashlib.sha256(text.encode()).hexdigest()
    path.write_text(f"{first}\n# {json.dumps(about)}\n{text}", encoding="utf-8")
    return path


def cell(row: int, column: int, text: str) -> Callable[[list[str]], None]:
    def change(body: list[str]) -> None:
        parts = body[row].split(",")
        parts[column] = text
        body[row] = ",".join(parts)

    return change


def test_a_changed_digit_is_noticed(tmp_path: Path) -> None:
    path = spoilt(tmp_path, cell(1, 3, "0.4"), sealed=False)
    with pytest.raises(InputError, match=r"l1\.cells\.csv: the table was changed after it was written"):
        read_cell_file(path)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (cell(2, 2, "0"), "row 5: found a count of '0', expected a whole number of at least 1"),
        (cell(1, 2, "2.5"), "row 4: found a count of '2.5'"),
        (cell(1, 5, "-1e-5"), "row 4: found a centred sum of squares of -1e-05 of 'result'"),
        (cell(1, 6, "5"), "row 4: the cross-product of 'result' and 'run_order' is larger"),
        (cell(2, 5, "1e-4"), "row 5: found a sum of squares of 0.0001 from one result, expected 0"),
        (cell(1, 3, "n/a"), "row 4, column 'mean result': found 'n/a', expected a number"),
        (cell(1, 3, "inf"), "row 4, column 'mean result': found inf, expected a finite number"),
        (cell(2, 1, "1"), "rows 4 and 5: the cell of laboratory 'L1', level '1' stands twice"),
        (cell(0, 2, "n"), "row 3: found the columns"),
        (lambda body: body.__delitem__(slice(1, None)), "holds no cell"),
        (lambda body: body.append("L3,1,2"), "row 8: found 3 values, expected 8"),
    ],
)
def test_numbers_that_no_results_can_have_are_refused_with_their_row(
    tmp_path: Path, change: Callable[[list[str]], None], message: str
) -> None:
    with pytest.raises(InputError) as caught:
        read_cell_file(spoilt(tmp_path, change))
    assert message in str(caught.value)
    assert "l1.cells.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("version 2", "version 3", "row 1: found cell files' version '3', expected version 1 or 2"),
        ('"nominal": [0.0', '"nominal": [NaN', "row 2: found no description of the columns"),
        ('"nominal": [0.0', '"nominal": [true', "row 2: found no description of the columns"),
        ('"nominal": [0.0, ', '"nominal": [', "row 2: found no description of the columns"),
        ("# repeatab cells, version 2", "laboratory,mu", "row 1: found 'laboratory,mu'"),
        ('"factors"', '"fuctors"', "row 2: found no description of the columns"),
        ("# {", "# [", "row 2: found no description of the columns"),
    ],
)
def test_other_files_and_versions_are_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = written(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_cell_file(path)
    assert message in str(caught.value)


def test_a_result_file_is_no_cell_file(tmp_path: Path) -> None:
    path = tmp_path / "raw.csv"
    table().to_csv(path, index=False)
    assert not is_cell_file(path)
    assert not is_cell_file(tmp_path / "nowhere.csv")


def test_what_is_shared_leaves_out_runs_and_days() -> None:
    frame = table(run=[1, 1, 1, 1, 2, 2], rig=["R1"] * 6)
    results = read_results(
        frame, columns={name: name for name in ("result", "laboratory", "level", "run", "rig", "run_order")}
    )
    assert cells_to_share(results).factors == ("laboratory", "level")
    assert cells_to_share(results).variables == ("result", "run_order")
    assert cells_to_share(results, by=["rig"]).factors == ("laboratory", "level", "rig")
    with pytest.raises(InputError, match=r"no factor 'rigg'.*Did you mean 'rig'"):
        cells_to_share(results, by=["rigg"])


def test_stops_and_results_without_a_laboratory_are_not_shared() -> None:
    frame = table(stop=[1, 2, 3, 4, 5, 6])
    stops = read_results(frame, columns={name: name for name in ("result", "laboratory", "level", "stop")})
    with pytest.raises(InputError, match="single stops"):
        cells_to_share(stops)
    nameless = read_results(frame, columns={"result": "result", "level": "level"})
    with pytest.raises(InputError, match="--laboratory CODE"):
        cells_to_share(nameless)


def test_a_label_that_is_no_text_is_refused() -> None:
    cells = reduce_to_cells(table(level=[0.5] * 6), result="result", factors=["laboratory", "level"])
    with pytest.raises(InputError, match=r"label '0\.5' of 'level' is no text"):
        cell_file_bytes(cells, quantity="")


def test_a_table_of_means_is_marked_as_rounded() -> None:
    found = summary_cells(
        laboratory=["L1", "L2", "L3"], level=["A"] * 3, count=[3, 2, 1], mean=[0.40, 0.41, 0.39],
        sd=[0.01, 0.02, float("nan")], name="paper",
    )  # fmt: skip
    assert found.rounded
    assert found.cells.cross[:, 0, 0] == pytest.approx([2e-4, 4e-4, 0.0])


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"count": [0, 2]}, "laboratory 'L1', level 'A': found a count of 0"),
        ({"sd": [-0.1, 0.1]}, "laboratory 'L1', level 'A': found a standard deviation of -0.1"),
        ({"sd": [float("nan"), 0.1]}, "found a standard deviation of nan of 3 results"),
        ({"mean": [float("inf"), 0.1]}, "found a mean of inf"),
        ({"laboratory": ["L1", "L1"]}, "rows 1 and 2: the cell of laboratory 'L1', level 'A' stands twice"),
    ],
)
def test_impossible_tables_of_means_are_refused(changed: dict[str, Any], message: str) -> None:
    given_: dict[str, Any] = {
        "laboratory": ["L1", "L2"], "level": ["A", "A"], "count": [3, 2], "mean": [0.4, 0.41], "sd": [0.01, 0.01],
    }  # fmt: skip
    with pytest.raises(InputError) as caught:
        summary_cells(**{**given_, **changed})
    assert message in str(caught.value)
