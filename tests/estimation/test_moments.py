"""The eliminated criterion, gradient, information and Kenward-Roger pieces against dense n x n matrices."""

from __future__ import annotations

import numpy as np
import pytest

from repeatab.cells import reduce_to_cells
from repeatab.estimation.moments import criterion, moments
from repeatab.estimation.system import build_system
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of

CASES = {
    "chain of three": {"random": ["lot", ("lot", "set"), ("lot", "set", "rig")]},
    "crossed with interaction": {"random": ["rig", "set", ("rig", "set")], "fixed": ["phase"]},
    "crossed without": {"random": ["rig", "set"]},
    "three crossed": {"random": ["rig", "set", "phase", ("rig", "set"), ("set", "phase")]},
    "fixed only": {"random": [], "fixed": ["rig"]},
    "covariate": {
        "random": ["rig", "set", ("rig", "set")], "fixed": ["phase"], "covariates": ["temperature"],
    },
    "chain with covariate": {
        "random": ["lot", ("lot", "set")], "fixed": ["rig"], "covariates": ["temperature"],
    },
}  # fmt: skip


def invented_rows(seed: int):
    import pandas as pd

    rng = np.random.default_rng(seed)
    rows = 70
    frame = pd.DataFrame(
        {
            "rig": rng.choice(["A", "B", "C"], rows),
            "lot": rng.choice(["L1", "L2", "L3", "L4"], rows),
            "set": rng.integers(1, 6, rows),
            "phase": rng.choice(["before", "after"], rows),
            "temperature": rng.normal(100, 8, rows),
        }
    )
    effect = {s: rng.normal(0, 0.02) for s in range(1, 6)}
    frame["mu"] = 0.4 + frame["set"].map(effect) + rng.normal(0, 0.01, rows)
    return frame


def dense(frame, model, system, theta):
    """The definitions, written out with n x n matrices."""
    import pandas as pd

    y = ((frame["mu"] - system.origin[0]) / system.unit[0]).to_numpy()
    patterns = []
    for term in model.random:
        codes = pd.factorize(frame[sorted(term.keys)].apply(tuple, axis=1))[0]
        z = np.eye(codes.max() + 1)[codes]
        patterns.append(z @ z.T)
    patterns.append(np.eye(len(y)))
    columns = [np.ones(len(y))]
    for term in model.fixed:
        levels = sorted(frame[term.factors[0]].unique())
        columns += [(frame[term.factors[0]] == level).to_numpy(float) for level in levels[1:]]
    for i, name in enumerate(model.covariates):
        columns.append((frame[name].to_numpy() - system.centre[0, i]) / system.scale[0, i])
    x = np.stack(columns, axis=1)
    v = sum(t * m for t, m in zip(theta, patterns, strict=True))
    inverse = np.linalg.inv(v)
    phi_inverse = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.solve(phi_inverse, x.T @ inverse)
    df = len(y) - x.shape[1]
    value = np.linalg.slogdet(v)[1] + np.linalg.slogdet(phi_inverse)[1] + y @ p @ y + df * np.log(2 * np.pi)
    k = len(patterns)
    return {
        "criterion": value,
        "gradient": [np.trace(p @ m) - y @ p @ m @ p @ y for m in patterns],
        "expected": [[np.trace(p @ a @ p @ b) for b in patterns] for a in patterns],
        "average": [[y @ p @ a @ p @ b @ p @ y for b in patterns] for a in patterns],
        "fixed": np.linalg.solve(phi_inverse, x.T @ inverse @ y),
        "fixed_inverse": phi_inverse,
        "first": [x.T @ inverse @ m @ inverse @ x for m in patterns],
        "second": [
            [x.T @ inverse @ patterns[i] @ p @ patterns[j] @ inverse @ x for j in range(k)] for i in range(k)
        ],
    }


@pytest.mark.parametrize("zero", [False, True], ids=["inside", "first component zero"])
@pytest.mark.parametrize("name", CASES)
def test_elimination_equals_the_dense_definitions(name, zero):
    frame = invented_rows(seed=7)
    model = model_of(**CASES[name])
    cells = reduce_to_cells(frame, result="mu", factors=model.keys, covariates=model.covariates)
    (block,) = blocks_of(cells)
    system = build_system(block, layout_of(block, model))
    theta = np.linspace(0.3, 1.1, system.sources + 1)
    if zero and system.sources:
        theta[0] = 0.0
    found = moments(system, theta[None], kenward_roger=True)
    wanted = dense(frame, model, system, theta)
    # Both are double precision; the dense inverse alone is good to about 1e-12 here.
    for key, value in wanted.items():
        got = getattr(found, key)[0]
        scale = np.abs(np.asarray(value)).max()
        np.testing.assert_allclose(got, value, rtol=1e-9, atol=1e-10 * scale + 2e-12, err_msg=key)
    assert criterion(system, theta[None])[0] == pytest.approx(wanted["criterion"], abs=1e-10)
