"""The run sheet: planned runs in an order that is drawn by chance within blocks, with empty columns for results.

In: planned runs, rigs or lots, operators, days.  Out: SheetRow per run, in the order in which they are to be run.

One block holds a run of every level (as far as the layout allows), in an order drawn by chance; so drift over
time falls on all levels alike. Operators and days go round so that each level gets each of them equally often;
which set of the lot runs where is drawn by chance within stretches of the lot, so that places in the lot fall on
all levels alike. A set's own order of places is never changed.
Source: restricted randomisation, Cox & Reid (2000), The Theory of the Design of Experiments, ch. 3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    batch is finished before the next begins, place by place, each place in an order drawn by chance. Where a level has
    fewer sets than another, they are spread over the batches."""
    waiting = plan.runs_by_set
    size = len({run.level for run in plan.runs})
    places = {name: (i + 0.5) / number for _, i, number, name in _by_first_level(waiting)}
    sets = sorted(waiting, key=lambda name: (places[name], name))
    batches = [sets[i : i + size] for i in range(0, len(sets), size)]
    blocks = []
    for b in rng.permutation(len(batches)):
        most = max(len(waiting[name]) for name in batches[b])
        for place in range(most):
            block = [waiting[name][place] for name in batches[b] if place < len(waiting[name])]
            blocks.append([block[i] for i in rng.permutation(len(block))])
    return blocks


def _by_first_level(
    waiting: Mapping[str, Sequence[PlannedRun]],
) -> list[tuple[str, int, int, str]]:
    """Level of its first run, number among the sets that begin there, how many these are, and label of each set."""
    first: dict[str, list[str]] = {}
    for name, runs in waiting.items():
        first.setdefault(runs[0].level, []).append(name)
    return [(level, i, len(names), name) for level, names in first.items() for i, name in enumerate(names)]


def _positions(plan: PlannedRuns, rng: np.random.Generator) -> dict[str, int]:
    """Places in the lot: the sets that begin at one level are drawn by chance into even stretches of the lot, one into
    each, and within its stretch by chance; so a level with fewer sets is spread over all of the lot as well."""
    first: dict[str, list[tuple[int, str]]] = {}
    for level, i, _, name in _by_first_level(plan.runs_by_set):
        first.setdefault(level, []).append((i, name))
    place: dict[str, float] = {}
    for sets in first.values():
        drawn = rng.permutation(len(sets))
        for stretch, which in enumerate(drawn):
            place[sets[which][1]] = (stretch + rng.random()) / len(sets)
    return {name: number for number, name in enumerate(sorted(place, key=place.__getitem__), start=1)}
