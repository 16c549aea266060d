"""The run sheet of a plan as a table of the outcome: one line per run and section, the result left empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.layouts import PlannedRuns
from repeatab.planning.run_sheet import SheetRow, run_sheet

RUN_SHEET = "run_sheet"


def sheet_table(
    runs: PlannedRuns,
    factor: str,
    sections: Sequence[str],
    *,
    operators: Sequence[str],
    runs_per_day: int,
    seed: int,
    captions: Mapping[str, str],
) -> Table:
    """Draw the order of the runs.

    captions : role -> the study's own column. factor : the column of the compared levels.
    """
    rows = run_sheet(runs, operators=operators, runs_per_day=runs_per_day, seed=seed)
    names = [
        "run",
        "run_order",
        "day",
        factor,
        *(["rig"] if any(row.rig for row in rows) else []),
        "pad_set",
        "position_in_lot",
    ]
    names += [*(["operator"] if operators else []), "section", "result"]
    position = _positions(rows, by_lot=factor == "pad_lot")
    lines: list[tuple[Value, ...]] = []
    for row in rows:
        known: dict[str, Value] = {
            "run": row.order, "run_order": row.order, "day": row.day, "rig": row.rig, factor: row.level,
            "pad_set": row.pad_set, "position_in_lot": position[row.pad_set], "operator": row.operator, "result": None,
        }  # fmt: skip
        lines += [
            tuple(section if name == "section" else known[name] for name in names) for section in sections
        ]
    kinds = {"run": ColumnKind.COUNT, "run_order": ColumnKind.COUNT, "day": ColumnKind.COUNT,
             "position_in_lot": ColumnKind.COUNT, "result": ColumnKind.RESULT}  # fmt: skip
    return Table(
        key=RUN_SHEET,
        caption="Run sheet: run in this order, write each result into its line",
        columns=tuple(
            Column(key=name, caption=captions.get(name, name), kind=kinds.get(name, ColumnKind.TEXT))
            for name in names
        ),
        rows=tuple(lines),
        remarks=(f"Drawn with seed {seed}. Take the set from the stated place in the lot.",),
    )


def _positions(rows: Sequence[SheetRow], *, by_lot: bool) -> dict[str, int]:
    """Each set's place in its lot: in the one lot, or, where lots are compared, in its own."""
    found: dict[str, int] = {}
    taken: dict[str, int] = {}
    for row in sorted(rows, key=lambda row: row.position_in_lot):
        lot = row.level if by_lot else ""
        if row.pad_set not in found:
            taken[lot] = taken.get(lot, 0) + 1
            found[row.pad_set] = taken[lot]
    return found
