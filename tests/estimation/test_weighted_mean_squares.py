"""Weighted mean squares: in a balanced layout they are the mean squares, and the design's own arithmetic elsewhere."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from repeatab.estimation.block_fit import BlockFit, Method
from repeatab.estimation.intervals import combination_limits
from repeatab.estimation.weighted_mean_squares import weighted_mean_squares
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.simulate import planned_block, simulate_block

CROSSED = model_of(random=["rig", "set", ("rig", "set")])


def fit_of(rows, factors, model, sds, *, draws=3):
    block = planned_block({name: [row[i] for row in rows] for i, name in enumerate(factors)})
    layout = layout_of(block, model)
    drawn = simulate_block(block, layout, np.square(sds), 0.4, draws, np.random.default_rng(5))
    return BlockFit(block=drawn, layout=layout, method=Method.AUTO, level=0.95)


def test_in_a_balanced_layout_sums_have_the_limits_of_its_mean_squares():
    rows = list(product(range(3), range(6), range(2)))
    fit = fit_of(rows, ("rig", "set", "run"), CROSSED, (0.006, 0.012, 0.004, 0.005))
    found, analysis = weighted_mean_squares(fit), fit.mean_squares
    assert found.ms == pytest.approx(analysis.ms, rel=1e-9)
    assert list(found.df) == list(analysis.df)
    row = np.array([1.0, 0.0, 1.0, 1.0])
    for group in range(3):
        wanted = combination_limits(row @ analysis.combination, analysis.ms[group], analysis.df, level=0.95)
        assert found.limits(row, group, level=0.95) == pytest.approx([float(x) for x in wanted], rel=1e-9)


def test_nearly_balanced_limits_are_near_those_of_the_balanced_layout():
    """One run of 144 is missing."""
    rows = list(product(range(6), range(8), range(3)))
    whole = fit_of(rows, ("rig", "set", "run"), CROSSED, (0.006, 0.012, 0.004, 0.005), draws=1)
    block = planned_block({n: [row[i] for row in rows[1:]] for i, n in enumerate(("rig", "set", "run"))})
    kept = np.array([(row != 0).any() for row in whole.block.codes])
    part = BlockFit(
        block=type(block)(
            factors=block.factors, levels=block.levels, codes=block.codes, count=block.count,
            variables=block.variables, shift=whole.block.shift, mean=whole.block.mean[:, kept],
            cross=whole.block.cross[:, kept], groups=whole.block.groups,
        ),
        layout=layout_of(block, CROSSED), method=Method.AUTO, level=0.95,
    )  # fmt: skip
    row = np.array([1.0, 0.0, 1.0, 1.0])
    one, other = (weighted_mean_squares(fit).limits(row, 0, level=0.95) for fit in (whole, part))
    assert other == pytest.approx(one, rel=0.03)


def test_expected_mean_squares_of_an_unbalanced_one_way_layout():
    """Lab means with unequal numbers: over many data sets the mean square is what it is expected to be."""
    rows = [(lab, run) for lab, n in enumerate((1, 2, 2, 5, 9)) for run in range(n)]
    fit = fit_of(rows, ("lab", "run"), model_of(random=["lab"]), (0.006, 0.005), draws=20_000)
    found = weighted_mean_squares(fit)
    # The weights move with the estimates, so the agreement is that of the approximation, about 3 %.
    expected = (found.expected[:, 0] * np.square([0.006, 0.005])).sum(axis=1)
    assert (found.ms[:, 0] / expected).mean() == pytest.approx(1.0, abs=0.08)
    assert found.ms[:, 1].mean() == pytest.approx(0.005**2, rel=0.01)
