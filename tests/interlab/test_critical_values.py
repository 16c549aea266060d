"""Critical values against the printed tables of ISO 5725-2:1994 (tables 4 to 7) and against their
definitions."""

import numpy as np
import pytest
from scipy import stats

from repeatab.base.errors import EstimationError
from repeatab.interlab.consistency import h_indicator, k_indicator, k_indicator_of_cell
from repeatab.interlab.grubbs_pair import pair_critical, pair_probability
from repeatab.interlab.outlier_tests import (
    cochran_critical,
    cochran_p_value,
    grubbs_critical,
    grubbs_p_value,
)


def test_every_tabled_value_of_cochran_grubbs_h_and_k(published):
    rows = published.rows("critical_values_consistency_tests")
    assert len(rows) == 802
    for row in rows:
        p, alpha = int(row["p"]), float(row["alpha"])
        found = {
            "cochran": lambda p=p, row=row, alpha=alpha: cochran_critical(p, int(row["n"]), alpha=alpha),
            "grubbs_one": lambda p=p, alpha=alpha: grubbs_critical(p, alpha=alpha),
            "h": lambda p=p, alpha=alpha: h_indicator(p, alpha=alpha),
            "k": lambda p=p, row=row, alpha=alpha: k_indicator(p, int(row["n"]), alpha=alpha),
        }[row["test"]]()
        assert found == pytest.approx(float(row["critical_value"]), abs=5.1e-5), row


def test_printed_entries_of_the_standard(published):
    printed = published.case("critical_values_consistency_tests")["expected"]["known_table_entries"]
    # Older tables were rounded from approximations: 1 unit, exceptionally 1.5, of the last printed digit.
    for p, entries in printed["cochran_p_then_n2_to_n6_as_5%/1%"].items():
        for n, entry in enumerate(entries, start=2):
            if entry != "-":
                five, one = (float(text) for text in entry.split("/"))
                assert cochran_critical(int(p), n, alpha=0.05) == pytest.approx(five, abs=1.5e-3)
                assert cochran_critical(int(p), n, alpha=0.01) == pytest.approx(one, abs=1.5e-3)
    for p, values in printed["grubbs_one_as_[5%,1%]"].items():
        assert [grubbs_critical(int(p), alpha=a) for a in (0.05, 0.01)] == pytest.approx(values, abs=1.1e-3)
    for p, values in printed["h_as_[5%,1%]"].items():
        assert [round(h_indicator(int(p), alpha=a), 2) for a in (0.05, 0.01)] == pytest.approx(
            values, abs=0.011
        )


def test_printed_entries_for_pairs_of_extremes(published):
    case = published.case("critical_values_consistency_tests")
    for p, values in case["expected"]["known_table_entries"]["grubbs_two_as_[5%,1%]"].items():
        found = [pair_critical(int(p), alpha=alpha) for alpha in (0.05, 0.01)]
        assert found == pytest.approx(values, abs=1e-4)
    # 1.5 million samples: standard error of the quantile about 0.2 % (2 % far out in the tail at p = 4).
    for p, values in case["recomputed"]["grubbs_two_simulated"].items():
        found = [pair_critical(int(p), alpha=alpha) for alpha in (0.05, 0.01)]
        assert found == pytest.approx(values, rel=0.005 if p != "4" else 0.03)


def test_further_entries_for_pairs():
    # ISO 5725-2:1994, table 5, entries for p = 5, 6, 20 and 40; from memory.
    for p, five, one in (
        (5, 0.0090, 0.0018),
        (6, 0.0349, 0.0116),
        (20, 0.4391, 0.3585),
        (40, 0.6445, 0.5862),
    ):
        assert pair_critical(p, alpha=0.05) == pytest.approx(five, abs=1.1e-4)
        assert pair_critical(p, alpha=0.01) == pytest.approx(one, abs=1.1e-4)


def test_pair_probability_far_in_the_tail_is_a_sum_over_pairs():
    """Where U is so small that only one pair can give it, P(U < u) = C(p,2) u^((p-3)/2) times the share of
    directions.

    By the F distribution each pair's U is Beta((p-3)/2, 1), and in the limit the pair is on one given side
    for the share of directions in which both lie above the others.
    """
    for p in (4, 7, 12):
        share = np.arctan(1 / np.sqrt(1 - 2 / p)) / np.pi
        u = 1e-9
        expected = p * (p - 1) / 2 * share * u ** ((p - 3) / 2)
        assert pair_probability(u, p) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("p", [4, 5, 8, 15])
def test_pair_probability_grows_from_nothing_to_one(p):
    found = [pair_probability(u, p) for u in (0.0, 0.05, 0.2, 0.5, 0.9, 1.0)]
    assert found[0] == 0
    assert found == sorted(found)
    # The last step below 1 integrates the whole distribution: an independent check of the recursion.
    assert pair_probability(1 - 1e-12, p) == pytest.approx(1.0, abs=2e-5)


def test_p_values_meet_the_critical_values():
    for p in (4, 9, 25):
        for alpha in (0.05, 0.01):
            assert cochran_p_value(cochran_critical(p, 3, alpha=alpha), p, 3) == pytest.approx(
                alpha, rel=1e-9
            )
            assert grubbs_p_value(grubbs_critical(p, alpha=alpha), p) == pytest.approx(alpha, rel=1e-6)
            assert 2 * pair_probability(pair_critical(p, alpha=alpha), p) == pytest.approx(alpha, rel=1e-6)


def test_k_indicator_of_unequal_cells_satisfies_its_definition():
    df, others = 4, 17
    k2 = k_indicator_of_cell(df, others, alpha=0.05) ** 2
    # k^2 = s^2 / pooled, pooled = (4 s^2 + 17 t^2) / 21: solve for F = s^2 / t^2.
    f = others * k2 / (df + others - df * k2)
    assert stats.f.sf(f, df, others) == pytest.approx(0.05, rel=1e-10)


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: h_indicator(2, alpha=0.05), "at least 3"),
        (lambda: k_indicator(5, 1, alpha=0.05), "two results"),
        (lambda: cochran_critical(1, 3, alpha=0.05), "at least two"),
        (lambda: grubbs_critical(2, alpha=0.05), "at least 3"),
        (lambda: pair_critical(3, alpha=0.05), "at least 4"),
    ],
)
def test_too_few_laboratories_have_no_critical_value(call, part):
    with pytest.raises(EstimationError, match=part):
        call()
