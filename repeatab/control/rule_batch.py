"""Shewhart charts with run rules for many shifts and scales of the points at once.

In: a chart, (cases,) shifts and scales.  Out: survival and hazard of each case.
The states are those of one chain (`rule_chain`) for all cases; only the probabilities differ. What has not signalled
is stepped on for all cases together, by sums over states instead of a matrix for each case, and where a rule looks at
rises and falls what lies in another zone than the last point enters through the sum over its nodes alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.charts import Shewhart
from repeatab.control.rule_chain import middles_of, zone_bounds, zone_nodes, zone_weights
from repeatab.control.rule_states import SIGNAL, RuleStates, rule_states
from repeatab.control.rules import RunRule

NODES = 6
"""Fewer than for one chain: with zones as wide as a standard deviation of the points six leave 1e-5 at most."""
_LONGEST = 20_000
_CALM, _SETTLED = 20, 1e-10
_MOST_VALUES = 12_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRunLengths:
    """Run lengths of several cases.

    survival: (points, cases) P(no signal in the first t points), t = 0, 1, …  hazard: (cases,) probability of a
    signal at each point after the last.
    """

    survival: FloatArray
    hazard: FloatArray

    def without_signal(self, points: int) -> FloatArray:
        """(cases,) probability of no signal in the first `points` points."""
        last = self.survival.shape[0] - 1
        if points <= last:
            found: FloatArray = self.survival[points]
            return found
        further = (points - last) * np.log1p(-np.minimum(self.hazard, 1 - 1e-16))
        return np.asarray(self.survival[last] * np.exp(further), dtype=np.float64)

    @property
    def average(self) -> FloatArray:
        """(cases,) average run lengths."""
        with np.errstate(divide="ignore"):
            rest = self.survival[-1] / self.hazard
        found: FloatArray = self.survival[:-1].sum(axis=0) + np.where(self.survival[-1] > 0, rest, 0.0)
        return found


def rule_run_lengths(chart: Shewhart, *, shift: FloatArray, scale: FloatArray) -> BatchRunLengths:
    """Run lengths of a chart with run rules, both sides, zero state, for points of each mean and standard deviation.

    Raises
    ------
    EstimationError
        The rules together must remember too much for so many cases at once.
    """
    directional = any(rule.directional for rule in chart.rules)
    bounds, states = _zones(chart)
    size = states.successor.shape[0] * (NODES if directional else 1) * shift.size
    if size > _MOST_VALUES:
        raise EstimationError(
            f"run rules: {states.successor.shape[0]} states for {shift.size} cases at once are too many. Choose fewer "
            "rules beside those about rises and falls."
        )
    if states.successor.shape[0] == 0:
        return BatchRunLengths(survival=np.ones((1, shift.size)), hazard=np.ones(shift.size))
    if directional:
        return _run(*_with_nodes(states, bounds, shift, scale))
    return _run(*_of_zones(states, bounds, shift, scale))


def state_count(chart: Shewhart) -> int:
    """How many states a chart with run rules has to remember."""
    return int(_zones(chart)[1].successor.shape[0])


def _zones(chart: Shewhart) -> tuple[FloatArray, RuleStates]:
    """One set of zones, and so of states, for all cases."""
    directional = any(rule.directional for rule in chart.rules)
    bounds = zone_bounds(chart, shift=0.0, scale=1.0, both_sides=True, directional=directional)
    return bounds, _states(chart.rules, tuple(middles_of(bounds).tolist()))


@lru_cache(maxsize=16)
def _states(rules: tuple[RunRule, ...], middles: tuple[float, ...]) -> RuleStates:
    return rule_states(rules, np.array(middles), both_sides=True)


_Step = Callable[[FloatArray], FloatArray]


def _run(start: FloatArray, step: _Step) -> BatchRunLengths:
    """Step on until the hazard of every case has settled."""
    axes = tuple(range(start.ndim - 1))
    mass = start
    values = [np.ones(start.shape[-1]), mass.sum(axis=axes)]
    hazard, calm = np.full(start.shape[-1], np.nan), 0
    for _ in range(_LONGEST):
        mass = step(mass)
        values.append(np.maximum(mass.sum(axis=axes), 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            latest = np.where(values[-2] > 0, 1 - values[-1] / values[-2], 1.0)
        still = np.abs(latest - hazard) <= _SETTLED * np.abs(latest) + 4e-16
        calm = calm + 1 if bool(np.all(still | (values[-1] < 1e-14))) else 0
        hazard = latest
        if calm >= _CALM:
            break
    return BatchRunLengths(survival=np.array(values), hazard=np.clip(hazard, 1e-300, 1.0))


def _of_zones(
    states: RuleStates, bounds: FloatArray, shift: FloatArray, scale: FloatArray
) -> tuple[FloatArray, _Step]:
    probability = np.diff(ndtr((bounds[:, None] - shift) / scale), axis=0)  # (zones, cases)
    moves = [_moves(states.successor[:, zone, 1]) for zone in range(probability.shape[0])]
    start = np.zeros((states.successor.shape[0], shift.size))
    for zone, to in enumerate(states.after_first.tolist()):
        if to != SIGNAL:
            start[to] += probability[zone]

    def step(mass: FloatArray) -> FloatArray:
        following = np.zeros_like(mass)
        for move, chance in zip(moves, probability, strict=True):
            following += (move @ mass) * chance
        return following

    return start, step


def _moves(to: Any) -> Any:
    """(states, states) sparse: column = from, row = to; what signals goes nowhere."""
    from scipy.sparse import csr_array

    origin = np.flatnonzero(to != SIGNAL)
    return csr_array((np.ones(origin.size), (to[origin], origin)), shape=(to.size, to.size))


def _with_nodes(
    states: RuleStates, bounds: FloatArray, shift: FloatArray, scale: FloatArray
) -> tuple[FloatArray, _Step]:
    """Mass is (states, nodes, cases); the nodes lie in the zone of the state's last point."""
    whole, below, above = _zone_arrays(bounds, shift, scale)
    own, number = states.zone, np.arange(states.zone.size)
    zones, cases = whole.shape[0], shift.size
    other = sum(
        (
            _moves(
                np.where(own == zone, SIGNAL, states.successor[:, zone, :][number, (zone > own).astype(int)])
            )
        )
        for zone in range(zones)
    )
    within = [_moves(states.successor[number, own, side]) for side in (0, 1)]
    members = [np.flatnonzero(own == zone) for zone in range(zones)]
    start = np.zeros((own.size, NODES, cases))
    for zone, to in enumerate(states.after_first.tolist()):
        if to != SIGNAL:
            start[to] += whole[zone]

    def step(mass: FloatArray) -> FloatArray:
        following: FloatArray = (other @ mass.sum(axis=1))[:, None, :] * whole[own]
        for move, block in zip(within, (below, above), strict=True):
            moved = np.empty_like(mass)
            for zone, chosen in enumerate(members):
                # (cases, states, nodes) times (cases, nodes, nodes): what one node sends to the others of its zone.
                sent = np.matmul(mass[chosen].transpose(2, 0, 1), block[zone].transpose(2, 0, 1))
                moved[chosen] = sent.transpose(1, 2, 0)
            following += (move @ moved.reshape(own.size, -1)).reshape(mass.shape)
        return following

    return start, step


def _zone_arrays(
    bounds: FloatArray, shift: FloatArray, scale: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """whole (zones, nodes, cases); below, above (zones, nodes, nodes, cases), as in `rule_chain`."""
    zones, cases = bounds.size - 1, shift.size
    whole = np.empty((zones, NODES, cases))
    below, above = np.empty((2, zones, NODES, NODES, cases))
    for zone in range(zones):
        low, high = float(bounds[zone]), float(bounds[zone + 1])
        x = zone_nodes(low, high, NODES)
        whole[zone] = zone_weights(low, high, x, shift, scale)
        for i, node in enumerate(x):
            below[zone, i] = zone_weights(low, float(node), x, shift, scale)
            above[zone, i] = zone_weights(float(node), high, x, shift, scale)
    return whole, below, above
