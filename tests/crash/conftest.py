"""What the tests of this folder share: an outcome to write, and a module for the full forms beside this file."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from killed_reports import Versions, two_versions


@pytest.fixture(scope="session")
def versions() -> Versions:
    return two_versions(drawn=False)
