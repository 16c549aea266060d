"""Checks of comparisons: two means, equivalence, agreement, lines, declared looks, bias.

In: the carried examples.  Out: checks.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from repeatab.dossier.carried import case, rows
from repeatab.dossier.checks import Check, Compared, known_of, printed, same

if TYPE_CHECKING:
    from repeatab.estimation.pairs import Pair

# Lan & DeMets bounds of O'Brien-Fleming type for equal steps at two-sided 5 percent.
_LOOKS = {2: (2.963, 1.969), 3: (3.710, 2.511, 1.993), 4: (4.333, 2.963, 2.359, 2.014)}
# The two lots of 240 pieces: their standard deviations, F, and its points at two-sided 5 percent.
_TWO_LOTS = (65.54909, 61.85425, 240)
_F, _F_LOWER, _F_UPPER = 1.123037, 0.7756, 1.2894
# Cohen (1988), table 2.4.1: standardised difference and the number per group for a power of 0.80 at two-sided 0.05.
_PIECES = ((0.2, 393), (0.5, 64), (0.8, 26))
# York et al. (2004), table II: Pearson's points with York's weights.
_WEIGHT_X = (1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1)
_WEIGHT_Y = (1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500)


def comparison_checks() -> tuple[Check, ...]:
    return (
        Check(
            key="two means", title="Two means with unequal scatter",
            source=case("two_process_means")["source"], known=known_of(case("two_process_means")),
            digits="the printed digits, and eight of values computed again", run=_two_means,
        ),
        Check(
            key="equivalence", title="Two one-sided tests",
            source=case("two_one_sided_tests")["source"], known=known_of(case("two_one_sided_tests")),
            digits="nine digits", run=_equivalence,
        ),
        Check(
            key="agreement", title="Limits of agreement and concordance of two flow meters",
            source=case("agreement_peak_flow")["source"], known=known_of(case("agreement_peak_flow")),
            digits="nine digits of values computed again", run=_agreement,
        ),
        Check(
            key="line", title="Straight line with errors in both variables",
            source="Pearson (1901), Phil. Mag. 2, 559-572; York et al. (2004), Am. J. Phys. 72, 367-375, table II",
            known="Data and printed values from memory.", digits="the printed digits", run=_line,
        ),
        Check(
            key="looks", title="Bounds of declared looks, two to four, 5 % in all",
            source="Lan & DeMets (1983), Biometrika 70, 659-663; Reboussin, DeMets, Kim & Lan (2000), Control. Clin. "
            "Trials 21, 190-207, tables", known="Values from memory.", digits="three printed decimals", run=_looks,
        ),
        Check(
            key="two scatters", title="Ratio of two standard deviations: F and its points",
            source="NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (two lots of 240 ceramic pieces)",
            known="Printed values from memory.", digits="the printed decimals", run=_two_scatters,
        ),
        Check(
            key="power", title="Probability of finding a difference of two means",
            source="Cohen (1988), Statistical Power Analysis, table 2.4.1",
            known="Numbers per group from memory.", digits="one unit of the second decimal", run=_power,
        ),
        Check(
            key="bias", title="Bias of fifteen readings of a reference part",
            source=case("handbook_bias_example")["source"], known=known_of(case("handbook_bias_example")),
            digits="eight digits of values computed again, four printed decimals of the limits", run=_bias,
        ),
    )  # fmt: skip


def _welch() -> Pair:
    """The two processes, each with its own scatter."""
    from repeatab.cells import cells_of_arrays
    from repeatab.estimation.pairs import separate_pair
    from repeatab.layout.blocks import blocks_of
    from repeatab.layout.terms import model_of

    data = rows("two_process_means")
    factors: dict[str, list[object]] = {
        "process": [row["process"] for row in data],
        "piece": list(range(len(data))),
    }
    (block,) = blocks_of(cells_of_arrays(factors, {"result": [float(row["time"]) for row in data]}))
    model = model_of(random=["piece", ("process", "piece")], fixed=["process"])
    return separate_pair(block, model, "process", "old", "new")


def _two_means() -> Iterator[Compared]:
    import numpy as np
    from scipy import special

    pair, known = _welch(), case("two_process_means")
    se, (df,) = pair.precision(np.ones(1))
    t = float((pair.mean_a - pair.mean_b)[0] / se[0])
    yield printed("t as printed", known["expected"]["t"], t, decimals=3)
    yield printed("degrees of freedom as printed", known["expected"]["df"], df, decimals=3)
    yield same("t", known["recomputed"]["t"], t, near=1e-8)
    yield same("degrees of freedom", known["recomputed"]["df"], df, near=1e-8)
    yield same("p", known["recomputed"]["p_two_sided"], 2 * special.stdtr(df, -abs(t)), near=1e-8)


def _equivalence() -> Iterator[Compared]:
    from repeatab.base.margin import Margin, MarginUnit
    from repeatab.judgement.comparison import bounds_of, evidence_of, limits_over

    known = case("two_one_sided_tests")["expected"]
    bounds = bounds_of(Margin(size=known["margin"], unit=MarginUnit.ABSOLUTE))
    found = evidence_of([_welch()], bounds)
    yield same("difference", known["difference"], found.estimate[0], rel=1e-9)
    yield same("p of equivalence", max(known["p_lower"], known["p_upper"]), found.p_inside[0], rel=1e-9)
    low, high = limits_over([_welch()], bounds, 0.90)
    yield same("90 % limits, lower", known["ci90"][0], low[0], rel=1e-9)
    yield same("90 % limits, upper", known["ci90"][1], high[0], rel=1e-9)


def _agreement() -> Iterator[Compared]:
    import numpy as np

    from repeatab.estimation.agreement import agreement_limits, concordance

    data = rows("agreement_peak_flow")
    large, mini = (np.array([float(r[f"{name}_meter_1"]) for r in data]) for name in ("large", "mini"))
    known = case("agreement_peak_flow")["recomputed"]
    found = agreement_limits(large - mini, level=0.95, factor=2)
    yield same("mean difference", known["mean_difference"], found.mean, rel=1e-9)
    yield same("SD of differences", known["s"], found.sd, rel=1e-9)
    for side, limit, value in zip(
        ("lower", "upper"), known["limits_factor_2"], (found.lower, found.upper), strict=True
    ):
        yield same(f"{side} limit of agreement", limit, value, rel=1e-9)
    lin = concordance(large, mini, level=0.95)
    yield same("correlation", known["r"], lin.correlation, rel=1e-9)
    yield same("concordance", known["concordance_coefficient_Lin_n_divisor"], lin.coefficient, rel=1e-9)


def _line() -> Iterator[Compared]:
    import numpy as np

    from repeatab.estimation.errors_in_variables import fit_line

    name = "errors_in_both_variables_equal"
    x, y = (np.array([float(row[key]) for row in rows(name)]) for key in "xy")
    equal, known = fit_line(x, y, var_x=np.ones(10), var_y=np.ones(10)), case(name)["expected"]
    yield printed("equal errors: slope", known["slope"], equal.slope, decimals=3)
    yield printed("equal errors: intercept", known["intercept"], equal.intercept, decimals=3)
    line = fit_line(x, y, var_x=1 / np.array(_WEIGHT_X), var_y=1 / np.array(_WEIGHT_Y))
    yield printed("weights of York: slope", -0.480533407, line.slope, decimals=9, units=1)
    yield printed("weights of York: intercept", 5.47991022, line.intercept, decimals=8, units=1)
    yield printed(
        "weights of York: standard error of the slope", 0.0579850090, line.se_slope, decimals=9, units=1
    )
    stated = 0.294970735
    yield printed(
        "weights of York: standard error of the intercept", stated, line.se_intercept, decimals=8, units=1
    )


def _looks() -> Iterator[Compared]:
    import numpy as np

    from repeatab.judgement.looks import Sides, Spending, look_bounds

    for looks, stated in _LOOKS.items():
        fractions = np.arange(1, looks + 1) / looks
        found = look_bounds(fractions, alpha=0.05, spending=Spending.O_BRIEN_FLEMING, sides=Sides.TWO)
        for number, (bound, value) in enumerate(zip(stated, found, strict=True), start=1):
            yield printed(f"{looks} looks, bound of look {number}", bound, value, decimals=3, units=0.6)


def _two_scatters() -> Iterator[Compared]:
    from repeatab.estimation.scatter_ratio import independent_ratio

    first, second, pieces = _TWO_LOTS
    df = pieces - 1
    found = independent_ratio(first**2 * df, df, second**2 * df, df, level=0.95)
    yield printed("F", _F, found.ratio**2, decimals=6)
    yield printed("lower point of F", _F_LOWER, (found.ratio / found.interval.upper) ** 2, decimals=4)
    yield printed("upper point of F", _F_UPPER, (found.ratio / found.interval.lower) ** 2, decimals=4)


def _power() -> Iterator[Compared]:
    import math

    from repeatab.planning.exact import exact_verdicts

    for effect, number in _PIECES:
        found = exact_verdicts(
            effect,
            low=-1e-9,
            high=1e-9,
            se=math.sqrt(2 / number),
            df=2 * number - 2,
            confidence=0.95,
            alpha=0.05,
        )
        what = f"power with {number} per group, difference of {effect:g} standard deviations"
        yield printed(what, 0.80, found.different[0], decimals=2, units=1)


def _bias() -> Iterator[Compared]:
    import numpy as np

    from repeatab.judgement.measurement_process import bias_of_readings

    known = case("handbook_bias_example")
    readings = np.array([float(next(iter(row.values()))) for row in rows("handbook_bias_example")])
    found, exact, stated = (
        bias_of_readings(readings, 6.0),
        known["recomputed"],
        known["expected"]["fourth_edition"],
    )
    yield same("bias", exact["bias"], found.value, rel=1e-8)
    yield same("SD", exact["s"], found.sd, rel=1e-8)
    yield same("t", exact["t"], found.t, rel=1e-8)
    for side, limit, end in zip(
        ("lower", "upper"), stated["ci95"], (found.interval.lower, found.interval.upper), strict=True
    ):
        yield printed(f"95 % limits, {side}, as printed", limit, end, decimals=4, units=0.6)
