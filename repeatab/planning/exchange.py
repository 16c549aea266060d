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
    return float(_values(left, treatment[None], treatments, criterion)[0])


def _values(left: FloatArray, treatment: IntArray, treatments: int, criterion: Criterion) -> FloatArray:
    """(tries,) criterion of each of many assignments, (tries, runs)."""
    indicator = np.eye(treatments)[treatment]
    information = np.swapaxes(indicator, 1, 2) @ (left @ indicator)
    values = np.linalg.eigvalsh(information)[:, 1:]
    lost = (values < _SINGULAR).sum(axis=1)
    kept = np.maximum(values, _SINGULAR)
    # For contrasts: the mean over all pairs of the variance of their difference.
    variance = 2 * (1 / kept).sum(axis=1) / (treatments - 1)
    found = -np.log(kept).sum(axis=1) if criterion is Criterion.D else variance
    return np.asarray(np.where(lost > 0, lost * _LOST - values.sum(axis=1), found))


def _improved(left: FloatArray, start: IntArray, treatments: int, criterion: Criterion) -> Found:
    current = start.copy()
    value = criterion_value(left, current, treatments, criterion)
    while True:
        tried = _neighbours(current, treatments)
        if not len(tried):
            return Found(treatment=current, value=value)
        found = _values(left, tried, treatments, criterion)
        best = int(np.argmin(found))
        if not found[best] < value - 1e-9:
            return Found(treatment=current, value=value)
        current, value = tried[best], float(found[best])


def _neighbours(current: IntArray, treatments: int) -> IntArray:
    """(tries, runs) every assignment that differs in one run, or in two whose treatments are swapped."""
    runs = len(current)
    run, treatment = (axis.ravel() for axis in np.meshgrid(range(runs), range(treatments), indexing="ij"))
    changed = treatment != current[run]
    run, treatment = run[changed], treatment[changed]
    single = np.tile(current, (len(run), 1))
    single[np.arange(len(run)), run] = treatment
    first, second = np.triu_indices(runs, 1)
    unlike = current[first] != current[second]
    first, second = first[unlike], second[unlike]
    swapped = np.tile(current, (len(first), 1))
    swapped[np.arange(len(first)), first] = current[second]
    swapped[np.arange(len(first)), second] = current[first]
    return np.concatenate([single, swapped])


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
