"""What the chart tests share: the published examples, and when a computed run length agrees with a printed
one.
"""

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest


@dataclass(frozen=True, slots=True)
class Published:
    """The folder of published examples; each has a json (source, printed and recomputed values) and maybe a
    csv.
    """

    folder: Path

    def case(self, name: str) -> dict[str, Any]:
        return json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))

    def rows(self, name: str) -> list[dict[str, str]]:
        with (self.folder / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))


@pytest.fixture(scope="session")
def published() -> Published:
    return Published(Path(__file__).parents[1] / "reference" / "standards")


@pytest.fixture(scope="session")
def agrees():
    """Within 0.5 % or half the last printed digit, whichever is more."""

    def check(found: float, printed: float, *, digits: int) -> bool:
        half = 0.5 * 10.0**-digits * (1 + 1e-9)
        return abs(found - printed) <= max(0.005 * printed, half)

    return check
