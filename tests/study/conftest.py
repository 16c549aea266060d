"""A study file that loads, written piece by piece so that a test can spoil one of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from repeatab.base.errors import StudyError
from repeatab.study.loading import Study, load_study

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
def load(tmp_path: Path, correlation_study: str) -> Callable[..., Study]:
    """Load a study file after replacing one piece of its text by another; of a correlation check unless told."""

    def loaded(old: str = "", new: str = "", *, base: str = correlation_study) -> Study:
        assert old in base
        path = tmp_path / "study.toml"
        path.write_text(base.replace(old, new, 1) if old else base + new, encoding="utf-8")
        return load_study(path)

    return loaded


@pytest.fixture
def refusal(load: Callable[..., Study], correlation_study: str) -> Callable[..., str]:
    """The message with which a spoilt study file is refused."""

    def message(old: str = "", new: str = "", *, base: str = correlation_study) -> str:
        with pytest.raises(StudyError) as caught:
            load(old, new, base=base)
        return str(caught.value)

    return message


@pytest.fixture
def gauge() -> str:
    return GAUGE
