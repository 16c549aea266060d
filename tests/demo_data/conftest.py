"""What the tests of the demo data share: where the files are, their truth, and how wide a bound is."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest


@dataclass(frozen=True, slots=True)
class Demo:
    """The demo folder, and how many standard errors (from the stated true SDs) a test allows.

    The data are fixed, so a wide bound would gain nothing: within 2.5 a wrong offset is seen.
    """

    folder: Path
    errors: float = 2.5

    def truth(self, name: str) -> dict[str, Any]:
        return json.loads((self.folder / f"{name}.truth.json").read_text(encoding="utf-8"))

    def messy(self, name: str, what: str) -> dict[str, Any]:
        """The one entry of the truth file that tells of this fault."""
        (entry,) = [entry for entry in self.truth(name)["messy"] if entry["what"] == what]
        return entry


@pytest.fixture
def demo() -> Demo:
    return Demo(Path(__file__).resolve().parents[2] / "demo_data")
