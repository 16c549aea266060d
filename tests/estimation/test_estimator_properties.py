"""Laws of the estimators for every lab's table: shift, scale, relabel, row order, engines, groups in one pass."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import repeatab
from repeatab.base.errors import StudyError
from repeatab.cells import reduce_to_cells

FEW = settings(max_examples=12)
TERMS = {"random": ["pad_set", ("rig", "pad_set")], "fixed": ["rig"]}


@st.composite
def gauge_tables(draw, *, balanced):
    """Runs of pad sets on rigs with invented scatter; unbalanced ones have lost about a quarter."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = list(product("ABC", range(1, 6), range(3)))
    frame = pd.DataFrame(rows, columns=["rig", "pad_set", "run"])
    sds = draw(st.sampled_from([(0.01, 0.004, 0.005), (0.01, 0.0, 0.005), (0.0, 0.0, 0.02)]))
    mean = 0.4 + frame["rig"].map({"A": 0.0, "B": 0.006, "C": -0.003})
    sets = rng.standard_normal(6) * sds[0]
    pairs = rng.standard_normal(15) * sds[1]
    both = frame.groupby(["rig", "pad_set"]).ngroup()
    frame["mu"] = mean + sets[frame["pad_set"]] + pairs[both] + sds[2] * rng.standard_normal(len(frame))
    frame["temperature"] = 100 + 5 * rng.standard_normal(len(frame))
    return frame if balanced else frame[rng.random(len(frame)) < 0.75].reset_index(drop=True)


tables = st.booleans().flatmap(lambda balanced: gauge_tables(balanced=balanced))


def fit_of(frame, **options):
    return repeatab.fit_components(frame, result="mu", **{**TERMS, **options})


def numbers(fit):
    """All that a fit says, as arrays in units of the result: variances, limits, contrast."""
    contrast = fit.contrast("rig", "C", reference="B")
    return {
        "variance": fit.components["raw_variance"].to_numpy(),
        "limits": fit.components[["sd_lower", "sd_upper"]].to_numpy(),
        "contrast": np.array([contrast.estimate, contrast.se]),
        "df": np.array([contrast.df]),
    }


def assert_close(found, wanted, *, scale=1.0, rel):
    """`scale` is what the result was multiplied by; a component near zero is known to the total's precision."""
    power = {"variance": scale**2, "limits": scale, "contrast": scale, "df": 1.0}
    total = np.abs(wanted["variance"]).sum()
    size = {"variance": total, "limits": np.sqrt(total), "contrast": np.sqrt(total), "df": 0.0}
    # Limits are roots found to 1e-8 of the criterion; flat ones near zero are known less well.
    near = {"limits": 1e-6}
    for key, value in wanted.items():
        np.testing.assert_allclose(
            found[key] / power[key], value,
            rtol=near.get(key, rel), atol=near.get(key, rel) * size[key], err_msg=key,
        )  # fmt: skip


@FEW
@given(frame=tables, offset=st.sampled_from([-0.4, 3.0, 1000.0]))
def test_a_shift_leaves_the_scatter_and_the_contrasts(frame, offset):
    # At 1000 the readings themselves keep 1e-13 of a scatter of 0.01: 1e-11 of it, 1e-9 with condition.
    assert_close(numbers(fit_of(frame.assign(mu=frame["mu"] + offset))), numbers(fit_of(frame)), rel=1e-9)


@FEW
@given(frame=tables, factor=st.sampled_from([2.0, 1e-6, 12345.6]))
def test_a_scale_multiplies_them(frame, factor):
    scaled = numbers(fit_of(frame.assign(mu=frame["mu"] * factor)))
    assert_close(scaled, numbers(fit_of(frame)), scale=factor, rel=1e-9)


@FEW
@given(frame=tables)
def test_relabelling_renames_only(frame):
    """New names in another sort order, so that reference levels and the order of elimination change."""
    names = {"A": "z", "B": "y", "C": "x"}
    renamed = frame.assign(rig=frame["rig"].map(names), pad_set=100 - frame["pad_set"])
    one, other = fit_of(frame), fit_of(renamed)
    assert_close(
        {"variance": other.components["raw_variance"].to_numpy()},
        {"variance": one.components["raw_variance"].to_numpy()},
        rel=1e-9,
    )
    found, wanted = other.contrast("rig", "x", reference="y"), one.contrast("rig", "C", reference="B")
    np.testing.assert_allclose([found.se, found.df], [wanted.se, wanted.df], rtol=1e-9)
    assert found.estimate == pytest.approx(wanted.estimate, abs=1e-9 * wanted.se)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-9)


@FEW
@given(frame=tables, seed=st.integers(0, 99))
def test_row_order_does_not_matter(frame, seed):
    shuffled = frame.sample(frac=1, random_state=seed)
    assert_close(numbers(fit_of(shuffled)), numbers(fit_of(frame)), rel=1e-9)


