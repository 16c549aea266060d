"""Checks of control charts: factors, run lengths, the handbook's check standard.

In: the carried examples.  Out: checks.
"""

from __future__ import annotations

from collections.abc import Iterator

from repeatab.dossier.carried import case, rows
from repeatab.dossier.checks import Check, Compared, known_of, printed, same

_FACTORS = ("A2", "A3", "B3", "B4", "D3", "D4", "c4", "d2", "d3")
_SETS = {
    "3sigma": (),
    "3sigma+2of3_beyond_2sigma": ("two of three beyond two sigma",),
    "3sigma+4of5_beyond_1sigma": ("four of five beyond one sigma",),
    "3sigma+8_same_side": ("eight on one side",),
    "all_four": ("two of three beyond two sigma", "four of five beyond one sigma", "eight on one side"),
}
_SHORT = "the recomputed values to eight digits"


def chart_checks() -> tuple[Check, ...]:
    return (
        Check(
            key="chart factors", title="Factors of charts for subgroups of 2 to 15",
            source=case("chart_factors_n2_to_n15")["source"], known=known_of(case("chart_factors_n2_to_n15")),
            digits="five decimals of the integrated values", run=_factors,
        ),
        Check(
            key="run rules", title="Run lengths of a chart with run rules",
            source=case("arl_supplementary_run_rules")["source"],
            known=known_of(case("arl_supplementary_run_rules")), digits="two printed decimals, and " + _SHORT,
            run=_rules,
        ),
        Check(
            key="sums", title="Run lengths of cumulative sums",
            source=case("arl_shewhart_and_cusum")["source"], known=known_of(case("arl_shewhart_and_cusum")),
            digits="0.5 % or half the last printed digit, and " + _SHORT, run=_sums,
        ),
        Check(
            key="moving average", title="Run lengths of moving averages",
            source=case("arl_ewma")["source"], known=known_of(case("arl_ewma")),
            digits="0.5 % or half the last printed digit, and " + _SHORT, run=_averages,
        ),
        Check(
            key="check standard", title="Centre, limits and two levels of scatter of a check standard",
            source=case("check_standard_resistivity")["source"],
            known=known_of(case("check_standard_resistivity")),
            digits="four printed digits of the standard deviations, and eight of values computed again",
            run=_check_standard,
        ),
    )  # fmt: skip


def _factors() -> Iterator[Compared]:
    from repeatab.control.factors import chart_factors

    for row in rows("chart_factors_n2_to_n15"):
        found = chart_factors(int(row["n"]))
        for name in _FACTORS:
            yield printed(f"{name}, n = {row['n']}", row[name], getattr(found, name), decimals=5, units=0.51)


def _rules() -> Iterator[Compared]:
    from repeatab.control.charts import Shewhart
    from repeatab.control.rules import PUBLISHED_RULES
    from repeatab.control.run_length import average_run_length

    known = case("arl_supplementary_run_rules")
    for name, rules in _SETS.items():
        chart = Shewhart(rules=tuple(PUBLISHED_RULES[rule] for rule in rules))
        label = "; ".join(("3 sigma", *rules))
        stated = known["expected"]["in_control"][name]
        found = average_run_length(chart)
        yield printed(f"{label}, in control, as printed", stated, found, decimals=2 if rules else 1)
        for shift, value in zip(
            known["recomputed"]["shift_in_sigma"], known["recomputed"][name], strict=True
        ):
            yield same(f"{label}, shift {shift:g}", value, average_run_length(chart, shift=shift), rel=1e-8)


def _sums() -> Iterator[Compared]:
    from repeatab.control.charts import Cusum
    from repeatab.control.run_length import average_run_length

    known = case("arl_shewhart_and_cusum")
    for decision in (4, 5):
        chart, key = Cusum(reference=0.5, decision=decision), f"cusum_h{decision}"
        lengths = [average_run_length(chart, shift=s) for s in known["expected"]["shift_in_sigma"]]
        yield from _both(known, key, f"k = 0.5, h = {decision}", lengths)


def _averages() -> Iterator[Compared]:
    from repeatab.control.charts import Ewma
    from repeatab.control.run_length import average_run_length

    known = case("arl_ewma")
    for weight, limit in (("0.4", "3.054"), ("0.2", "2.962"), ("0.05", "2.615")):
        chart = Ewma(weight=float(weight), limit=float(limit))
        lengths = [average_run_length(chart, shift=s) for s in known["expected"]["shift_in_sigma"]]
        yield from _both(known, f"lambda_{weight}_L_{limit}", f"weight {weight}, limit {limit}", lengths)


def _both(
    known: dict[str, dict[str, list[float]]], key: str, label: str, lengths: list[float]
) -> Iterator[Compared]:
    """Run lengths as printed (three significant digits or one decimal) and as computed again."""
    shifts, stated, again = (
        known["expected"]["shift_in_sigma"],
        known["expected"][key],
        known["recomputed"][key],
    )
    for shift, print_, value, found in zip(shifts, stated, again, lengths, strict=True):
        half = 0.5 if print_ >= 100 else 0.05
        yield same(f"{label}, shift {shift:g}, as printed", print_, found, rel=0.005, near=half)
        yield same(f"{label}, shift {shift:g}", value, found, rel=1e-8)


def _check_standard() -> Iterator[Compared]:
    import numpy as np
    import pandas as pd

    from repeatab.base.quantity import TORQUE
    from repeatab.jobs.charts.from_python import control_chart
    from repeatab.jobs.charts.question import BasePeriod, Plotted

    # The six results of an occasion are replaced by six with its mean and standard deviation.
    scores = np.array([-2.0, -1.0, -1.0, 1.0, 1.0, 2.0])
    scores /= scores.std(ddof=1)
    frame = pd.DataFrame(
        [
            ("1", int(row["occasion"]), float(row["average_of_6"]) + float(row["s_of_6"]) * score)
            for row in rows("check_standard_resistivity")
            for score in scores
        ],
        columns=["rig", "visit", "result"],
    )
    outcome = control_chart(
        frame, visit="visit", base=BasePeriod(visits=25), plotted=Plotted.VISITS, quantity=TORQUE
    )
    known = case("check_standard_resistivity")
    exact, stated, numbers = known["recomputed"], known["expected"], dict(outcome.numbers)
    yield same("centre", exact["mean"], numbers["1, result: centre"], rel=1e-9)
    for side, limit in zip(("lower", "upper"), exact["limits_k3"], strict=True):
        yield same(f"{side} limit", limit, numbers[f"1, result: {side}"], rel=1e-9)
    row = outcome.table("limits").to_frame().iloc[0]
    for label, key, column, decimals in (
        ("SD within occasions", "level1_s", "within", 5), ("SD between occasions", "level2_s", "sd", 5)
    ):  # fmt: skip
        yield printed(f"{label}, as printed", stated[key], row[column], decimals=decimals)
        yield same(label, exact[key], row[column], rel=1e-8)
