"""The run sheet of a plan as a table of the outcome: one line per run and section, the result left empty."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from repeatab.jobs.plans.question import SheetForm
from repeatab.jobs.requalifying.question import Requalification
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.planning.layouts import LayoutKind, PlannedRun, PlannedRuns
from repeatab.planning.run_sheet import SheetRow, run_sheet

RUN_SHEET = "run_sheet"
RESULT, SECTION, STOP = "result", "section", "stop"


def sheet_table(
    runs: PlannedRuns,
    factor: str,
    sections: Sequence[str],
    *,
    operators: Sequence[str],
    runs_per_day: int,
    seed: int,
    form: SheetForm,
) -> Table:
    """Draw the order of the runs.

    form : as the study reads it. factor : the column of the compared levels.
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
    return _sheet(
        names, lines, form, (f"Drawn with seed {seed}. Take the set from the stated place in the lot.",)
    )


def round_sheet(runs: PlannedRuns, levels: Sequence[str], *, seed: int, form: SheetForm) -> Table:
    """The runs of a round robin, laboratory by laboratory: in each an order of its own drawn by chance.

    Every laboratory has one set of each level. levels : as the study names them; () for a single level without a name.
    """
    rng = np.random.default_rng(seed)
    by_laboratory: dict[str, list[PlannedRun]] = {}
    for run in runs.runs:
        by_laboratory.setdefault(run.level, []).append(run)
    names = ["laboratory", *(["level"] if levels else []), "pad_set", "run", "run_order", "result"]
    lines: list[tuple[Value, ...]] = []
    for laboratory, own in by_laboratory.items():
        sets = list(dict.fromkeys(run.pad_set for run in own))
        for order, i in enumerate(rng.permutation(len(own)), start=1):
            number = sets.index(own[i].pad_set)
            known: dict[str, Value] = {
                "laboratory": laboratory, "level": levels[number] if levels else None, "pad_set": own[i].pad_set,
                "run": len(lines) + 1, "run_order": order, "result": None,
            }  # fmt: skip
            lines.append(tuple(known[name] for name in names))
    return _sheet(names, lines, form, (f"Drawn with seed {seed}. The order counts within each laboratory.",))


def chart_sheet(
    rigs: Sequence[str],
    visits: int,
    each: int,
    sections: Sequence[str],
    *,
    dated: bool,
    operators: Sequence[str],
    seed: int,
    form: SheetForm,
) -> Table:
    """The visits of a base period: at each one so many fresh sets on every rig, rigs in an order drawn by chance."""
    rng = np.random.default_rng(seed)
    names = ["visit", *(["time"] if dated else []), "run", "run_order", "rig", "pad_set"]
    names += [*(["operator"] if operators else []), "section", "result"]
    lines: list[tuple[Value, ...]] = []
    order = 0
    for visit in range(visits):
        for i in rng.permutation(len(rigs) * each):
            order += 1
            known: dict[str, Value] = {
                "visit": f"V{visit + 1:03d}", "time": None, "run": order, "run_order": order,
                "rig": rigs[i % len(rigs)], "pad_set": f"S{order:03d}", "result": None,
                "operator": operators[(visit + i % len(rigs)) % len(operators)] if operators else None,
            }  # fmt: skip
            lines += [
                tuple(section if name == "section" else known[name] for name in names) for section in sections
            ]
    dates = ("Write the date of each run beside it: the base period is bounded by dates.",) if dated else ()
    return _sheet(names, lines, form, (f"Drawn with seed {seed}.", *dates))


def move_sheet(
    question: Requalification,
    visits: int,
    sets: int,
    *,
    operators: Sequence[str],
    runs_per_day: int,
    form: SheetForm,
) -> Table:
    """Both phases of a requalification, visit by visit, rigs in an order drawn by chance."""
    names = ["run", "run_order", "day", "rig", "phase", "visit", "pad_set", "position_in_lot"]
    names += [*(["operator"] if operators else []), "section", "result"]
    lines: list[tuple[Value, ...]] = []
    order = day = taken = 0
    rigs = [str(rig) for rig in (question.moved_rig, *question.control_rigs)]
    for number, (phase, visit) in enumerate(product((question.before, question.after), range(visits))):
        runs = PlannedRuns(
            kind=LayoutKind.SPLIT_LOT,
            runs=tuple(
                PlannedRun(level=rig, pad_set=f"S{taken + i * len(rigs) + k + 1:02d}", place=1)
                for i in range(sets)
                for k, rig in enumerate(rigs)
            ),
        )
        rows = run_sheet(runs, operators=operators, runs_per_day=runs_per_day, seed=question.seed + number)
        for row in rows:
            known: dict[str, Value] = {
                "run": order + row.order, "run_order": order + row.order, "day": day + row.day, "rig": row.level,
                "phase": str(phase), "visit": f"{phase} {visit + 1}", "pad_set": row.pad_set,
                "position_in_lot": taken + row.position_in_lot, "operator": row.operator, "result": None,
            }  # fmt: skip
            lines += [
                tuple(section.name if name == "section" else known[name] for name in names)
                for section in question.sections
            ]
        order, day, taken = order + len(rows), day + rows[-1].day, taken + runs.sets
    return _sheet(names, lines, form, ("The lines before the move can be replaced by what has run already.",))


_KINDS = {
    "run": ColumnKind.COUNT, "run_order": ColumnKind.COUNT, "day": ColumnKind.COUNT,
    "position_in_lot": ColumnKind.COUNT, "stop": ColumnKind.COUNT, "result": ColumnKind.RESULT,
}  # fmt: skip


def _sheet(
    names: Sequence[str], lines: Sequence[tuple[Value, ...]], form: SheetForm, remarks: tuple[str, ...]
) -> Table:
    """The lines in the form that the study reads: with every column that it maps, a line for each stop where it reads
    stops, a column for each section where it reads a wide table. What the plan does not know is left empty."""
    more = [role for role in form.columns if role not in (*names, STOP, RESULT, SECTION)]
    told = [name for name in names if name not in (SECTION, RESULT)]
    stops = STOP in form.columns
    last = [*([STOP] if stops else []), *(form.wide if form.wide else [RESULT])]
    first = [*told, *more, *([SECTION] if SECTION in names and not form.wide else []), *last]
    rows: list[tuple[Value, ...]] = []
    for line in _runs_only(names, lines) if form.wide else lines:
        known = dict(zip(names, line, strict=True)) | (dict.fromkeys(form.wide) if form.wide else {})
        most = (
            max(form.stops.values(), default=1) if form.wide else form.stops.get(str(known.get(SECTION)), 1)
        )
        for stop in range(1, (most if stops else 1) + 1):
            rows.append(tuple(stop if name == STOP else known.get(name) for name in first))
    if stops and not form.stops:
        remarks = (
            *remarks,
            "One line stands for all stops: repeat it for each and count on, or state plan.stops.",
        )
    return Table(
        key=RUN_SHEET,
        caption="Run sheet: run in this order, write each result into its line",
        columns=tuple(
            Column(
                key=name, caption=form.wide.get(name) or form.columns.get(name, name),
                kind=ColumnKind.RESULT if name in form.wide else _KINDS.get(name, ColumnKind.TEXT),
            )
            for name in first
        ),
        rows=tuple(rows),
        remarks=remarks,
    )  # fmt: skip


def _runs_only(names: Sequence[str], lines: Sequence[tuple[Value, ...]]) -> list[tuple[Value, ...]]:
    """One line for each run, whatever the number of its sections."""
    at = list(names).index("run")
    return list({line[at]: line for line in lines}.values())


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
