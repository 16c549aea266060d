"""The EWMA chart in motion: its integral equation on Gauss-Legendre nodes.

In: an EWMA chart, the shift and scale of the plotted points, the first perhaps shifted otherwise.  Out: its Chain.

The expected run length from z solves L(z) = 1 + ∫ L(y) f(y | z) dy over the limits, where the next value is
normal with mean (1 − weight) z + weight × shift (Crowder 1987, Technometrics 29, 401-407). The kernel is
analytic, so the quadrature converges faster than any power of the number of nodes.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from repeatab.base.errors import EstimationError
from repeatab.control.arrays import FloatArray
from repeatab.control.chain import Chain
from repeatab.control.charts import Ewma
from repeatab.control.quadrature import legendre

_PER_WIDTH = 3.5
_LEAST, _MOST = 24, 1200
# The starting limits have settled when they differ from the final ones by less than this share.
_SETTLED = 1e-10


def ewma_chain(
    chart: Ewma, *, shift: float, scale: float, start: float = 0.0, first: float | None = None
) -> Chain:
    """Return the chain of a two-sided EWMA chart that begins at `start`.

    first : mean of the first point, where it differs.

    Raises
    ------
    EstimationError
        The weight is so small against the limit that the quadrature would need too many nodes.
    """
    at_first = shift if first is None else first
    if chart.weight == 1.0:
        later, once = (
            float(ndtr((chart.limit - mean) / scale) - ndtr((-chart.limit - mean) / scale))
            for mean in (shift, at_first)
        )
        return Chain(early=np.array([1.0]), start=np.array([once]), step=np.array([[later]]))
    width = chart.weight * scale
    unit, weights = _rule(2 * chart.half_width / width)
    nodes, mass = chart.half_width * unit, chart.half_width * weights
    kernel = _Kernel(chart.weight, shift, scale)
    step = kernel(nodes, nodes) * mass
    opening = _Kernel(chart.weight, at_first, scale)
    if not chart.starting_limits:
        return Chain(early=np.array([1.0]), start=opening(np.array([start]), nodes)[0] * mass, step=step)
    width = chart.half_width_at(1)
    held = opening(np.array([start]), width * unit)[0] * (width * weights)
    return _from_starting_limits(chart, kernel, unit, weights, step, held)


def _rule(widths: float) -> tuple[FloatArray, FloatArray]:
    count = max(_LEAST, math.ceil(_PER_WIDTH * widths) + 16)
    if count > _MOST:
        raise EstimationError(
            f"EWMA run length: the limits are {widths:.0f} times as wide as one step; choose a larger weight."
        )
    return legendre(count)


class _Kernel:
    """Density of the next value (columns) given the present one (rows)."""

    __slots__ = ("scale", "shift", "weight")

    def __init__(self, weight: float, shift: float, scale: float) -> None:
        self.weight, self.shift, self.scale = weight, shift, scale

    def __call__(self, present: FloatArray, following: FloatArray) -> FloatArray:
        x = (following[None, :] - (1 - self.weight) * present[:, None]) / self.weight - self.shift
        density: FloatArray = np.exp(-0.5 * (x / self.scale) ** 2)
        return density / (self.scale * self.weight * math.sqrt(2 * math.pi))


def _from_starting_limits(
    chart: Ewma, kernel: _Kernel, unit: FloatArray, weights: FloatArray, step: FloatArray, held: FloatArray
) -> Chain:
    """Carry the mass after the first point forward through the widening limits until they have settled, then use the
    constant chain.
    """
    rounds = max(1, math.ceil(math.log(_SETTLED) / (2 * math.log1p(-chart.weight))))
    nodes = chart.half_width_at(1) * unit
    early = [1.0, float(held.sum())]
    for point in range(2, rounds + 1):
        width = chart.half_width_at(point)
        following = width * unit
        held = (held @ kernel(nodes, following)) * (width * weights)
        nodes = following
        early.append(float(held.sum()))
    last = chart.half_width * unit
    held = (held @ kernel(nodes, last)) * (chart.half_width * weights)
    return Chain(early=np.array(early), start=held, step=step)
