"""Gauss-Legendre nodes, made once for each number of nodes.

In: how many.  Out: nodes and weights on −1 to 1, which cannot be changed.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from repeatab.control.arrays import FloatArray


@lru_cache(maxsize=256)
def legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights, (count,) each."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights
