"""Short ways of the criterion against the general one: balanced layouts, and nodes of equal weight together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from repeatab.cells import reduce_to_cells
from repeatab.estimation.components import fit_components
from repeatab.estimation.mean_squares import component_rows, mean_squares
from repeatab.estimation.minimise import minimise_from_several_starts, minimise_strata
from repeatab.estimation.moments import criterion, moments
from repeatab.estimation.profile import profile_limits
from repeatab.estimation.strata import Strata, pooled_minimum, strata_of
from repeatab.estimation.system import build_system
from repeatab.layout.blocks import Block, blocks_of
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import model_of

CROSSED = ["rig", "pad_set", ("rig", "pad_set")]


def drawn(rig_sd: float, groups: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(11)
    g, r, s, _ = (part.ravel() for part in np.indices((groups, 3, 5, 2)))
    y = 0.4 + rig_sd * rng.standard_normal((groups, 3))[g, r] + 0.02 * rng.standard_normal((groups, 5))[g, s]
    return pd.DataFrame({"section": g, "rig": r, "pad_set": s, "mu": y + 0.01 * rng.standard_normal(g.size)})


def laid_out(frame: pd.DataFrame) -> tuple[Block, Layout]:
    cells = reduce_to_cells(frame, result="mu", factors=["section", "rig", "pad_set"])
    (block,) = blocks_of(cells, by=["section"])
    return block, layout_of(block, model_of(random=CROSSED))


def test_criterion_and_derivatives_of_strata_are_those_of_the_general_system():
    block, layout = laid_out(drawn(0.02))
    strata, system = strata_of(mean_squares(block, layout)), build_system(block, layout)
    theta = np.array([[0.3, 0.5, 0.1, 0.4]]).repeat(4, axis=0)
    other = np.array([[0.1, 0.9, 0.0, 0.2]]).repeat(4, axis=0)
    scale = (strata.unit / system.unit)[:, None] ** 2
    # Constants differ, so differences of the criterion are compared.
    expected = criterion(system, theta * scale) - criterion(system, other * scale)
    assert criterion(strata, theta) - criterion(strata, other) == pytest.approx(expected, rel=1e-10)
    here, there = moments(strata, theta), moments(system, theta * scale)
    assert here.gradient == pytest.approx(there.gradient * scale, rel=1e-9, abs=1e-9)
    assert here.expected == pytest.approx(there.expected * scale[:, :, None] ** 2, rel=1e-9)
    assert here.average == pytest.approx(there.average * scale[:, :, None] ** 2, rel=1e-9)


@pytest.mark.parametrize("rig_sd", [0.03, 0.0])
def test_a_balanced_fit_in_closed_form_is_the_optimum_of_the_general_search(rig_sd: float):
    frame = drawn(rig_sd)
    block, layout = laid_out(frame)
    system = build_system(block, layout)
    found = minimise_from_several_starts(system)
    lower, upper = profile_limits(system, found, level=0.95)
    fit = fit_components(frame, result="mu", random=CROSSED, by=["section"], method="reml")
    unit = system.unit[:, None] ** 2
    (part,) = fit.blocks
    total = (found.theta * unit).sum(axis=1).max()
    assert part.variances == pytest.approx(found.theta * unit, rel=1e-7, abs=1e-9 * total)
    assert part.minimum.criterion == pytest.approx(found.criterion, rel=1e-12)
    assert part.profiled[0] == pytest.approx(lower * unit, rel=1e-6, abs=1e-9 * total)
    assert part.profiled[1] == pytest.approx(upper * unit, rel=1e-6)
    if rig_sd == 0:
        assert (part.variances[:, :3] == 0).any()


def test_nodes_of_equal_weight_taken_together_change_nothing():
    rng = np.random.default_rng(5)
    sets = np.repeat(np.arange(60), rng.integers(1, 4, 60))
    rigs = rng.integers(0, 4, sets.size)
    frame = pd.DataFrame({"rig": rigs, "pad_set": sets, "mu": 0.4 + 0.01 * rng.standard_normal(sets.size)})
    frame["mu"] += 0.01 * rng.standard_normal(60)[sets] + 0.01 * rng.standard_normal(4)[rigs]
    (block,) = blocks_of(reduce_to_cells(frame, result="mu", factors=["rig", "pad_set"]))
    system = build_system(block, layout_of(block, model_of(random=["rig", "pad_set"])))
    assert system.chain.alike is not None
    assert len(system.chain.alike.weight) == 3
    apart = replace(system, chain=replace(system.chain, alike=None))
    several = np.array([[0.3, 0.5, 0.4], [0.0, 0.2, 0.7], [0.4, 0.0, 0.1]])
    three = np.zeros(3, np.int64)
    here = moments(system.take(three), several, kenward_roger=True)
    there = moments(apart.take(three), several, kenward_roger=True)
    for name in ("criterion", "gradient", "expected", "average", "quadratic", "fixed", "first", "second"):
        assert getattr(here, name) == pytest.approx(getattr(there, name), rel=1e-9, abs=1e-9), name
    assert criterion(system.take(three), several) == pytest.approx(there.criterion, rel=1e-12)


@pytest.mark.parametrize(
    ("expected", "df"),
    [
        ([[30, 0, 3, 1], [0, 9, 3, 1], [0, 0, 3, 1], [0, 0, 0, 1]], [2, 9, 18, 60]),
        ([[24, 6, 2, 1], [0, 6, 2, 1], [0, 0, 2, 1], [0, 0, 0, 1]], [3, 8, 24, 36]),
    ],
    ids=["crossed", "nested"],
)
def test_pooled_rows_are_the_minimum_of_the_search(expected, df):
    rng = np.random.default_rng(3)
    free = np.array(df, float)
    # Mean squares that mostly break the order that their expectations have.
    ms = rng.chisquare(free, (200, 4)) / free * np.exp(rng.normal(0, 0.7, (200, 4)))
    strata = Strata(df_rows=free, expected=np.array(expected, float), ms=ms, unit=np.ones(200))
    theta, gradient = pooled_minimum(strata, component_rows(strata.expected))
    assert np.isfinite(theta).all()
    wanted = minimise_from_several_starts(strata)
    assert theta == pytest.approx(wanted.theta, rel=1e-7, abs=1e-9)
    assert criterion(strata, theta) == pytest.approx(wanted.criterion, rel=1e-12)
    assert (gradient[theta == 0] > -1e-9).all()


def test_a_component_of_four_rows_is_left_to_the_search():
    """Three crossed factors: a main effect is its mean square less those of two interactions, with repeatability
    added back, so that the bounds do not order the rows."""
    expected = np.array([[8, 2, 2, 1.0], [0, 2, 0, 1], [0, 0, 2, 1], [0, 0, 0, 1]])
    strata = Strata(
        df_rows=np.array([2.0, 4, 4, 20]), expected=expected, ms=np.array([[1.0, 2, 2, 1]]), unit=np.ones(1)
    )
    assert np.isnan(pooled_minimum(strata, component_rows(expected))[0]).all()
    found = minimise_strata(strata, component_rows(expected))
    assert found.theta[0, 0] == 0
    assert found.gradient[0, 0] > 0
