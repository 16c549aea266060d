"""What the package carries for its dossier: published examples, and tables of simulated rates.

In: names.  Out: JSON values, rows, tables. The files are copies of those that the project's tests use; a test holds
them to be the same, and `python tests/dossier/carry.py` makes them.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from repeatab.estimation.components import Fit


def text_of(folder: str, name: str) -> str:
    """A carried file."""
    return resources.files("repeatab.dossier").joinpath("data", folder, name).read_text(encoding="utf-8")


def names_of(folder: str) -> tuple[str, ...]:
    """The carried files of a folder, in order."""
    place = resources.files("repeatab.dossier").joinpath("data", folder)
    return tuple(sorted(entry.name for entry in place.iterdir()))


def case(name: str) -> dict[str, Any]:
    """A published example: its source, what is printed, what was computed again."""
    content: dict[str, Any] = json.loads(text_of("reference", f"{name}.json"))
    return content


def rows(name: str) -> list[dict[str, str]]:
    """The data of a published example."""
    return list(csv.DictReader(text_of("reference", f"{name}.csv").splitlines()))


def results(name: str, *, level: str, value: str) -> dict[str, dict[Hashable, list[float]]]:
    """Results of a round robin by level and laboratory, in the order of the file."""
    found: dict[str, dict[Hashable, list[float]]] = {}
    for row in rows(name):
        cells = found.setdefault(row[level], {})
        cells.setdefault(int(row["laboratory"]), []).append(float(row[value]))
    return found


@dataclass(frozen=True)
class Example:
    """A published example of variance components: the table, its model, what is to be found in it."""

    name: str

    @cached_property
    def expected(self) -> dict[str, Any]:
        return case(self.name)

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The data with factors as text, whatever they look like."""
        import pandas as pd

        numbers = [self.expected["response"], *self.expected["covariates"]]
        return pd.DataFrame(rows(self.name)).astype(dict.fromkeys(numbers, float))

    @cached_property
    def names(self) -> dict[str, str]:
        """Our name of each random source, by the name that the expected numbers go by."""
        terms = self.expected["random_terms"]
        return {term["name"]: " × ".join(term["factors"]) for term in terms} | {"residual": "repeatability"}

    def fit(self, *, method: str = "auto") -> Fit:
        from repeatab.estimation.components import fit_components

        expected = self.expected
        return fit_components(
            self.frame, result=expected["response"], method=method,
            random=[tuple(term["factors"]) for term in expected["random_terms"]],
            fixed=[tuple(name.split(":")) for name in expected["fixed_terms"]], covariates=expected["covariates"],
        )  # fmt: skip
