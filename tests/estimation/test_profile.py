"""Profile limits: the joint search against refits at each point, and against a grid where refits break off."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special

from repeatab.estimation.components import fit_components
from repeatab.estimation.moments import criterion
from repeatab.estimation.profile import profile_limits
from repeatab.estimation.refitted_limits import refitted_limits

MODELS = [
    {"random": ["rig", "set"]},
    {"random": ["rig", "set", ("rig", "set")]},
    {"random": ["set"], "fixed": ["rig"], "covariates": ["temperature"]},
    {"random": ["rig", "set", "phase", ("rig", "set"), ("rig", "phase"), ("set", "phase")]},
]


def drawn(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(20, 120))
    rigs, sets = int(rng.integers(2, 6)), int(rng.integers(3, 12))
    frame = pd.DataFrame(
        {
            "rig": rng.integers(0, rigs, rows), "set": rng.integers(0, sets, rows),
            "phase": rng.integers(0, 3, rows), "temperature": rng.normal(0, 1, rows),
        }
    )  # fmt: skip
    mu = rng.normal(0, 1, rows) + rng.choice([0, 0.3, 1, 3]) * rng.normal(0, 1, rigs)[frame["rig"]]
    mu += rng.choice([0, 0.3, 1, 3]) * rng.normal(0, 1, sets)[frame["set"]]
    return frame.assign(mu=mu)


@pytest.mark.parametrize("model", range(len(MODELS)))
def test_joint_search_gives_the_limits_of_refits(model):
    point = float(special.chdtri(1, 0.05))
    for seed in range(3):
        (part,) = fit_components(drawn(seed), result="mu", method="reml", **MODELS[model]).blocks
        theta = part.minimum.theta.ravel()
        positive = np.flatnonzero(theta > 0)
        lower, upper = profile_limits(part.system, part.minimum, level=0.95)
        wanted = np.zeros(len(theta))
        error = 0.3 * theta + 0.1
        points = np.full(len(theta), point)
        wanted[positive] = refitted_limits(
            part.system, part.minimum, positive, error[positive], point=points[positive], side=-1.0
        )
        every = np.arange(len(theta))
        other = refitted_limits(part.system, part.minimum, every, error, point=points, side=1.0)
        np.testing.assert_allclose(lower[0], wanted, rtol=1e-6, atol=1e-9 * theta.sum())
        np.testing.assert_allclose(upper[0], other, rtol=1e-6)


def test_limit_at_which_repeatability_has_vanished():
    """Fourteen drawn results in twelve combinations with three fixed means: beside a large combination nothing is
    left for repeatability, and refits run away. The profile is found on a grid down to a billionth."""
    frame = pd.DataFrame(
        {
            "rig": [1, 2, 0, 2, 0, 1, 0, 0, 1, 0, 2, 2, 2, 0],
            "set": [6, 1, 6, 9, 10, 3, 8, 9, 7, 5, 7, 7, 6, 9],
            "phase": [2, 1, 2, 1, 2, 1, 2, 1, 1, 1, 2, 0, 1, 0],
            "mu": [-0.95, 1.04, 0.76, 1.58, 0.46, 0.1, 2.53, 1.16, -0.62, -0.42, 0.53, 1.21, -2.18, 1.35],
        }
    )
    fit = fit_components(frame, result="mu", random=["set", ("set", "rig")], fixed=["phase"], method="reml")
    (part,) = fit.blocks
    _, upper = profile_limits(part.system, part.minimum, level=0.95)
    k = 1
    first, last = np.concatenate([[0], np.geomspace(1e-4, 10, 60)]), np.geomspace(1e-9, 3, 80)
    grid = np.stack([part.ravel() for part in np.meshgrid(first, last)], axis=1)
    theta = np.insert(grid, k, upper[0, k], axis=1)
    rise = criterion(part.system.take(np.zeros(len(theta), np.int64)), theta) - part.minimum.criterion
    assert grid[rise.argmin(), 1] < 1e-6
    # The grid is coarse beside the optimum between its points, where the profile is flat.
    assert rise.min() == pytest.approx(float(special.chdtri(1, 0.05)), abs=0.02)


def test_groups_searched_in_turn_have_the_limits_of_all_at_once(monkeypatch):
    frame = pd.concat([drawn(7).assign(section=s, mu=lambda f, s=s: f["mu"] * (s + 1)) for s in range(5)])
    frame["mu"] += np.random.default_rng(1).normal(0, 1, len(frame))
    by = {"random": ["rig", "set"], "method": "reml", "by": ["section"]}
    together = fit_components(frame, result="mu", **by)
    limits = [np.concatenate(side) for side in zip(*(part.profiled for part in together.blocks), strict=True)]
    monkeypatch.setattr("repeatab.estimation.profile._NUMBERS", 1)
    monkeypatch.setattr("repeatab.estimation.components._NUMBERS", 1)
    in_turn = fit_components(frame, result="mu", **by)
    assert len(in_turn.blocks) == 5
    again = [np.concatenate(side) for side in zip(*(part.profiled for part in in_turn.blocks), strict=True)]
    np.testing.assert_allclose(again, limits, rtol=1e-6)
    pd.testing.assert_frame_equal(in_turn.components, together.components, rtol=1e-6)
    assert len(together.blocks) == 1
