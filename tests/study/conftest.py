"""A study file that loads, written piece by piece so that a test can spoil one of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.base.errors import StudyError
from repeatab.study.loading import Study, load_study

CORRELATION = """\
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

GAUGE = """\
job = "gauge_study"
title = "Gauge study"

[results]
files = "march.csv"
quantity = "friction"

[columns]
result = "mu"
pad_set = "set"

[bands]
acceptable = 10
conditional = 30

[sections.characteristic]
tolerance = { lower = 0.34, upper = 0.46 }
"""


@pytest.fixture
def load(tmp_path: Path) -> Callable[..., Study]:
    """Load a study file after replacing one piece of its text by another."""

    def loaded(old: str = "", new: str = "", *, base: str = CORRELATION) -> Study:
        assert old in base
        path = tmp_path / "study.toml"
        path.write_text(base.replace(old, new, 1) if old else base + new, encoding="utf-8")
        return load_study(path)

    return loaded


@pytest.fixture
def refusal(load: Callable[..., Study]) -> Callable[..., str]:
    """The message with which a spoilt study file is refused."""

    def message(old: str = "", new: str = "", *, base: str = CORRELATION) -> str:
        with pytest.raises(StudyError) as caught:
            load(old, new, base=base)
        return str(caught.value)

    return message


@pytest.fixture
def correlation() -> str:
    return CORRELATION


@pytest.fixture
def gauge() -> str:
    return GAUGE
