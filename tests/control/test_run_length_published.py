"""Average run lengths against the published tables and the recomputed values beside them.

Agreement with print: 0.5 % or half the last printed digit. Agreement with the ten recomputed digits: 1e-8.
"""

import pytest

from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.rules import PUBLISHED_RULES
from repeatab.control.run_length import average_run_length

RULES = {
    "2of3": PUBLISHED_RULES["two of three beyond two sigma"],
    "4of5": PUBLISHED_RULES["four of five beyond one sigma"],
    "8": PUBLISHED_RULES["eight on one side"],
}
SETS = {
    "3sigma": (),
    "3sigma+2of3_beyond_2sigma": ("2of3",),
    "3sigma+4of5_beyond_1sigma": ("4of5",),
    "3sigma+8_same_side": ("8",),
    "3sigma+2of3+4of5": ("2of3", "4of5"),
    "3sigma+2of3+8": ("2of3", "8"),
    "3sigma+4of5+8": ("4of5", "8"),
    "all_four": ("2of3", "4of5", "8"),
}


@pytest.mark.parametrize("name", SETS)
def test_run_rules_of_champ_and_woodall(published, name):
    # Champ & Woodall (1987), Technometrics 29, table 1. Printed to two decimals: exact, so all of them must
    # agree.
    case = published.case("arl_supplementary_run_rules")
    chart = Shewhart(rules=tuple(RULES[key] for key in SETS[name]))
    printed = case["expected"]["in_control"][name]
    assert average_run_length(chart) == pytest.approx(printed, abs=0.0051 if name != "3sigma" else 0.051)
    shifts = case["recomputed"]["shift_in_sigma"]
    assert len(shifts) == 8
    for shift, value in zip(shifts, case["recomputed"][name], strict=True):
        assert average_run_length(chart, shift=shift) == pytest.approx(value, rel=1e-8)
        assert average_run_length(chart, shift=-shift) == pytest.approx(value, rel=1e-8)


def test_shewhart_chart(published):
    case = published.case("arl_shewhart_and_cusum")
    # Montgomery, Introduction to Statistical Quality Control; NIST/SEMATECH e-Handbook 6.3.2.3.1.
    for shift, printed in case["expected"]["shewhart_3_sigma"].items():
        assert average_run_length(Shewhart(), shift=float(shift)) == pytest.approx(printed, abs=0.05)
    shifts = case["expected"]["shift_in_sigma"]
    for shift, value in zip(shifts, case["recomputed"]["shewhart"], strict=True):
        assert average_run_length(Shewhart(), shift=shift) == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize("decision", [4, 5])
def test_cusum(published, agrees, decision):
    # Lucas & Crosier (1982), Technometrics 24; k = 0.5, two-sided; three significant digits.
    case = published.case("arl_shewhart_and_cusum")
    chart = Cusum(reference=0.5, decision=decision)
    key = f"cusum_h{decision}"
    rows = zip(
        case["expected"]["shift_in_sigma"], case["expected"][key], case["recomputed"][key], strict=True
    )
    for shift, printed, value in rows:
        found = average_run_length(chart, shift=shift)
        assert found == pytest.approx(value, rel=1e-8)
        assert agrees(found, printed, digits=0 if printed >= 100 else 1 if printed >= 10 else 2)


# Lucas & Crosier (1982), table of the head start h/2 with k = 0.5; printed values from memory.
HEAD_START = {
    4: [149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07],
    5: [430, 122, 28.7, 11.2, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16],
}


@pytest.mark.parametrize("decision", [4, 5])
def test_cusum_with_head_start(published, agrees, decision):
    shifts = published.case("arl_shewhart_and_cusum")["expected"]["shift_in_sigma"]
    chart = Cusum(reference=0.5, decision=decision, head_start=decision / 2)
    for shift, printed in zip(shifts, HEAD_START[decision], strict=True):
        found = average_run_length(chart, shift=shift)
        assert agrees(found, printed, digits=0 if printed >= 100 else 1 if printed >= 10 else 2), (
            shift,
            found,
        )


@pytest.mark.parametrize(("weight", "limit"), [("0.4", "3.054"), ("0.2", "2.962"), ("0.05", "2.615")])
def test_ewma(published, agrees, weight, limit):
    # Lucas & Saccucci (1990), Technometrics 32, table of in-control run lengths near 500.
    case = published.case("arl_ewma")
    key = f"lambda_{weight}_L_{limit}"
    chart = Ewma(weight=float(weight), limit=float(limit))
    rows = zip(
        case["expected"]["shift_in_sigma"], case["expected"][key], case["recomputed"][key], strict=True
    )
    for shift, printed, value in rows:
        found = average_run_length(chart, shift=shift)
        assert found == pytest.approx(value, rel=1e-8)
        assert agrees(found, printed, digits=0 if printed >= 100 else 1), (shift, found)
