"""Figures of a requalification: the engine's figures of offsets and of what more runs buy, the sets by rig and phase,
the order of runs rig by rig, and the scatter before and after.

In: comparisons, claims, the design.  Out: figures as data.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from repeatab.base.quantity import Quantity
from repeatab.estimation.intervals import chi_square_limits
from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.figures import figures_of
from repeatab.jobs.requalifying.design import PAD_SET, PHASE, RIG, MoveDesign
from repeatab.jobs.requalifying.scatter import RatioClaim
from repeatab.outcome.figures import Estimate, Figure, RepeatabilityByRig, SetPoint, SetsAcrossRigs
from repeatab.planning.next_runs import MoreRuns


def move_figures(
    shift: LevelComparison,
    sister: LevelComparison | None,
    ratios: Sequence[RatioClaim],
    planned: Mapping[Any, MoreRuns],
    design: MoveDesign,
    quantity: Quantity,
    hours_per_set: float | None,
) -> tuple[Figure, ...]:
    """The figures of the page, in its order."""
    # The order of runs is shown rig by rig: a step of the moved rig alone is the shift.
    by_rig = replace(shift, how=replace(shift.how, factor=RIG))
    # The engine reckons two runs per set; here a set costs a run on the moved rig and on every control.
    per_pair = None if hours_per_set is None else hours_per_set * (1 + len(design.controls)) / 2
    found = {figure.key: figure for figure in figures_of(by_rig, {}, planned, quantity, per_pair)}
    offsets = [figure for key, figure in found.items() if key.startswith("offsets")]
    if any(c.qualifier.value == "between declared looks" for c in shift.claims):
        offsets = []
    order = [figure for key, figure in found.items() if key == "order"]
    more = [figure for key, figure in found.items() if key.startswith("more runs")]
    return (
        *offsets,
        _sets_figure(design, quantity),
        *order,
        *_ratio_figure(ratios, quantity),
        *(_sister_figures(sister, quantity) if sister is not None else []),
        *more,
    )


def _sister_figures(sister: LevelComparison, quantity: Quantity) -> list[Figure]:
    found = figures_of(sister, {}, {}, quantity, None)
    return [replace(f, key=f"sister {f.key}") for f in found if f.key.startswith("offsets")]


def _sets_figure(design: MoveDesign, quantity: Quantity) -> Figure:
    table = design.table
    conditions = [
        f"{rig} {phase}"
        for rig in (design.moved, *design.controls)
        for phase in (design.before, design.after)
    ]
    points = tuple(
        SetPoint(
            section=str(section), rig=f"{rig} {phase}", pad_set=str(label), order=number, value=float(value)
        )
        for number, (section, rig, phase, label, value) in enumerate(
            zip(table["section"], table[RIG], table[PHASE], table[PAD_SET], table["result"], strict=True), 1
        )
    )
    stayed = ", with the rigs that stayed beside it" if design.controls else ""
    return SetsAcrossRigs(
        key="sets",
        title=f"The single pad sets before and after{stayed}",
        reading=f"Each point is one pad set. A step of {design.moved} from {design.before} to {design.after} that the "
        "others do not take is its shift; a step that all take is not."
        if design.controls
        else f"Each point is one pad set of {design.moved}, before and after.",
        unit=quantity.symbol,
        points=points,
        rigs=tuple(conditions),
        sections=tuple(dict.fromkeys(str(s) for s in table["section"])),
    )


def _ratio_figure(ratios: Sequence[RatioClaim], quantity: Quantity) -> list[Figure]:
    known = [claim for claim in ratios if claim.ratio is not None]
    if not known:
        return []
    rows = []
    for claim in known:
        assert claim.ratio is not None
        r, level = claim.ratio, 0.95
        rows.append((_estimate("before", r.sd_b, r.df_b, level), _estimate("after", r.sd_a, r.df_a, level)))
    return [
        RepeatabilityByRig(
            key="scatter",
            title=f"Standard deviation on the moved rig ({known[0].source})",
            reading="Whiskers are 95% intervals of each standard deviation; few sets leave them wide. The verdict "
            "rests on the bounds of their ratio.",
            unit=quantity.symbol,
            sections=tuple(claim.section.name for claim in known),
            rigs=("before", "after"),
            estimates=tuple(rows),
        )
    ]


def _estimate(label: str, sd: float, df: int, level: float) -> Estimate:
    import numpy as np

    low, high = chi_square_limits(np.array([sd**2]), float(df), level=level)
    return Estimate(label=label, value=sd, lower=float(low[0]) ** 0.5, upper=float(high[0]) ** 0.5)
