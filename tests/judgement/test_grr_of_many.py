"""R&R of many studies at once against the capability of each by itself: the same estimates and limits, those of the
share of the total up to the draws behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import repeatab as rb
from repeatab.judgement.capability import Source, SourceRole, capabilities
from repeatab.judgement.grr_of_many import grr_of_many

SOURCES = (
    Source(names=("rig",), role=SourceRole.REPRODUCIBILITY),
    Source(names=("pad_set",), role=SourceRole.PART),
    Source(names=("rig × pad_set",), role=SourceRole.INTERACTION),
    Source(names=("repeatability",), role=SourceRole.REPEATABILITY),
)


def studies(number: int, *, missing: bool) -> rb.Fit:
    rng = np.random.default_rng(4)
    g, r, s, k = (part.ravel() for part in np.indices((number, 4, 6, 3)))
    mu = 0.4 + 0.004 * rng.standard_normal((number, 4))[g, r] + 0.02 * rng.standard_normal((number, 6))[g, s]
    mu += 0.004 * rng.standard_normal((number, 4, 6))[g, r, s] + 0.005 * rng.standard_normal(g.size)
    frame = pd.DataFrame({"study": g, "rig": r, "pad_set": s, "mu": mu})
    if missing:
        frame = frame[~((r == 0) & (s < 2) & (k > 0))]
    return rb.fit_components(frame, result="mu", random=["rig", "pad_set", ("rig", "pad_set")], by=["study"])


@pytest.mark.parametrize("missing", [False, True], ids=["balanced", "unbalanced"])
def test_many_studies_have_the_limits_of_each_by_itself(missing: bool) -> None:
    (fit,) = studies(6, missing=missing).blocks
    generators = [np.random.default_rng(g) for g in range(6)]
    each = capabilities(fit, SOURCES, generators=generators)
    together = grr_of_many(fit, SOURCES, rng=np.random.default_rng(1), against_total=True)
    for one, other in zip(together, each, strict=True):
        if min(other.raw) >= 0:
            assert one.grr.sd == pytest.approx(other.grr.sd, rel=1e-9)
            assert one.total_percent.value == pytest.approx(other.total_percent.value, rel=1e-9)
        assert one.grr.interval.lower == pytest.approx(other.grr.interval.lower, rel=1e-9)
        assert one.grr.interval.upper == pytest.approx(other.grr.interval.upper, rel=1e-9)
        assert one.grr.interval.method is other.grr.interval.method
        # Quantiles of 2,000 draws: their standard error is some two percent of the distance to the estimate.
        for side in ("lower", "upper"):
            wanted = getattr(other.total_percent.interval, side)
            assert getattr(one.total_percent.interval, side) == pytest.approx(wanted, rel=0.1)
        assert one.upper_bound is other.upper_bound


def test_a_study_against_a_tolerance_draws_nothing() -> None:
    (fit,) = studies(3, missing=False).blocks
    rng = np.random.default_rng(1)
    found = grr_of_many(fit, SOURCES, rng=rng, against_total=False)
    assert [one.total_percent for one in found] == [None] * 3
    assert rng.bit_generator.state == np.random.default_rng(1).bit_generator.state
