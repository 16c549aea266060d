"""Equations that fall into blocks by one term against the general system, and which term is taken."""

from __future__ import annotations

import numpy as np
import pytest

from repeatab.cells import reduce_to_cells
from repeatab.estimation.bordered import build_bordered, dividing_term
from repeatab.estimation.components import fit_components
from repeatab.estimation.minimise import minimise_from_several_starts
from repeatab.estimation.moments import criterion, moments
from repeatab.estimation.system import build_system
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of

TERMS = ["rig", "set", "phase", ("rig", "set"), ("set", "phase")]


def drawn(groups: int = 1, sizes: tuple[int, int, int] = (3, 5, 2), rows: int = 70):
    import pandas as pd

    rng = np.random.default_rng(7)
    rig, day, phase = (rng.integers(0, size, rows) for size in sizes)
    frame = pd.DataFrame({"rig": rig, "set": day, "phase": phase, "temperature": rng.normal(100, 8, rows)})
    parts = []
    for g in range(groups):
        mu = 0.4 + 0.02 * rng.standard_normal(sizes[1])[day] + 0.01 * rng.standard_normal(rows)
        parts.append(frame.assign(mu=mu + 0.01 * rng.standard_normal(sizes[0])[rig], section=g))
    return pd.concat(parts)


def laid_out(frame, **terms):
    model = model_of(**terms)
    keys = ["section", *model.keys]
    cells = reduce_to_cells(frame, result="mu", factors=keys, covariates=model.covariates)
    (block,) = blocks_of(cells, by=["section"])
    return block, layout_of(block, model)


@pytest.mark.parametrize("by", [0, 1, 2, 3], ids=["by rig", "by set", "by phase", "by rig and set"])
@pytest.mark.parametrize("covariates", [[], ["temperature"]], ids=["", "covariate"])
def test_pieces_are_those_of_the_general_system(by, covariates):
    """The general system itself is held against n × n matrices in test_moments."""
    block, layout = laid_out(drawn(groups=2), random=TERMS, covariates=covariates)
    system, bordered = build_system(block, layout), build_bordered(block, layout, by)
    theta = np.array([[0.3, 0.5, 0.2, 0.7, 0.4, 0.9], [0.8, 0.1, 0.5, 0.3, 0.2, 0.4]])
    here, there = moments(bordered, theta), moments(system, theta)
    for name in ("criterion", "gradient", "expected", "average", "quadratic"):
        wanted = getattr(there, name)
        np.testing.assert_allclose(
            getattr(here, name), wanted, rtol=1e-9, atol=1e-11 * np.abs(wanted).max(), err_msg=name
        )
    assert criterion(bordered, theta) == pytest.approx(criterion(system, theta), rel=1e-12)


def test_at_zero_the_criterion_is_exact_and_derivatives_have_half_of_all_digits():
    block, layout = laid_out(drawn(), random=TERMS)
    system, bordered = build_system(block, layout), build_bordered(block, layout, 1)
    theta = np.array([[0.0, 0.5, 0.0, 0.7, 0.0, 0.9]])
    here, there = moments(bordered, theta), moments(system, theta)
    assert here.criterion == pytest.approx(there.criterion, rel=1e-12)
    for name in ("gradient", "expected", "average"):
        wanted = getattr(there, name)
        np.testing.assert_allclose(getattr(here, name), wanted, rtol=2e-6, atol=2e-7 * np.abs(wanted).max())


def test_groups_taken_apart_are_those_of_the_whole():
    block, layout = laid_out(drawn(groups=3), random=TERMS)
    bordered = build_bordered(block, layout, 1)
    theta = np.full((2, 6), 0.5)
    picked = criterion(bordered.take(np.array([2, 0])), theta)
    assert picked == pytest.approx(criterion(bordered, np.full((3, 6), 0.5))[[2, 0]], rel=1e-14)


def test_the_search_reaches_the_same_optimum():
    frame = drawn(sizes=(6, 12, 10), rows=900)
    terms = ["rig", "set", "phase", ("rig", "set"), ("rig", "phase"), ("set", "phase")]
    block, layout = laid_out(frame, random=terms)
    by = dividing_term([layout.random[i] for i in layout.estimated])
    assert by is not None
    system = build_system(block, layout)
    wanted = minimise_from_several_starts(system)
    (part,) = fit_components(frame, result="mu", random=terms, method="reml").blocks
    assert part.minimum.criterion == pytest.approx(wanted.criterion, rel=1e-12)
    total = wanted.theta.sum()
    np.testing.assert_allclose(part.minimum.theta, wanted.theta, rtol=1e-6, atol=1e-8 * total)


def test_small_and_nested_designs_keep_the_chain():
    for terms in (TERMS, ["set", ("set", "rig")], ["rig", "set"]):
        _, layout = laid_out(drawn(), random=terms)
        assert dividing_term(layout.random) is None
