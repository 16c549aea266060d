"""Guessing which column has which role: only from names, and never one column twice."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from repeatab.base.errors import InputError
from repeatab.intake.options import ReadOptions, Separator
from repeatab.study.guess import guess_columns, match_roles


@pytest.mark.parametrize(
    ("names", "roles"),
    [
        (["mu", "rig", "pad_set"], {"result": "mu", "rig": "rig", "pad_set": "pad_set"}),
        (["µ [-]", "Dyno", "Pad set"], {"result": "µ [-]", "rig": "Dyno", "pad_set": "Pad set"}),
        (["C*", "Test No.", "Lot"], {"result": "C*", "run": "Test No.", "pad_lot": "Lot"}),
        (["result", "mu"], {"result": "result"}),
        (["friction", "test", "test date", "run"], {"result": "friction", "run": "run", "time": "test date"}),
        (["pressure_bar", "speed"], {}),
    ],
)
def test_names_that_laboratories_use(names: list[str], roles: dict[str, str]) -> None:
    assert match_roles(names) == roles


def test_every_kind_of_file_is_looked_into(tmp_path: Path) -> None:
    table = pd.DataFrame({"mu": [0.4], "rig": ["R1"], "speed": [80]})
    table.to_csv(tmp_path / "a.csv", index=False, sep=";")
    table.to_excel(tmp_path / "a.xlsx", index=False)
    table.to_parquet(tmp_path / "a.parquet")
    for name in ("a.csv", "a.xlsx", "a.parquet"):
        options = ReadOptions(separator=Separator.SEMICOLON) if name == "a.csv" else ReadOptions()
        assert guess_columns(tmp_path / name, options) == {"result": "mu", "rig": "rig"}


def test_no_result_is_asked_for_with_the_columns_there_are(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("rig,speed\nR1,80\n")
    with pytest.raises(InputError, match=r"'rig', 'speed'.*--column result=NAME"):
        guess_columns(tmp_path / "a.csv", ReadOptions())


def test_a_file_that_is_no_table_of_its_kind(tmp_path: Path) -> None:
    (tmp_path / "a.parquet").write_text("no parquet")
    with pytest.raises(InputError, match=r"a\.parquet: cannot be read as Parquet"):
        guess_columns(tmp_path / "a.parquet", ReadOptions())
