"""Gauge verdicts of several sections together: exact chances, independence, equality, and mixtures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from repeatab.base.interval import Interval, IntervalMethod
from repeatab.jobs.gauge.fit import sources_of
from repeatab.judgement.capability import Source, SourceRole
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.outcome.verdict import Verdict
from repeatab.planning.gauge_verdicts import PlannedGaugeSection, _typical, gauge_chance
from repeatab.planning.layouts import LayoutKind, laid_out
from repeatab.simulate import planned_block

MODEL = model_of(random=["rig", "pad_set", ("rig", "pad_set")])
DRAWS = 250
LIMIT = 0.0032


def design(kind=LayoutKind.CROSSED, sets=5, runs=2, rigs=3):
    plan = laid_out(kind, [f"R{i}" for i in range(rigs)], sets, runs)
    block = planned_block({"rig": [r.level for r in plan.runs], "pad_set": [r.pad_set for r in plan.runs]})
    return block, layout_of(block, MODEL)


def by_repeatability(found):
    """A rule on R&R, which below is repeatability alone: its upper limit is an exact chi-square one."""
    return Verdict.ACCEPTABLE if found.grr.interval.upper <= LIMIT else Verdict.UNDECIDED


def repeatability_alone(layout):
    """Everything but repeatability counts as scatter of the sets."""
    roles = [SourceRole.PART] * len(layout.estimated) + [SourceRole.REPEATABILITY]
    return [Source(names=(str(i),), role=role) for i, role in enumerate(roles)]


def section(name, *, sd=0.0025, drawn=None, decides=True, judge=by_repeatability):
    variances = np.array([1e-6, 1e-4, 1e-6, sd**2])
    many = variances[None] if drawn is None else np.tile(variances, (len(drawn), 1))
    if drawn is not None:
        many[:, -1] = drawn
    return PlannedGaugeSection(
        name=name, mean=0.4, variances=variances, drawn=many, judge=judge, decides=decides
    )  # fmt: skip


def chance(sections, correlation, *, uncertain=False, of=None, sources=repeatability_alone):
    block, layout = of or design()
    matrix = np.full((len(sections),) * 2, correlation) + (1 - correlation) * np.eye(len(sections))
    return gauge_chance(
        block,
        layout,
        sections,
        matrix,
        sources(layout),
        level=0.95,
        draws=DRAWS,
        seed=1,
        uncertain=uncertain,
    )


def exact(sd, df=15):
    # Upper limit s sqrt(df / chi2(0.025)) below LIMIT: a probability of the chi-square that s^2 follows.
    return float(stats.chi2.cdf(LIMIT**2 * stats.chi2.ppf(0.025, df) / sd**2, df))


def agrees(found, expected):
    return abs(found - expected) <= 4 * np.sqrt(max(expected * (1 - expected), 1 / DRAWS) / DRAWS)


def test_a_rule_on_repeatability_has_its_exact_probability():
    found = chance([section("one", sd=0.0018)], 0.0)
    assert 0.3 < exact(0.0018) < 0.9
    assert agrees(found.of_section("one"), exact(0.0018))
    assert found.decided == found.of_section("one")


def test_independent_sections_multiply_and_equal_ones_are_one():
    sections = [section(name, sd=0.0018) for name in ("a", "b", "c")]
    single = exact(0.0018)
    assert agrees(chance(sections, 0.0).decided, single**3)
    together = chance(sections, 1.0)
    assert agrees(together.decided, single)
    assert len({together.of_section(name) for name in "abc"}) == 1


def test_a_section_that_informs_takes_nothing_from_the_verdict():
    hopeless = section("b", sd=0.1, decides=False)
    found = chance([section("a", sd=0.0018), hopeless], 0.0)
    assert found.of_section("b") < 0.02
    assert found.decided == found.of_section("a")


def test_uncertain_components_give_the_mean_of_the_exact_probabilities():
    drawn = 0.0018**2 * 6 / stats.chi2.ppf((np.arange(DRAWS) + 0.5) / DRAWS, 6)
    found = chance([section("a", drawn=drawn)], 0.0, uncertain=True)
    assert agrees(found.decided, float(np.mean([exact(np.sqrt(v)) for v in drawn])))


@pytest.mark.parametrize("kind", [LayoutKind.NESTED, LayoutKind.STAGGERED])
def test_sets_on_one_rig_each_leave_r_and_r_an_upper_bound(kind):
    of = design(kind)
    seen = []

    def judge(found):
        seen.append(found.upper_bound)
        return Verdict.UNDECIDED

    one = PlannedGaugeSection(
        name="a",
        mean=0.4,
        variances=np.array([1e-6, 1e-4, 9e-6]),
        drawn=np.array([[1e-6, 1e-4, 9e-6]]),
        judge=judge,
    )
    found = chance([one], 0.0, of=of, sources=sources_of)
    assert all(seen)
    assert found.percent["a"].lower is None
    # R&R holds the scatter of the sets: 0.0105 and not 0.0033.
    assert found.grr["a"].upper > 0.0105 > found.grr["a"].lower > 0.0033


def test_limits_that_most_studies_lack_are_none():
    known = Interval(lower=1.0, upper=2.0, level=0.95, method=IntervalMethod.GENERALISED)
    assert _typical([known, None, None]).upper is None
    assert _typical([known, known, None]).upper == 2.0
