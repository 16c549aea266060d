"""Four factors: crossed, and crossed with nested, against general-purpose least squares and the REML optimum."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.estimation.minimise import minimise_from_several_starts

# A seed for which no component is estimated below zero.
POSITIVE = 2


def crossed(seed: int) -> pd.DataFrame:
    """Two runs in every cell of rig x operator x pad set x disc; every two-way effect present."""
    rng = np.random.default_rng(seed)
    sizes = {"rig": 3, "operator": 3, "pad_set": 4, "disc": 3}
    grid = pd.MultiIndex.from_product([range(n) for n in sizes.values()] + [range(2)], names=[*sizes, "run"])
    frame = grid.to_frame(index=False)
    mu = 0.4 + rng.normal(0, 0.004, len(frame))
    for names in [*((name,) for name in sizes), *combinations(sizes, 2)]:
        effect = rng.normal(0, 0.02 if len(names) == 1 else 0.012, [sizes[n] for n in names])
        mu += effect[tuple(frame[n].to_numpy() for n in names)]
    return frame.assign(mu=mu)


TERMS = ["rig", "operator", "pad_set", "disc"]
PAIRS = [*TERMS, *combinations(TERMS, 2)]


def test_sums_of_squares_of_four_crossed_factors_agree_with_statsmodels():
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    frame = crossed(seed=4)
    fit = rb.fit_components(frame, result="mu", random=PAIRS, method="anova")
    known = anova_lm(ols("mu ~ (C(rig) + C(operator) + C(pad_set) + C(disc)) ** 2", frame).fit())
    # Two least-squares routes in double precision; 1e-9 leaves room for the size of the design matrix.
    assert fit.anova["ss"].to_numpy() == pytest.approx(known["sum_sq"].to_numpy(), rel=1e-9)
    assert list(fit.anova["df"]) == list(known["df"])


def test_components_of_four_crossed_factors_are_the_reml_optimum_where_none_is_negative():
    # Identity: in a balanced layout without negative estimates, ANOVA and REML agree (Searle, Casella &
    # McCulloch 1992, section 6.7).
    frame = crossed(seed=POSITIVE)
    part = rb.fit_components(frame, result="mu", random=PAIRS, method="anova").blocks[0]
    assert (part.variances > 0).all()
    searched = minimise_from_several_starts(part.system).theta[0] * part.system.unit[0] ** 2
    assert searched == pytest.approx(part.variances[0], rel=1e-7)


def test_a_nested_factor_takes_the_degrees_of_freedom_of_its_levels_within_levels():
    # Lots of sets, crossed with rigs and operators: the textbook degrees of freedom.
    rng = np.random.default_rng(8)
    sizes = {"rig": 2, "operator": 3, "pad_lot": 4, "pad_set": 3, "run": 2}
    grid = pd.MultiIndex.from_product([range(n) for n in sizes.values()], names=list(sizes))
    frame = grid.to_frame(index=False).assign(mu=rng.normal(0.4, 0.01, int(np.prod(list(sizes.values())))))
    fit = rb.fit_components(
        frame, result="mu", random=["rig", "operator", "pad_lot", "pad_set"],
        nested_in={"pad_set": "pad_lot"}, method="anova",
    )  # fmt: skip
    table = fit.anova.set_index("source")
    assert table.loc["pad_set", "df"] == 4 * (3 - 1)
    assert table.loc["pad_lot", "df"] == 4 - 1
    assert table["df"].sum() == len(frame) - 1
    assert table.loc["pad_lot", "ems"] == "var(repeatability) + 12 var(pad_set) + 36 var(pad_lot)"
