"""The Shewhart chart with run rules as an exact Markov chain.

In: a Shewhart chart, the shift and scale of the plotted points, the first perhaps shifted otherwise.  Out: its Chain.

Rules about distances need only the zone of each point: a finite chain. Rules about rises and falls also need
the value of the last point; there each zone carries Gauss-Legendre nodes, and what lies above or below a node
inside its own zone is integrated exactly for the interpolating polynomial, so the error falls faster than any
power.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.chain import Chain
from repeatab.control.charts import Shewhart
from repeatab.control.quadrature import legendre
from repeatab.control.rule_states import SIGNAL, RuleStates, rule_states

NODES = 8
_FINE = 16
_WIDEST = 1.0
_MOST_UNKNOWNS = 120_000


def shewhart_chain(
    chart: Shewhart, *, shift: float, scale: float, both_sides: bool, first: float | None = None
) -> Chain:
    """Return the chain of `chart` for points with mean `shift` and standard deviation `scale` (assumed ones:
    0, 1).

    first : mean of the first point, where it differs.

    Raises
    ------
    EstimationError
        The rules together need more states than can be handled.

    References
    ----------
    Champ & Woodall (1987), Technometrics 29, 393-399.
    """
    directional = any(rule.directional for rule in chart.rules)
    bounds = zone_bounds(chart, shift=shift, scale=scale, both_sides=both_sides, directional=directional)
    states = rule_states(chart.rules, middles_of(bounds), both_sides=both_sides)
    if states.successor.shape[0] == 0:
        return Chain(early=np.array([1.0]), start=np.zeros(1), step=np.zeros((1, 1)))
    at_first = shift if first is None else first
    if directional:
        zones = [_Zone.of(a, b, shift, scale) for a, b in _pairs(bounds)]
        return _chain_with_nodes(states, zones, [_whole(a, b, at_first, scale) for a, b in _pairs(bounds)])
    step, start = (np.diff(ndtr((bounds - mean) / scale)) for mean in (shift, at_first))
    return _chain_of_zones(states, step, start)


def middles_of(bounds: FloatArray) -> FloatArray:
    """A point within each zone."""
    middles: FloatArray = (bounds[:-1] + bounds[1:]) / 2
    middles[0] = bounds[1] - 1.0 if math.isinf(bounds[0]) else middles[0]
    return middles


def _pairs(bounds: FloatArray) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in itertools.pairwise(bounds)]


def zone_bounds(
    chart: Shewhart, *, shift: float, scale: float, both_sides: bool, directional: bool
) -> FloatArray:
    """Return the lines between zones, from limit to limit; further lines keep zones with nodes narrow."""
    lines = {line for rule in chart.rules if not rule.directional for line in (rule.sigmas, -rule.sigmas)}
    lowest = -chart.limit if both_sides else -math.inf
    inner = sorted(line for line in lines if lowest < line < chart.limit)
    bounds = [lowest, *inner, chart.limit]
    if not directional:
        return np.array(bounds)
    if math.isinf(lowest):
        bounds[0] = min([shift - 12 * scale, *(line - 1.0 for line in bounds[1:])])
    parts = [
        np.linspace(a, b, max(2, math.ceil((b - a) / (_WIDEST * scale)) + 1))[:-1]
        for a, b in itertools.pairwise(bounds)
    ]
    return np.concatenate([*parts, [chart.limit]])


def _chain_of_zones(states: RuleStates, probability: FloatArray, first: FloatArray) -> Chain:
    """Probabilities of the zones for every later point and for the first."""
    from scipy.sparse import coo_array

    size, zones = states.successor.shape[:2]
    to = states.successor[:, :, 1]
    rows, columns = np.nonzero(to != SIGNAL)
    step = coo_array((probability[columns], (rows, to[rows, columns])), shape=(size, size)).tocsr()
    start = np.zeros(size)
    for zone in range(zones):
        if states.after_first[zone] != SIGNAL:
            start[states.after_first[zone]] += first[zone]
    return Chain(early=np.array([1.0]), start=start, step=step)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Zone:
    """`whole`: (nodes,) weights of the zone's mass.  `below`, `above`: (nodes, nodes) weights of the part of
    the zone below or above each node.
    """

    whole: FloatArray
    below: FloatArray
    above: FloatArray

    @classmethod
    def of(cls, low: float, high: float, shift: float, scale: float) -> _Zone:
        x = zone_nodes(low, high)
        case = np.array([shift]), np.array([scale])
        below = np.array([zone_weights(low, float(node), x, *case)[:, 0] for node in x])
        above = np.array([zone_weights(float(node), high, x, *case)[:, 0] for node in x])
        return cls(whole=_whole(low, high, shift, scale), below=below, above=above)


def _whole(low: float, high: float, shift: float, scale: float) -> FloatArray:
    """(nodes,) weights of a zone's mass."""
    return zone_weights(low, high, zone_nodes(low, high), np.array([shift]), np.array([scale]))[:, 0]


