"""What all tests share: the reference cases, each with its data, its model and the numbers to be found."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import settings

REFERENCE = Path(__file__).parent / "reference"

CORRELATION_STUDY = """\
job = "correlation_check"
title = "R2 against R1"
rig = "R2"
reference_rig = "R1"

[results]
files = "march.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
pad_set = "set"
section = "section"

[sections."fade 1"]
margin = "5 %"
"""

# The same examples on every machine and run, however slow it is: a red test is a defect, not the weather.
settings.register_profile("repeatable", deadline=None, derandomize=True, database=None)
settings.load_profile("repeatable")


@dataclass(frozen=True)
class VarianceCase:
    """One case of tests/reference/variance: the table, the model it is fitted with, what is expected."""

    name: str

    @cached_property
    def expected(self) -> dict[str, Any]:
        return json.loads((REFERENCE / "variance" / f"{self.name}.json").read_text(encoding="utf-8"))

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The data with factors as text, whatever they look like."""
        numbers = [self.result, *self.covariates]
        with (REFERENCE / "variance" / f"{self.name}.csv").open(encoding="utf-8") as stream:
            table = pd.DataFrame(list(csv.DictReader(stream)))
        return table.astype(dict.fromkeys(numbers, float))

    @property
    def result(self) -> str:
        return self.expected["response"]

    @property
    def random(self) -> list[tuple[str, ...]]:
        return [tuple(term["factors"]) for term in self.expected["random_terms"]]

    @property
    def fixed(self) -> list[str]:
        return self.expected["fixed_terms"]

    @property
    def covariates(self) -> list[str]:
        return self.expected["covariates"]

    @property
    def names(self) -> dict[str, str]:
        """Our name of each random source, by the name that the expected numbers go by."""
        named = {term["name"]: " × ".join(term["factors"]) for term in self.expected["random_terms"]}
        return {**named, "residual": "repeatability"}

    @property
    def tolerance(self) -> dict[str, float]:
        return self.expected["tolerance"]

    def fit(self, **options: Any) -> Any:
        """The case through the public entrance."""
        import repeatab

        return repeatab.fit_components(
            self.frame, result=self.result, random=self.random, fixed=self.fixed,
            covariates=self.covariates, **options,
        )  # fmt: skip

    def __str__(self) -> str:
        return self.name


@cache
def variance_cases() -> tuple[VarianceCase, ...]:
    return tuple(VarianceCase(path.stem) for path in sorted((REFERENCE / "variance").glob("*.json")))


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Where a test is marked `of_cases`, its `case` stands for every variance case that `which` says yes to."""
    marker = metafunc.definition.get_closest_marker("of_cases")
    if marker is None:
        return
    wanted = marker.kwargs.get("which", bool)
    chosen = [case for case in variance_cases() if wanted(case)]
    metafunc.parametrize("case", chosen, ids=str, scope="session")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "of_cases(which): the variance cases that a test takes as `case`")


@pytest.fixture(scope="session")
def variance_case() -> Any:
    """A variance case by its name."""
    return lambda name: next(case for case in variance_cases() if case.name == name)


@pytest.fixture(scope="session")
def reference_folder() -> Path:
    """Where published values and data stand."""
    return REFERENCE


@pytest.fixture(scope="session")
def correlation_study() -> str:
    """A study file of a correlation check that loads; tests spoil or replace a piece of it."""
    return CORRELATION_STUDY
