"""Exchange: a search for the best assignment of treatments (rigs, lots) to planned runs.

In: what is known of the runs beforehand (their set, place, day) and how many treatments there are.  Out: the
assignment that gives most information on the treatments.
A run's treatment is changed, or two runs' treatments are swapped, wherever that helps, until nothing helps; several
starts. Sources: Fedorov (1972), Theory of Optimal Experiments; Cook & Nachtsheim (1980), Technometrics 22, 315-324;
Meyer & Nachtsheim (1995), Technometrics 37, 60-69 (coordinate exchange).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.cells import FloatArray, IntArray

_SINGULAR = 1e-9
# What stands in for an assignment under which some contrast cannot be estimated, per missing direction.
_LOST = 1e6


class Criterion(Enum):
    """What is made small: the generalised variance of the treatment contrasts, or their mean variance."""

    D = "determinant"
    CONTRASTS = "mean variance of the contrasts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An assignment, (runs,) treatment numbers, and its criterion (smaller is better)."""

    treatment: IntArray
    value: float


def exchange(
    nuisance: FloatArray,
    treatments: int,
    *,
    criterion: Criterion = Criterion.CONTRASTS,
    covariance: FloatArray | None = None,
    starts: int = 10,
    seed: int,
) -> Found:
    """Search the assignment of treatments to runs.

    Parameters
    ----------
    nuisance : (runs, columns) fixed effects taken out beside the treatments (mean, blocks, places).
    covariance : (runs, runs) of the results, up to a factor; independent if not given.
    """
    weight = np.eye(len(nuisance)) if covariance is None else np.linalg.inv(covariance)
    half = weight @ nuisance
    # The information that runs carry on treatments once the nuisance effects are out.
    left = weight - half @ np.linalg.pinv(nuisance.T @ half) @ half.T
    rng = np.random.default_rng(seed)
    best: Found | None = None
    for _ in range(starts):
        start = rng.permutation(np.arange(len(nuisance)) % treatments)
        found = _improved(left, start, treatments, criterion)
        if best is None or found.value < best.value - 1e-9:
            best = found
    assert best is not None
    return best


def criterion_value(left: FloatArray, treatment: IntArray, treatments: int, criterion: Criterion) -> float:
    """The criterion of one assignment; `left` is the information after the nuisance effects."""
    indicator = np.eye(treatments)[treatment]
    values = np.linalg.eigvalsh(indicator.T @ left @ indicator)[1:]
    lost = int((values < _SINGULAR).sum())
    kept = np.maximum(values, _SINGULAR)
    if lost:
        return lost * _LOST - float(values.sum())
    if criterion is Criterion.D:
        return -float(np.log(kept).sum())
    # Mean over all pairs of the variance of their difference.
    return float(2 * (1 / kept).sum() / (treatments - 1))


def _improved(left: FloatArray, start: IntArray, treatments: int, criterion: Criterion) -> Found:
    current = start.copy()
    value = criterion_value(left, current, treatments, criterion)
    while True:
        best, change = value, None
        for tried in _neighbours(current, treatments):
            found = criterion_value(left, tried, treatments, criterion)
            if found < best - 1e-9:
                best, change = found, tried
        if change is None:
            return Found(treatment=current, value=value)
        current, value = change, best


def _neighbours(current: IntArray, treatments: int) -> list[IntArray]:
    found = []
    for run in range(len(current)):
        for t in range(treatments):
            if t != current[run]:
                tried = current.copy()
                tried[run] = t
                found.append(tried)
        for other in range(run + 1, len(current)):
            if current[other] != current[run]:
                tried = current.copy()
                tried[run], tried[other] = current[other], current[run]
                found.append(tried)
    return found


def blocks_of_treatments(
    treatments: int, blocks: int, size: int, *, seed: int, criterion: Criterion = Criterion.CONTRASTS
) -> list[list[int]]:
    """The treatments of each block (set), in the order in which they run: places are balanced as far as they can."""
    labels = np.repeat(np.arange(blocks), size)
    found = exchange(np.eye(blocks)[labels], treatments, criterion=criterion, seed=seed)
    members = [sorted(int(t) for t in found.treatment[labels == b]) for b in range(blocks)]
    return _with_places(members, treatments)


def _with_places(members: Sequence[Sequence[int]], treatments: int) -> list[list[int]]:
    """Order each block so that no treatment stands in one place more often than it must."""
    used = np.zeros((treatments, max(len(block) for block in members)))
    ordered = []
    for block in sorted(list(one) for one in members):
        turns = [[*block[k:], *block[:k]] for k in range(len(block))]
        turn = min(turns, key=lambda order: sum(used[t, place] for place, t in enumerate(order)))
        for place, t in enumerate(turn):
            used[t, place] += 1
        ordered.append(list(turn))
    return ordered
