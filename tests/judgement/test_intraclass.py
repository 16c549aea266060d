"""Intraclass correlation on the example of Shrout & Fleiss, against their values and against pingouin."""

from __future__ import annotations

import pytest
from scipy import stats

from repeatab.base.errors import LayoutError
from repeatab.judgement.intraclass import one_way, two_way_agreement, two_way_consistency


@pytest.fixture(scope="module")
def judges(variance_case):
    # Source: Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428, table 2; data from memory, checked
    # by the published mean squares.
    return variance_case("judges_subjects")


@pytest.fixture(scope="module")
def found(judges):
    ms = judges.expected["intraclass"]["mean_squares"]
    return {
        "icc_1_1": one_way(ms["subject"], ms["within_subject"], subjects=6, each=4),
        "icc_2_1": two_way_agreement(ms["subject"], ms["judge"], ms["residual"], subjects=6, judges=4),
        "icc_3_1": two_way_consistency(ms["subject"], ms["residual"], subjects=6, judges=4),
    }


@pytest.mark.parametrize("form", ["icc_1_1", "icc_2_1", "icc_3_1"])
def test_coefficients_and_limits_of_shrout_and_fleiss(judges, found, form):
    expected = judges.expected["intraclass"][form]
    assert found[form].value == pytest.approx(expected["value"], rel=1e-12)
    assert found[form].interval.lower == pytest.approx(expected["lower"], rel=1e-9)
    assert found[form].interval.upper == pytest.approx(expected["upper"], rel=1e-9)
    remembered = judges.expected["published_from_memory"]["values"][form]["remembered"]
    assert found[form].value == pytest.approx(remembered, abs=0.005)


def test_coefficients_agree_with_pingouin(judges, found):
    pingouin = pytest.importorskip("pingouin")
    table = pingouin.intraclass_corr(judges.frame, "subject", "judge", "rating")
    limits = table[next(name for name in table.columns if name.startswith("CI95"))]
    for row, form in enumerate(("icc_1_1", "icc_2_1", "icc_3_1")):
        assert found[form].value == pytest.approx(float(table["ICC"].iloc[row]), rel=1e-10)
        # pingouin rounds its limits to two digits.
        assert found[form].interval.lower == pytest.approx(limits.iloc[row][0], abs=0.0051)
        assert found[form].interval.upper == pytest.approx(limits.iloc[row][1], abs=0.0051)


def test_limits_of_the_one_way_form_meet_their_definition():
    # At the lower limit the F ratio stands on its upper 2.5 % point, at the upper limit on the lower one.
    n, k, between, within = 8, 3, 4.0, 1.5
    found = one_way(between, within, subjects=n, each=k)
    for limit, tail in ((found.interval.lower, 0.025), (found.interval.upper, 0.975)):
        expected_ratio = (1 + (k - 1) * limit) / (1 - limit)
        assert stats.f.sf(between / within / expected_ratio, n - 1, n * (k - 1)) == pytest.approx(
            tail, rel=1e-8
        )


@pytest.mark.parametrize(("subjects", "judges"), [(1, 4), (6, 1)])
def test_too_few_subjects_or_judges_are_refused(subjects, judges):
    with pytest.raises(LayoutError, match="two of both"):
        two_way_consistency(2.0, 1.0, subjects=subjects, judges=judges)