def zone_nodes(low: float, high: float, count: int = NODES) -> FloatArray:
    """The nodes of a zone."""
    unit, _ = legendre(count)
    found: FloatArray = (low + high) / 2 + (high - low) / 2 * unit
    return found


def zone_weights(
    low: float, high: float, nodes: FloatArray, shift: FloatArray, scale: FloatArray
) -> FloatArray:
    """(nodes, cases) integrals from `low` to `high` of each normal density times each Lagrange polynomial."""
    unit, weight = legendre(_FINE)
    y = (low + high) / 2 + (high - low) / 2 * unit
    density = np.exp(-0.5 * ((y[:, None] - shift) / scale) ** 2) / (scale * math.sqrt(2 * math.pi))
    gaps = nodes[:, None] - nodes[None, :]
    np.fill_diagonal(gaps, 1.0)
    apart = y[None, None, :] - nodes[None, :, None]
    apart = np.where(np.eye(nodes.size, dtype=np.bool_)[:, :, None], 1.0, apart)
    lagrange = (apart / gaps[:, :, None]).prod(axis=1)
    found: FloatArray = lagrange @ (density * (weight * (high - low) / 2)[:, None])
    return found


def _chain_with_nodes(states: RuleStates, zones: list[_Zone], first: list[FloatArray]) -> Chain:
    """`first`: weights of each zone's mass for the first point."""
    from scipy.sparse import coo_array

    count = states.successor.shape[0]
    size = count * NODES
    if size > _MOST_UNKNOWNS:
        raise EstimationError(
            f"run rules: the exact chain needs {count} states with {NODES} nodes each, more than can be "
            "handled. "
            "Choose fewer rules beside those about rises and falls."
        )
    ones = np.ones((NODES, 1))
    rows, columns, values = [], [], []
    offset_i, offset_j = np.meshgrid(np.arange(NODES), np.arange(NODES), indexing="ij")
    for state in range(count):
        own = int(states.zone[state])
        for zone, weights in enumerate(zones):
            for side, block in ((0, weights.below), (1, weights.above)):
                if zone != own:
                    if side != (zone > own):
                        continue
                    block = ones * weights.whole
                to = int(states.successor[state, zone, side])
                if to != SIGNAL:
                    rows.append((state * NODES + offset_i).ravel())
                    columns.append((to * NODES + offset_j).ravel())
                    values.append(block.ravel())
    if not rows:
        return Chain(early=np.array([1.0]), start=np.zeros(size), step=np.zeros((size, size)))
    step = coo_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(size, size)
    ).tocsr()
    start = np.zeros(size)
    for zone, whole in enumerate(first):
        to = int(states.after_first[zone])
        if to != SIGNAL:
            start[to * NODES : (to + 1) * NODES] += whole
    return Chain(early=np.array([1.0]), start=start, step=step)
