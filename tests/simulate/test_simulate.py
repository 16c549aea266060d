"""Simulated cells against what rows would give: moments, mean squares and the laws of the estimators."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import StudyError
from repeatab.cells import cells_of_arrays
from repeatab.estimation.components import BlockFit, Method
from repeatab.estimation.mean_squares import mean_squares
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.simulate import Shape, Shapes, planned_block, simulate_batches, simulate_block

RIGS, SETS, RUNS = 3, 5, 2
MODEL = model_of(random=["rig", "pad_set", ("rig", "pad_set")])
VARIANCES = np.array([4.0, 9.0, 1.0, 2.0])


def crossed_design():
    rig, pad, _ = np.meshgrid(range(RIGS), range(SETS), range(RUNS), indexing="ij")
    return planned_block({"rig": rig.ravel(), "pad_set": pad.ravel()})


def test_mean_squares_scatter_about_their_expectation_as_chi_squares():
    # Source: Searle, Casella & McCulloch (1992), ch. 4: in a balanced random model every SS / E(MS) is a
    # chi-square with the row's degrees of freedom.
    block = crossed_design()
    layout = layout_of(block, MODEL)
    drawn = simulate_block(block, layout, VARIANCES, 40.0, 4000, np.random.default_rng(1))
    analysis = mean_squares(drawn, layout)
    expected = analysis.expected @ VARIANCES
    for row, df in enumerate(analysis.df):
        p = stats.kstest(analysis.ss[:, row] / expected[row], stats.chi2(df).cdf).pvalue
        assert p > 1e-3, (analysis.names[row], p)
    assert drawn.mean[:, :, 0].mean() + drawn.shift[0] == pytest.approx(40.0, abs=0.15)


def test_cells_drawn_at_once_have_the_moments_of_cells_reduced_from_rows():
    rng = np.random.default_rng(2)
    labels = np.repeat([0, 1, 2], [4, 1, 7])
    x = rng.normal(100, 8, len(labels))
    block = planned_block({"cell": labels}, {"x": x})
    layout = layout_of(block, model_of(random=["cell"], covariates=["x"]))
    fast = simulate_block(
        block, layout, np.array([0.0, 2.25]), 5.0, 6000, np.random.default_rng(3), slopes={"x": 0.3}
    )
    slow_mean, slow_cross = [], []
    for _ in range(6000):
        y = 5.0 + 0.3 * x + rng.normal(0, 1.5, len(x))
        cells = cells_of_arrays({"cell": labels}, {"y": y, "x": x})
        slow_mean.append(cells.mean[:, 0] + cells.shift[0])
        slow_cross.append(cells.cross[:, 0])
    slow_mean, slow_cross = np.array(slow_mean), np.array(slow_cross)
    fast_mean = fast.mean[:, :, 0] + fast.shift[0]
    for cell in range(3):
        assert stats.ks_2samp(fast_mean[:, cell], slow_mean[:, cell]).pvalue > 1e-3
        if block.count[cell] > 1:
            assert stats.ks_2samp(fast.cross[:, cell, 0, 0], slow_cross[:, cell, 0]).pvalue > 1e-3
            assert stats.ks_2samp(fast.cross[:, cell, 0, 1], slow_cross[:, cell, 1]).pvalue > 1e-3
    # A cell of one run has no scatter of any kind within it, to the rounding of the sums.
    assert np.abs(fast.cross[:, 1]).max() == 0


def test_without_scatter_the_slope_and_the_means_come_back_exactly():
    x = np.array([90.0, 100.0, 120.0, 95.0, 105.0])
    block = planned_block({"rig": ["A", "A", "A", "B", "B"]}, {"x": x})
    layout = layout_of(block, model_of(random=[], fixed=["rig"], covariates=["x"]))
    drawn = simulate_block(
        block, layout, np.array([0.0]), np.array([1.0, 3.0]), 1, np.random.default_rng(0), slopes={"x": 0.5}
    )
    direct = cells_of_arrays(
        {"rig": ["A", "A", "A", "B", "B"]}, {"y": np.array([1, 1, 1, 3, 3]) + 0.5 * x, "x": x}
    )
    assert drawn.mean[0, :, 0] + drawn.shift[0] == pytest.approx(
        direct.mean[:, 0] + direct.shift[0], rel=1e-12
    )
    assert drawn.cross[0] == pytest.approx(direct.cross, rel=1e-12, abs=1e-12)


def test_estimators_recover_the_components_on_average():
    block = crossed_design()
    layout = layout_of(block, MODEL)
    drawn = simulate_block(block, layout, VARIANCES, 0.4, 3000, np.random.default_rng(5))
    fit = BlockFit(block=drawn, layout=layout, method=Method.ANOVA, level=0.95)
    error = fit.variances.std(axis=0) / np.sqrt(len(fit.variances))
    assert (np.abs(fit.variances.mean(axis=0) - VARIANCES) < 4 * error).all()


def test_scatter_factor_changes_the_scatter_of_its_cells_only():
    block = planned_block({"rig": ["A"] * 4 + ["B"] * 4})
    layout = layout_of(block, model_of(random=["rig"]))
    drawn = simulate_block(
        block,
        layout,
        np.array([0.0, 1.0]),
        0.0,
        8000,
        np.random.default_rng(6),
        scatter_factor=np.array([1.0, 3.0]),
    )
    assert stats.kstest(drawn.cross[:, 0, 0, 0], stats.chi2(3).cdf).pvalue > 1e-3
    assert stats.kstest(drawn.cross[:, 1, 0, 0] / 9, stats.chi2(3).cdf).pvalue > 1e-3
    assert stats.kstest(drawn.mean[:, 1, 0], stats.norm(0, 1.5).cdf).pvalue > 1e-3


def test_one_generator_gives_the_same_draws_and_a_batch_follows_the_other():
    block = crossed_design()
    layout = layout_of(block, MODEL)
    first = simulate_block(block, layout, VARIANCES, 0.4, 7, np.random.default_rng(9))
    again = simulate_block(block, layout, VARIANCES, 0.4, 7, np.random.default_rng(9))
    assert np.array_equal(first.mean, again.mean)
    assert np.array_equal(first.cross, again.cross)
    batches = list(simulate_batches(block, layout, VARIANCES, 0.4, 7, np.random.default_rng(9), batch=3))
    assert [len(part.groups) for part in batches] == [3, 3, 1]
    assert not np.array_equal(batches[0].mean, batches[1].mean)


def test_variances_per_draw_are_used_draw_by_draw():
    block = crossed_design()
    layout = layout_of(block, MODEL)
    table = np.array([[0, 0, 0, 0.0], [0, 0, 0, 4.0]])
    drawn = simulate_block(block, layout, table, 1.0, 2, np.random.default_rng(0))
    assert np.ptp(drawn.mean[0, :, 0]) == 0
    assert np.ptp(drawn.mean[1, :, 0]) > 0


@pytest.mark.parametrize(
    ("variances", "slopes", "part"),
    [
        (np.array([1.0, 1.0]), None, "expected 4 values"),
        (np.array([1.0, 1.0, -1.0, 1.0]), None, "negative"),
        (VARIANCES, {"temperature": 1.0}, "'temperature'"),
    ],
)
def test_what_does_not_fit_the_design_is_refused(variances, slopes, part):
    block = crossed_design()
    with pytest.raises(StudyError, match=part):
        simulate_block(
            block, layout_of(block, MODEL), variances, 0.0, 5, np.random.default_rng(0), slopes=slopes
        )


def test_design_of_existing_results_can_be_drawn_again():
    cells = cells_of_arrays({"rig": ["A", "A", "B"]}, {"mu": [1e6 + 0.01, 1e6 + 0.02, 1e6 + 0.03]})
    block = blocks_of(cells)[0]
    layout = layout_of(block, model_of(random=["rig"]))
    drawn = simulate_block(block, layout, np.array([0.0, 1e-4]), 1e6, 2000, np.random.default_rng(8))
    # The shift keeps a scatter of 0.01 whole beside a level of a million.
    fit = drawn.cross[:, 0, 0, 0].mean()
    assert fit == pytest.approx(1e-4, rel=0.15)


@pytest.mark.parametrize("shape", list(Shape))
def test_shapes_are_standardised_and_differ_where_they_should(shape):
    values = shape.draw(np.random.default_rng(12), (400_000,))
    skewness, kurtosis = stats.skew(values), stats.kurtosis(values)
    assert values.mean() == pytest.approx(0, abs=0.01)
    assert values.std() == pytest.approx(1, rel=0.01)
    # Chi-square of 4: sqrt(8 / 4) and 12 / 4; t of 5: 6 / (5 - 4), which a sample meets slowly; the mixture:
    # 3 (0.95 + 0.05 256) / (0.95 + 0.05 16)^2 - 3.
    wanted = {Shape.NORMAL: (0, 0), Shape.SKEWED: (2**0.5, 3), Shape.CONTAMINATED: (0, 10.47)}
    if shape in wanted:
        assert (skewness, kurtosis) == (
            pytest.approx(wanted[shape][0], abs=0.15), pytest.approx(wanted[shape][1], rel=0.1, abs=0.05)
        )  # fmt: skip
    else:
        assert kurtosis > 3


def test_results_that_are_not_normal_keep_their_components():
    """Three runs to a cell: the mean square within and that of the means say what was put in."""
    block = planned_block({"rig": np.repeat(np.arange(40), 3)})
    layout = layout_of(block, model_of(random=["rig"]))
    shapes = Shapes(effects=Shape.SKEWED, runs=Shape.CONTAMINATED)
    drawn = simulate_block(
        block, layout, np.array([4.0, 9.0]), 1.0, 800, np.random.default_rng(2), shapes=shapes
    )
    within = drawn.cross[:, :, 0, 0].sum(axis=1) / 80
    assert within.mean() == pytest.approx(9, rel=0.04)
    assert drawn.mean[:, :, 0].var(axis=1, ddof=1).mean() == pytest.approx(4 + 9 / 3, rel=0.04)


def test_a_covariate_within_cells_needs_normal_results():
    block = planned_block({"rig": ["A", "A", "B"]}, {"temperature": [1.0, 2.0, 3.0]})
    layout = layout_of(block, model_of(random=["rig"]))
    with pytest.raises(StudyError, match="a cell of its own"):
        simulate_block(
            block,
            layout,
            np.array([1.0, 1.0]),
            0.0,
            3,
            np.random.default_rng(0),
            shapes=Shapes(runs=Shape.HEAVY),
        )
