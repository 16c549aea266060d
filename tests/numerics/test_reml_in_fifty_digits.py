"""REML and Kenward-Roger against the same definitions in 50-digit arithmetic, where double precision is strained.

The search, the chain of eliminated terms and the dense block work in double precision on cross-products; the yardstick
inverts n x n matrices in 50 digits and finds its own optimum. What is seen stands beside each tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import mpmath as mp
import numpy as np
import pytest

import repeatab
from repeatab.base.errors import NotSeparableError
from repeatab.estimation.moments import criterion, moments

SET = ("pad_set",)
RIG = ("rig",)
GAPS = (0, 5, 6, 13)
# Six sets on three rigs, one of them on two: all that tells rig from set.
HARDLY_CROSSED = tuple(
    row
    for row in range(36)
    if divmod(row // 2, 6) not in {(0, 0), (0, 1), (1, 0), (1, 2), (1, 3), (2, 4), (2, 5)}
)


@dataclass(frozen=True)
class Case:
    """A table, its model, and to what part of itself each number must agree."""

    name: str
    table: dict[str, Any]
    random: tuple[tuple[str, ...], ...] = (SET,)
    fixed: tuple[str, ...] = RIG
    near: float | None = None
    variances: float = 1e-9
    contrast: float = 1e-9
    brief: bool = False
    """Whether the case belongs to the short form."""

    def __str__(self) -> str:
        return self.name


CASES = (
    Case("as a rig gives it", {}, brief=True),  # seen: 6e-16
    Case("rigs at random", {}, random=(RIG, SET), fixed=(), brief=True),  # seen: 2e-13
    Case(
        "offset a million", {"offset": 1e6}
    ),  # seen: 1e-15, as the doubles stand after rounding at this offset
    Case("offset a thousand million", {"offset": 1e9}),
    Case("in millionths of the unit", {"scale": 1e-6}),
    Case("in millions of the unit", {"scale": 1e6}),
    Case("in 1e50 of the unit", {"scale": 1e50}),
    Case("one run everywhere", {"runs": 1, "drop": (0, 5)}, random=(RIG, SET), fixed=()),
    Case("sets a million times repeatability", {"sds": (0.0, 1.0, 1e-6)}),  # seen: 5e-11
    Case("rig and set a thousand times repeatability", {"sds": (1.0, 1.0, 1e-3)}),  # seen: 3e-11
    Case(
        "random rig and set a hundred times repeatability",
        {"sds": (1.0, 1.0, 1e-2)},
        random=(RIG, SET),
        fixed=(),
    ),
    # Beside crossed terms a thousand times larger repeatability keeps nine of the sixteen digits; seen: 3e-10.
    Case(
        "random rig and set a thousand times repeatability",
        {"sds": (1.0, 1.0, 1e-3)},
        random=(RIG, SET),
        fixed=(),
        variances=1e-8,
        brief=True,
    ),
    # Seen: 8e-8.
    Case(
        "random rig and set ten thousand times repeatability",
        {"sds": (1.0, 1.0, 1e-4)},
        random=(RIG, SET),
        fixed=(),
        variances=1e-6,
    ),
    Case(
        "one set only on two rigs",
        {"sets": 6, "drop": HARDLY_CROSSED, "seed": 4},
        random=(RIG, SET),
        fixed=(),
        brief=True,
    ),
    Case("the same with rigs fixed", {"sets": 6, "drop": HARDLY_CROSSED, "seed": 4}),
    # The covariate is the rig's but for 1 % of its own scatter; seen: 3e-12.
    Case("a covariate that nearly follows from the rig", {}, near=1e-2, brief=True),
    # At a thousandth three digits more are gone; seen: 4e-10, contrast 3e-9. At 1e-5 it is refused.
    Case(
        "a covariate that follows from the rig to a thousandth", {}, near=1e-3, variances=1e-8, contrast=1e-7
    ),
)


def table_of(case: Case, tables: Any) -> Any:
    frame = tables.crossed(**{"drop": GAPS, **case.table})
    if case.near is not None:
        noise = np.random.default_rng(5).standard_normal(len(frame))
        frame["temperature"] = frame["rig"].map({"A": 100.0, "B": 101.0, "C": 103.0}) + case.near * noise
    return frame


def fitted(case: Case, frame: Any) -> Any:
    return repeatab.fit_components(
        frame, result="mu", random=[term[0] for term in case.random], fixed=list(case.fixed),
        covariates=[] if case.near is None else ["temperature"], method="reml",
    )  # fmt: skip


FORMS = [pytest.param(case, id=str(case), marks=() if case.brief else pytest.mark.full) for case in CASES]


@pytest.mark.parametrize("case", FORMS)
def test_the_optimum_and_its_inference_agree_with_fifty_digits(case: Case, tables: Any, exact: Any) -> None:
    frame = table_of(case, tables)
    fit = fitted(case, frame)
    found = fit.components["variance"].to_numpy()
    wanted = exact.Exact.of(
        frame, random=case.random, fixed=case.fixed, covariates=[] if case.near is None else ["temperature"]
    )
    best = wanted.optimum(found, zero=[k for k, value in enumerate(found) if value == 0])
    here = wanted.at(best)
    for value, truth in zip(found, best, strict=True):
        assert abs(value - truth) <= case.variances * truth
    # The slope of the covariate is in another unit inside, so the constant of the likelihood differs by its scale.
    if case.near is None:
        assert fit.log_likelihood == pytest.approx(
            float(-here.criterion() / 2), abs=max(1e-8, case.variances)
        )
    if not case.fixed:
        return
    contrast = fit.contrast("rig", "B", reference="A")
    weights = [0] * wanted.x.cols
    weights[1] = 1
    se, df = here.kenward_roger(weights)
    assert abs(contrast.se - se) <= case.contrast * se
    assert abs(contrast.df - df) <= case.contrast * df
    assert abs(contrast.estimate - here.coefficients()[1]) <= case.contrast * se


@pytest.mark.full
@pytest.mark.parametrize("seed", range(2, 12))
@pytest.mark.parametrize(("times", "close"), [(100, 1e-10), (1000, 1e-8)])
def test_crossed_terms_far_above_repeatability_whatever_the_results(
    seed: int, times: int, close: float, tables: Any, exact: Any
) -> None:
    case = Case("", {"sds": (1.0, 1.0, 1 / times), "seed": seed}, random=(RIG, SET), fixed=())
    frame = table_of(case, tables)
    found = fitted(case, frame).components["variance"].to_numpy()
    zero = [k for k, value in enumerate(found) if value == 0]
    best = exact.Exact.of(frame, random=case.random).optimum(found, zero=zero)
    for value, truth in zip(found, best, strict=True):
        assert abs(value - truth) <= close * truth


@pytest.mark.parametrize(
    ("random", "fixed"), [((SET,), RIG), ((RIG, SET), ()), ((RIG, SET, ("rig", "pad_set")), ())],
    ids=["fixed rig", "random rig", "with interaction"],
)  # fmt: skip
@pytest.mark.parametrize("spread", [1.0, 1e-6], ids=["alike", "a million times"])
def test_criterion_and_gradient_agree_with_fifty_digits_away_from_the_optimum(
    random: tuple[tuple[str, ...], ...], fixed: tuple[str, ...], spread: float, tables: Any, exact: Any
) -> None:
    frame = tables.crossed(drop=GAPS, offset=1e6)
    names = [term if len(term) > 1 else term[0] for term in random]
    system = repeatab.fit_components(frame, result="mu", random=names, fixed=list(fixed)).blocks[0].system
    wanted = exact.Exact.of(frame, random=random, fixed=fixed)
    unit = mp.mpf(float(system.unit[0]))
    wanted = exact.Exact(y=wanted.y / unit, x=wanted.x, patterns=wanted.patterns)
    # Variances over six orders of magnitude, the residual in the middle.
    theta = np.geomspace(1.0, spread, system.sources + 1)[::-1].copy()
    here = wanted.at([float(v) for v in theta])
    found = moments(system, theta[None])
    assert criterion(system, theta[None])[0] == pytest.approx(float(here.criterion()), rel=1e-10)
    scale = [float(exact.trace_of_product(here.p, pattern)) for pattern in wanted.patterns]
    for value, truth, size in zip(found.gradient[0], here.gradient(), scale, strict=True):
        assert abs(value - float(truth)) <= 1e-9 * max(abs(float(truth)), size)


def test_a_covariate_that_follows_from_the_rig_is_refused(tables: Any) -> None:
    case = Case("refused", {}, near=1e-6)
    with pytest.raises(NotSeparableError, match="cannot be told from"):
        fitted(case, table_of(case, tables))
