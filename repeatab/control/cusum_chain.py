"""The tabular CUSUM in motion: one side by its integral equation, both sides together without approximation.

In: a CUSUM chart, the shift and scale of the plotted points.  Out: Chain of one side; run length of both.

One side, S = max(0, S before + x − reference), signals beyond the decision value: an atom at zero beside a
density on (0, decision) (Page 1954, Biometrika 41, 100-115; Goel & Wu 1971, Technometrics 13, 221-230).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.chain import Chain
from repeatab.control.charts import Cusum
from repeatab.control.quadrature import legendre

_PER_WIDTH = 5.0
_LEAST, _MOST = 24, 1200
_TAIL_POINTS = 20_000


def one_side_chain(
    chart: Cusum, *, shift: float, scale: float, start: float, first: float | None = None
) -> Chain:
    """Return the chain of the upper sum from `start`; state 0 is the sum at zero. For the lower side turn `shift` and
    `first`, the mean of the first point where it differs.

    Raises
    ------
    EstimationError
        The decision value is so large that the quadrature would need too many nodes.
    """
    count = max(_LEAST, math.ceil(_PER_WIDTH * chart.decision / scale) + 12)
    if count > _MOST:
        raise EstimationError(f"CUSUM run length: decision {chart.decision:g} is too large to be computed.")
    unit, weights = legendre(count)
    nodes = chart.decision / 2 * (unit + 1)
    mass = chart.decision / 2 * weights
    levels = np.concatenate([[0.0], nodes])

    def row(level: FloatArray, mean: float) -> FloatArray:
        drift = level[:, None] + mean - chart.reference
        density = np.exp(-0.5 * ((nodes[None, :] - drift) / scale) ** 2) / (scale * math.sqrt(2 * math.pi))
        return np.column_stack([ndtr(-drift / scale), density * mass])

    opening = row(np.array([start]), shift if first is None else first)[0]
    return Chain(early=np.array([1.0]), start=opening, step=row(levels, shift))


def both_sides_average(chart: Cusum, *, shift: float, scale: float, first: float | None = None) -> float:
    """Return the average run length of both sums run together.

    first : mean of the first point, where it differs.

    With equal reference and decision one sum is at zero whenever the other signals, so the sums renew each
    other and 1/L = 1/L₊ + 1/L₋ holds exactly (Kemp 1971, Applied Statistics 20); with head starts as in Lucas
    & Crosier (1982), Technometrics 24, 199-205. From any pair of sums reached on the way the rest takes
    (l₊/L₊ + l₋/L₋ − 1) L points, l of each side alone from where it is. Averaged over the first point, at which a side
    that signals leaves the other at zero, this gives 1 + ((F₊ − 1)/L₊ + (F₋ − 1)/L₋ − 1) L, with F of each side alone
    from its start with its own first point.
    """
    rested = [one_side_chain(chart, shift=s, scale=scale, start=0.0) for s in (shift, -shift)]
    up, down = (chain.average() for chain in rested)
    together = _together(up, down)
    if (chart.head_start == 0 and first is None) or math.isinf(together):
        return together
    if first is not None:
        return _after_another_first(chart, shift, scale, first, up, down)
    up_from, down_from = (
        one_side_chain(chart, shift=s, scale=scale, start=chart.head_start).average() for s in (shift, -shift)
    )
    # Divided by the product throughout; a side that never signals from zero does not from its head start either.
    up_share = up_from / up if math.isfinite(up) else 1.0
    down_share = down_from / down if math.isfinite(down) else 1.0
    return (up_share + down_share - 1) * together


def _after_another_first(
    chart: Cusum, shift: float, scale: float, first: float, up: float, down: float
) -> float:
    """Of both sums, when the first point has another mean; `up`, `down`: of each side alone from zero."""
    shares = []
    for sign, rested in ((1.0, up), (-1.0, down)):
        chain = one_side_chain(
            chart, shift=sign * shift, scale=scale, start=chart.head_start, first=sign * first
        )
        # A side that never signals later may still do so at the first point; what is left then never ends.
        shares.append((chain.average() - 1) / rested if math.isfinite(rested) else float(chain.start.sum()))
    return 1 + (shares[0] + shares[1] - 1) * _together(up, down)


def _together(up: float, down: float) -> float:
    rate = 1 / up + 1 / down
    return 1 / rate if rate > 0 else math.inf


def both_sides_survival(chart: Cusum, *, shift: float, scale: float) -> tuple[FloatArray, float]:
    """Return P(N > t) of both sums run together, t = 0, 1, …, and the constant hazard after the last t.

    The renewal that gives the average gives the distribution too: with G(z) the generating function of one
    side from its start and R(z) from zero, U (upper signals first) and V (lower first) obey G₊ = U + V R₊ and
    G₋ = V + U R₋, solved term by term.
    """
    sides = [_probabilities(chart, shift=s, scale=scale) for s in (shift, -shift)]
    length = max(side[0].size for side in sides)
    (up_from, up), (down_from, down) = ([np.pad(a, (0, length - a.size)) for a in side] for side in sides)
    upper, lower = np.zeros(length), np.zeros(length)
    alive, values, hazard, calm = 1.0, [1.0], math.nan, 0
    for t in range(1, length):
        # Terms with one point or more in both factors: neither U nor V at t is needed on the right.
        upper[t] = up_from[t] - float(lower[1:t] @ up[t - 1 : 0 : -1])
        lower[t] = down_from[t] - float(upper[1:t] @ down[t - 1 : 0 : -1])
        signal = float(upper[t] + lower[t])
        latest = signal / alive
        alive -= signal
        values.append(max(alive, 0.0))
        calm = calm + 1 if abs(latest - hazard) <= 1e-8 * latest else 0
        hazard = latest
        if calm >= 20 or alive < 1e-13:
            break
    return np.array(values), hazard


def _probabilities(chart: Cusum, *, shift: float, scale: float) -> tuple[FloatArray, FloatArray]:
    """Return P(N = t), t = 0, 1, …, of one side from the head start and from zero."""
    found = []
    for start in (chart.head_start, 0.0):
        chain = one_side_chain(chart, shift=shift, scale=scale, start=start)
        transpose, mass = chain.step.T.copy(), chain.start
        alive = [1.0, float(mass.sum())]
        steps = _points_needed(chart, scale)
        for _ in range(steps):
            mass = transpose @ mass
            alive.append(float(mass.sum()))
        found.append(np.concatenate([[0.0], -np.diff(alive)]))
    return found[0], found[1]


def _points_needed(chart: Cusum, scale: float) -> int:
    """Points after which the sum has forgotten its start: it crosses its range by drift or by diffusion."""
    width = chart.decision / scale
    return min(_TAIL_POINTS, math.ceil(120 + 12 * width * width))
