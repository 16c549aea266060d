"""Event files: what is read, and what is refused with file, row and column."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from repeatab.base.errors import InputError
from repeatab.intake.events import Event, events_of, read_events

TEXT = """date;rig;kind;event
17.02.2025;R4;relocation;moved to hall B
2024-08-05;all;reference lot;RL-08 comes into use
2024-12-04;;repair;
"""


def written(tmp_path: Path, text: str = TEXT, name: str = "events.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_events_are_read_in_the_order_of_their_days(tmp_path: Path) -> None:
    events, file = read_events(written(tmp_path).name, relative_to=tmp_path)
    assert events == (
        Event(day="2024-08-05", kind="reference lot", text="RL-08 comes into use"),
        Event(day="2024-12-04", kind="repair"),
        Event(day="2025-02-17", kind="relocation", text="moved to hall B", rig="R4"),
    )
    assert (file.name, file.rows) == ("events.csv", 3)
    assert events[0].concerns("R1")
    assert not events[2].concerns("R1")
    assert str(events[2]) == "2025-02-17, R4: relocation (moved to hall B)"


def test_columns_may_have_other_names_and_a_workbook_will_do(tmp_path: Path) -> None:
    frame = pd.DataFrame({"when": ["2025-02-17"], "what": ["rebuild"], "machine": ["R1"]})
    frame.to_excel(tmp_path / "log.xlsx", index=False)
    columns = {"date": "when", "kind": "what", "rig": "machine"}
    events, _ = read_events("log.xlsx", columns=columns, relative_to=tmp_path)
    assert events == (Event(day="2025-02-17", kind="rebuild", rig="R1"),)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("2024-12-04", "soon", ("events.csv", "row 4", "'date'", "'soon'", "2026-03-31")),
        ("2024-12-04", "", ("row 4", "'date'")),
        ("repair", "", ("row 4", "'kind'", "is empty")),
        ("date;", "day;", ("'date'", "does not have", "day")),
    ],
)
def test_what_cannot_be_read_is_said(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    written(tmp_path, TEXT.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_events("events.csv", relative_to=tmp_path)
    for part in parts:
        assert part in str(caught.value)


def test_a_table_needs_date_and_kind() -> None:
    with pytest.raises(InputError, match="'kind'"):
        events_of(pd.DataFrame({"date": ["2025-01-01"]}))
