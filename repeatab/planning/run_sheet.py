"""The run sheet: planned runs in an order that is drawn by chance within blocks, with empty columns for results.

In: planned runs, rigs or lots, operators, days.  Out: SheetRow per run, in the order in which they are to be run.

One block holds a run of every level (as far as the layout allows), in an order drawn by chance; so drift over
time falls on all levels alike. Operators and days go round so that each level gets each of them equally often;
which set of the lot runs where is drawn by chance within stretches of the lot, so that places in the lot fall on
all levels alike. A set's own order of places is never changed.
Source: restricted randomisation, Cox & Reid (2000), The Theory of the Design of Experiments, ch. 3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.planning.layouts import PlannedRun, PlannedRuns


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One line of the sheet. position_in_lot : the place in the lot from which the set is to be taken.

    rig : where the compared levels are not the rigs.
    """

    order: int
    block: int
    day: int
    level: str
    pad_set: str
    position_in_lot: int
    place: int
    operator: str | None
    rig: str | None = None


def run_sheet(
    plan: PlannedRuns, *, operators: Sequence[str], runs_per_day: int, seed: int
) -> tuple[SheetRow, ...]:
    """Draw the order.

    Parameters
    ----------
    operators : who runs; empty if it does not matter. runs_per_day : on all rigs together, at least 1.
    """
    rng = np.random.default_rng(seed)
    blocks = _blocks(plan, rng)
    position = _positions(plan, rng)
    rows: list[SheetRow] = []
    turns: dict[str, int] = {}
    levels = sorted({run.level for run in plan.runs})
    start = {level: k for k, level in enumerate(levels)}
    shift = int(rng.integers(len(operators))) if operators else 0
    for number, block in enumerate(blocks, start=1):
        for run in block:
            turn = turns.get(run.level, 0)
            turns[run.level] = turn + 1
            # Levels start with different operators, and each goes round all of them.
            drawn = operators[(turn + start[run.level] + shift) % len(operators)] if operators else None
            rows.append(
                SheetRow(
                    order=len(rows) + 1, block=number, day=len(rows) // max(1, runs_per_day) + 1, level=run.level,
                    pad_set=run.pad_set, position_in_lot=position[run.pad_set], place=run.place,
                    operator=run.operator or drawn, rig=run.rig,
                )
            )  # fmt: skip
    return tuple(rows)


def _blocks(plan: PlannedRuns, rng: np.random.Generator) -> list[list[PlannedRun]]:
    """Sets go in batches of as many as there are levels, so that their orders of places complement one another; a
    batch is finished before the next begins, place by place, each place in an order drawn by chance."""
    waiting: dict[str, list[PlannedRun]] = {}
    for run in sorted(plan.runs, key=lambda run: (run.pad_set, run.place)):
        waiting.setdefault(run.pad_set, []).append(run)
    size = len({run.level for run in plan.runs})
    sets = list(waiting)
    batches = [sets[i : i + size] for i in range(0, len(sets), size)]
    blocks = []
    for b in rng.permutation(len(batches)):
        most = max(len(waiting[name]) for name in batches[b])
        for place in range(most):
            block = [waiting[name][place] for name in batches[b] if place < len(waiting[name])]
            blocks.append([block[i] for i in rng.permutation(len(block))])
    return blocks


def _positions(plan: PlannedRuns, rng: np.random.Generator) -> dict[str, int]:
    """Places in the lot: stretch by stretch one set of each first level, by chance within the stretch."""
    first: dict[str, list[str]] = {}
    for run in plan.runs:
        if run.place == 1:
            first.setdefault(run.level, []).append(run.pad_set)
    for sets in first.values():
        rng.shuffle(sets)
    position: dict[str, int] = {}
    while any(first.values()):
        stretch = [sets.pop() for sets in first.values() if sets]
        for i in rng.permutation(len(stretch)):
            position[stretch[i]] = len(position) + 1
    return position
