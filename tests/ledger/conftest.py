"""What the tests of the ledger share: a place on either database, a stamp, small entries. All values are invented."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from types import ModuleType

import pytest
import sqlalchemy as sa

# Processes that are killed: shared with the tests of reports.
sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))

from repeatab.intake.events import Event
from repeatab.ledger.records import Entry, ReferenceResults, ReferenceRow, Stamp, of_event, of_reference
from repeatab.ledger.store import Ledger, open_ledger


def _beside(name: str) -> ModuleType:
    """A helper module beside this file."""
    spec = importlib.util.spec_from_file_location(
        f"ledger_tests_{name}", Path(__file__).with_name(f"{name}.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


postgresql = _beside("postgresql")
_numbers = count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    with postgresql.server() as url:
        yield url


@pytest.fixture
def fresh_database(server: str) -> Callable[[], str]:
    """Make an empty database; returns its URL, with the password."""

    def made() -> str:
        name = f"lab{next(_numbers)}"
        engine = sa.create_engine(
            f"{server}/postgres".replace("postgresql://", "postgresql+psycopg://"),
            isolation_level="AUTOCOMMIT",
        )
        with engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name}")
        engine.dispose()
        return f"{server}/{name}"

    return made


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made: every test that takes this runs on both databases."""
    if request.param == "sqlite":
        return str(tmp_path / "lab.sqlite")
    made = request.getfixturevalue("fresh_database")
    return str(made())


@pytest.fixture
def ledger(place: str) -> Ledger:
    return open_ledger(place, create=True)


@pytest.fixture
def stamp() -> Stamp:
    return Stamp(by="A. Tester", at="2026-03-31T14:05:00+00:00")


def an_event(day: str = "2026-01-15", text: str = "moved to hall B", rig: str | None = "R1") -> Entry:
    return of_event(Event(day=day, kind="relocation", text=text, rig=rig))


def some_results(count: int = 6, *, rig: str = "R1", start: float = 0.40, visit: str = "2026-01") -> Entry:
    rows = tuple(
        ReferenceRow(
            rig,
            "characteristic",
            visit,
            start + i / 1000,
            f"{visit}-{i % 28 + 1:02d}",
            "RL-1",
            f"S{i}",
            str(i),
        )
        for i in range(count)
    )
    return of_reference(ReferenceResults(quantity="friction", rows=rows))


@pytest.fixture
def event_entry() -> Callable[..., Entry]:
    return an_event


@pytest.fixture
def batch() -> Callable[..., Entry]:
    return some_results
