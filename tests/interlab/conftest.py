"""What the tests of the round robin share: the published examples as cells, and simulated laboratories."""

import csv
import json
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from repeatab.interlab.level import LevelCells


@dataclass(frozen=True, slots=True)
class Published:
    """The folder of published examples; each has a json (source, printed and recomputed values) and often a
    csv."""

    folder: Path

    def case(self, name: str) -> dict[str, Any]:
        return json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))

    def rows(self, name: str) -> list[dict[str, str]]:
        with (self.folder / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))

    def results(self, name: str, *, level: str, value: str) -> dict[str, dict[int, list[float]]]:
        """Results by level and laboratory, in the order of the file."""
        found: dict[str, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
        for row in self.rows(name):
            found[row[level]][int(row["laboratory"])].append(float(row[value]))
        return {key: dict(cells) for key, cells in found.items()}

    def cells(self, name: str, *, level: str, value: str) -> dict[str, LevelCells]:
        found = self.results(name, level=level, value=value)
        return {key: LevelCells.from_results(level=key, results=cells) for key, cells in found.items()}


@pytest.fixture
def published() -> Published:
    return Published(Path(__file__).resolve().parents[1] / "reference" / "standards")


@pytest.fixture
def sulfur(published: Published) -> dict[str, LevelCells]:
    return published.cells("iso5725_2_sulfur_in_coal", level="level", value="sulfur_percent")


@pytest.fixture
def softening(published: Published) -> dict[str, LevelCells]:
    """Single results are left out, as the standard's example does at level 2."""
    cells = published.cells("iso5725_2_softening_point_of_pitch", level="level", value="softening_point_C")
    return {key: level.replicated() for key, level in cells.items()}


@pytest.fixture
def glucose(published: Published) -> dict[str, LevelCells]:
    return published.cells("e691_serum_glucose", level="material", value="glucose_mg_per_dL")
