"""Laws of cells for every lab's table: split and merge, order, relabel, shift, scale, engines."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repeatab.cells import Cells, cells_of_arrays, reduce_to_cells

RIGS, SETS = ("Rig A", "Rig B", "rig c"), (3, 1, 2, 12)
# What a lab's table can hold: friction, brake factor, torque in N m, temperature in degrees.
LEVELS = (0.4, 0.8, 900.0, 1e6)
SCATTERS = (0.01, 0.5, 20.0)


@st.composite
def tables(draw, *, least=1, most=40):
    """A table of rig, pad set, result and covariate, the result near some level with some scatter."""
    rows = draw(st.integers(least, most))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    level, scatter = draw(st.sampled_from(LEVELS)), draw(st.sampled_from(SCATTERS))
    return pd.DataFrame(
        {
            "rig": rng.choice(RIGS, rows),
            "set": rng.choice(SETS, rows),
            "mu": level + scatter * rng.standard_normal(rows),
            "temperature": 100 + 8 * rng.standard_normal(rows),
        }
    )


def reduce(frame, factors=("rig", "set")):
    return reduce_to_cells(frame, result="mu", factors=list(factors), covariates=["temperature"])


def as_table(cells: Cells, shift):
    """Cells by their labels, all on one shift, so that two can be compared whatever they were made from."""
    moved = cells.shifted_to(shift)
    keys = [tuple(lv[c] for lv, c in zip(cells.levels, row, strict=True)) for row in cells.codes]
    return {key: (moved.count[i], moved.mean[i], moved.cross[i]) for i, key in enumerate(keys)}


def assert_same(found: Cells, wanted: Cells, frame: pd.DataFrame):
    """To 1e-12 x (1 + |mean| / SD) of the scatter within and between cells."""
    numbers = frame[["mu", "temperature"]].to_numpy()
    spread = numbers.std(axis=0)
    spread = np.where(spread > 0, spread, np.abs(numbers).max(axis=0))
    close = 1e-12 * (1 + np.abs(numbers.mean(axis=0)) / spread)
    one, other = as_table(found, wanted.shift), as_table(wanted, wanted.shift)
    assert one.keys() == other.keys()
    for key, (count, mean, cross) in other.items():
        assert one[key][0] == count
        assert np.all(np.abs(one[key][1] - mean) <= close * spread), key
        limit = np.sqrt(np.outer(close, close)) * np.outer(spread, spread) * count
        assert np.all(np.abs(one[key][2] - cross) <= limit), key


@given(frame=tables(), cuts=st.lists(st.integers(0, 40), max_size=4))
def test_merging_any_split_equals_the_whole(frame, cuts):
    edges = sorted({0, len(frame), *(min(c, len(frame)) for c in cuts)})
    parts = [frame.iloc[a:b] for a, b in pairwise(edges)]
    merged = reduce(parts[0])
    for part in parts[1:]:
        merged = merged.merge(reduce(part))
    assert_same(merged, reduce(frame), frame)
    assert merged.rows == len(frame)


@given(frame=tables(least=2), cut=st.integers(1, 39))
def test_merging_does_not_mind_which_comes_first(frame, cut):
    cut = min(cut, len(frame) - 1)
    first, second = reduce(frame.iloc[:cut]), reduce(frame.iloc[cut:])
    assert_same(first.merge(second), second.merge(first), frame)


@given(frame=tables(), seed=st.integers(0, 1000))
def test_row_order_does_not_matter(frame, seed):
    assert_same(reduce(frame.sample(frac=1, random_state=seed)), reduce(frame), frame)


@given(frame=tables())
def test_labels_only_name_the_cells(frame):
    renamed = frame.assign(rig=frame["rig"].map(lambda label: f"z{label[::-1]}"))
    found, wanted = as_table(reduce(renamed), np.zeros(2)), as_table(reduce(frame), np.zeros(2))
    assert {(f"z{rig[::-1]}", s) for rig, s in wanted} == set(found)
    for (rig, s), (count, mean, cross) in wanted.items():
        other = found[f"z{rig[::-1]}", s]
        assert (other[0], *other[1], *other[2].ravel()) == (count, *mean, *cross.ravel())


@given(frame=tables(), offset=st.sampled_from([0.125, -64.0, 2.0**20]))
def test_a_shift_moves_the_means_only(frame, offset):
    # On a grid of 2^-20 that shifts by powers of two keep exact, so that nothing but the law is tested.
    frame = frame.assign(mu=np.round(frame["mu"] * 2**20) / 2**20)
    moved = reduce(frame.assign(mu=frame["mu"] + offset))
    still = reduce(frame)
    assert moved.shift[0] == still.shift[0] + offset
    np.testing.assert_array_equal(moved.mean, still.mean)
    np.testing.assert_array_equal(moved.cross, still.cross)


@given(frame=tables(), power=st.sampled_from([-10, 3, 20]))
def test_a_scale_multiplies_means_and_squares(frame, power):
    factor = 2.0**power  # exact in doubles
    large, small = reduce(frame.assign(mu=frame["mu"] * factor)), reduce(frame)
    np.testing.assert_array_equal(large.mean[:, 0], small.mean[:, 0] * factor)
    np.testing.assert_array_equal(large.cross[:, 0, 0], small.cross[:, 0, 0] * factor**2)
    np.testing.assert_array_equal(large.cross[:, 0, 1], small.cross[:, 0, 1] * factor)


@given(frame=tables())
def test_cells_hold_the_counts_means_and_scatter_of_the_rows(frame):
    """Against pandas on centred values, by another route (its own mean and products)."""
    cells = as_table(reduce(frame), frame[["mu", "temperature"]].to_numpy()[0])
    for key, rows in frame.groupby(["rig", "set"]):
        count, mean, cross = cells[key]
        values = rows[["mu", "temperature"]].to_numpy() - frame[["mu", "temperature"]].to_numpy()[0]
        assert count == len(rows)
        np.testing.assert_allclose(mean, values.mean(axis=0), rtol=1e-9, atol=1e-9)
        centred = values - values.mean(axis=0)
        np.testing.assert_allclose(cross, centred.T @ centred, rtol=1e-9, atol=1e-9)


@given(frame=tables())
def test_pooling_over_a_factor_equals_never_having_had_it(frame):
    assert_same(reduce(frame).over(["rig"]), reduce(frame, factors=["rig"]), frame)
    assert_same(reduce(frame).over([]), reduce(frame, factors=[]), frame)


def engines(frame):
    """The table in every engine we read; a list of (name, table, what it stands on)."""
    duckdb, pl, pa = (pytest.importorskip(name) for name in ("duckdb", "polars", "pyarrow"))
    yield "polars", pl.from_pandas(frame)
    yield "polars lazy", pl.from_pandas(frame).lazy()
    yield "arrow", pa.Table.from_pandas(frame, preserve_index=False)
    connection = duckdb.connect()
    connection.register("rows", frame)
    yield "duckdb", connection.sql("select * from rows")


@settings(max_examples=15, deadline=None)
@given(frame=tables())
def test_engines_agree(frame):
    """Values of the cells to 1e-12, labels as they are; DuckDB may give the rows in another order."""
    wanted = reduce(frame)
    for name, table in engines(frame):
        found = reduce(table)
        assert [list(lv) for lv in found.levels] == [list(lv) for lv in wanted.levels], name
        assert_same(found, wanted, frame)


def test_a_level_of_a_million_with_a_scatter_of_a_hundredth_keeps_its_scatter():
    """An engine's own variance function can be off by 30 % here; exact fractions of the doubles decide."""
    from fractions import Fraction

    rng = np.random.default_rng(3)
    values = 1e6 + 0.01 * rng.standard_normal(200)
    exact = [Fraction(v) for v in values]
    mean = sum(exact) / len(exact)
    ss = float(sum((v - mean) ** 2 for v in exact))
    whole = cells_of_arrays({}, {"mu": values})
    assert whole.cross[0, 0, 0] == pytest.approx(ss, rel=1e-12)
    parts = cells_of_arrays({}, {"mu": values[:3]}).merge(cells_of_arrays({}, {"mu": values[3:]}))
    assert parts.cross[0, 0, 0] == pytest.approx(ss, rel=1e-12 * (1 + 1e6 / 0.01))
    assert parts.shift[0] + parts.mean[0, 0] == pytest.approx(float(mean), rel=1e-15)


def test_merging_reconciles_shifts_and_levels():
    first = cells_of_arrays({"rig": ["B", "B", "A"]}, {"mu": [0.41, 0.43, 0.40]})
    second = cells_of_arrays({"rig": ["C", "B"]}, {"mu": [5.0, 0.45]})
    merged = first.merge(second)
    assert list(merged.levels[0]) == ["A", "B", "C"]
    assert list(merged.count) == [1, 3, 1]
    np.testing.assert_allclose(merged.mean[:, 0] + merged.shift[0], [0.40, 0.43, 5.0], rtol=1e-14)
    np.testing.assert_allclose(merged.cross[:, 0, 0], [0, 8e-4, 0], atol=1e-15)