@FEW
@given(frame=tables)
def test_merged_cells_give_the_fit_of_the_whole(frame):
    half = len(frame) // 2
    parts = [
        reduce_to_cells(part, result="mu", factors=["rig", "pad_set"])
        for part in (frame.iloc[:half], frame.iloc[half:])
    ]
    merged = repeatab.fit_components(parts[0].merge(parts[1]), **TERMS)
    assert_close(numbers(merged), numbers(fit_of(frame)), rel=1e-9)


@settings(max_examples=4)
@given(frame=tables)
def test_engines_give_the_same_fit(frame):
    pl, pa, duckdb = (pytest.importorskip(name) for name in ("polars", "pyarrow", "duckdb"))
    connection = duckdb.connect()
    connection.register("rows", frame)
    wanted = numbers(fit_of(frame))
    for table in (
        pl.from_pandas(frame),
        pl.from_pandas(frame).lazy(),
        pa.Table.from_pandas(frame),
        connection.sql("select * from rows"),
    ):
        assert_close(numbers(fit_of(table)), wanted, rel=1e-9)


@settings(max_examples=6)
@given(
    first=gauge_tables(balanced=True), second=gauge_tables(balanced=True), third=gauge_tables(balanced=False)
)
@pytest.mark.parametrize("covariates", [[], ["temperature"]], ids=["", "with covariate"])
def test_groups_in_one_pass_equal_separate_fits(covariates, first, second, third):
    """Two sections of one layout and one of another; with covariates each section has its own."""
    sections = {"cold": first, "fade": third, "hot": second}
    frame = pd.concat([part.assign(section=name) for name, part in sections.items()])
    together = fit_of(frame.sample(frac=1, random_state=1), by=["section"], covariates=covariates)
    contrasts = together.contrast("rig", "C", reference="B")
    for name, part in sections.items():
        alone = fit_of(part, covariates=covariates)
        total = alone.components["variance"].sum()
        np.testing.assert_allclose(
            together.components.loc[name].to_numpy(), alone.components.to_numpy(),
            rtol=1e-6, atol=1e-6 * np.sqrt(total), err_msg=name,
        )  # fmt: skip
        np.testing.assert_allclose(
            together.components.loc[name, "variance"], alone.components["variance"],
            rtol=1e-9, atol=1e-9 * total,
        )  # fmt: skip
        np.testing.assert_allclose(together.fixed.loc[name], alone.fixed, rtol=1e-8, atol=1e-12)
        assert together.log_likelihood[name] == pytest.approx(alone.log_likelihood, abs=1e-8)
        wanted = alone.contrast("rig", "C", reference="B")
        np.testing.assert_allclose(
            [contrasts[name].se, contrasts[name].df], [wanted.se, wanted.df], rtol=1e-9
        )
    assert together.anova is None


def test_groups_of_one_layout_share_a_block_and_a_table():
    rng = np.random.default_rng(11)
    rows = pd.DataFrame(list(product(["hot", "cold"], "AB", range(4), range(2))))
    rows.columns = ["section", "rig", "pad_set", "run"]
    rows["mu"] = 0.4 + 0.01 * rng.standard_normal(len(rows))
    fit = fit_of(rows, by="section")
    assert len(fit.blocks) == 1
    assert list(fit.components.index.get_level_values(0).unique()) == ["cold", "hot"]
    hot = fit_of(rows[rows["section"] == "hot"]).anova
    pd.testing.assert_frame_equal(fit.anova.loc["hot"].reset_index(drop=True), hot)


def test_a_group_column_cannot_be_a_term_as_well():
    frame = pd.DataFrame({"rig": list("AABB"), "mu": [0.40, 0.41, 0.42, 0.44]})
    with pytest.raises(StudyError, match="'rig' divides the data"):
        repeatab.fit_components(frame, result="mu", random=["rig"], by=["rig"])


def test_a_ratio_contrast_follows_the_level_of_the_result():
    """mean(B) - 0.95 mean(A): shifting the result by s moves it by 0.05 s (the percent margin rests on it)."""
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(list(product("AB", range(5))), columns=["rig", "pad_set"])
    frame["mu"] = 0.4 + 0.01 * rng.standard_normal(10)
    plain, shifted = (
        repeatab.fit_components(
            frame.assign(mu=frame["mu"] + s), result="mu", random=["pad_set"], fixed=["rig"]
        ).contrast("rig", "B", reference="A", ratio=0.95)
        for s in (0.0, 2.0)
    )
    assert shifted.estimate - plain.estimate == pytest.approx(0.05 * 2.0, abs=1e-12)
    assert shifted.se == pytest.approx(plain.se, rel=1e-9)
    means = frame.groupby("rig")["mu"].mean()
    assert plain.estimate == pytest.approx(means["B"] - 0.95 * means["A"], abs=1e-14)
