"""Codes under which laboratories appear to each other.

In: the laboratories and a number known to the organiser only.  Out: a code for each.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np


def codes_of(laboratories: Sequence[Hashable], seed: int) -> dict[Hashable, str]:
    """A code for each laboratory: "P01" and so on, dealt out by chance; the same seed gives the same codes.

    The codes follow from the names and the seed, so the seed has to be kept by the organiser alone.
    """
    width = max(2, len(str(len(laboratories))))
    order = np.random.default_rng(seed).permutation(len(laboratories))
    return {name: f"P{place + 1:0{width}d}" for name, place in zip(laboratories, order.tolist(), strict=True)}
