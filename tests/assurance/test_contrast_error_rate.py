"""How often equal levels are called different at 5 %: Kenward-Roger contrasts in unbalanced layouts.

Source of the method: Kenward & Roger (1997), Biometrics 53, 983-997. A component estimated at zero stays in the
degrees of freedom, so where one is often zero the rate falls well below 5 %: the price of never exceeding it.
"""

from __future__ import annotations

import pytest

from repeatab.layout.terms import model_of

RELOCATION = model_of(random=["set", ("set", "phase")], fixed=["phase"])
USED_UP = model_of(random=["set"], fixed=["rig"])
LOTS_AND_RIGS = model_of(random=["lot", ("rig", "lot"), ("rig", "lot", "set")], fixed=["rig"])

# name: factors, rows before any are lost, share kept, model, factor, level, reference, SDs, lowest rate.
CASES = {
    "relocation, 8 sets": (
        ["set", "phase"], [(s, p) for s in range(8) for p in "ab" for _ in range(3)], 0.75,
        RELOCATION, ("phase", "b", "a"), (0.012, 0.004, 0.005), 0.02,
    ),
    "relocation, sets react to it": (
        ["set", "phase"], [(s, p) for s in range(8) for p in "ab" for _ in range(3)], 0.75,
        RELOCATION, ("phase", "b", "a"), (0.003, 0.006, 0.005), 0.04,
    ),
    "sets used up on one rig": (
        ["set", "rig"], [(f"{r}{s}", r) for r in "AB" for s in range(6) for _ in range(3)], 0.6,
        USED_UP, ("rig", "B", "A"), (0.008, 0.005), 0.04,
    ),
    "split lot, 3 and 8 sets run once": (
        ["set", "rig"], [(f"A{s}", "A") for s in range(3)] + [(f"B{s}", "B") for s in range(8)], 1.0,
        USED_UP, ("rig", "B", "A"), (0.008,), 0.045,
    ),
    "sets partly crossed with rigs, run once": (
        ["set", "rig"],
        [(1, "A"), (2, "A"), (3, "A"), (3, "B"), (4, "B"), (5, "B"), (6, "A"), (6, "B"), (7, "B")], 1.0,
        USED_UP, ("rig", "B", "A"), (0.010, 0.004), 0.035,
    ),
    "three lots on two rigs, consumed pads": (
        ["lot", "rig", "set"],
        [(k, r, f"{k}{r}{s}") for k in "xyz" for r in "AB" for s in range(4) for _ in range(2)], 0.8,
        LOTS_AND_RIGS, ("rig", "B", "A"), (0.010, 0.004, 0.008, 0.005), 0.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_error_rate_does_not_exceed_five_percent(plan_of_rows, losing, draws, within_chance, name):
    factors, rows, kept, model, (factor, level, reference), sds, lowest = CASES[name]
    design = plan_of_rows(factors, losing(rows, kept=kept, seed=3), model, sds)
    draws *= 5
    rate = design.error_rate(factor, level, reference, draws, seed=500)
    # Half a percent beyond chance: the approximation's own error in the smallest of these.
    assert rate <= 0.055 + within_chance(0.05, draws)
    assert rate >= lowest - within_chance(0.05, draws)
