"""Chances of a verdict: certain cases, and more rigs never hurt where rigs are what is uncertain."""

from __future__ import annotations

from repeatab.jobs.gauge.fit import sources_of
from repeatab.jobs.gauge.sections import verdict_of
from repeatab.jobs.questions import GaugeStudy, GaugeStudySection
from repeatab.layout.terms import model_of
from repeatab.planning.gauge_designs import GaugeDesign, design_chances

QUESTION = GaugeStudy(sections=(GaugeStudySection(name="all"),))
MODEL = model_of(random=["rig", "pad_set", ("rig", "pad_set")])


def chances(designs, variances, width=None):
    return [
        chance.probability
        for chance in design_chances(
            designs, MODEL, variances, mean=0.4, sources=sources_of, level=0.95, seed=1,
            judge=lambda found: verdict_of(found, width, QUESTION), against_total=width is None,
        )
    ]  # fmt: skip


def design(rigs, sets, runs):
    return GaugeDesign(levels=(("rig", rigs), ("pad_set", sets)), runs=runs)


def test_total_counts_every_run():
    assert design(3, 8, 2).total == 48


def test_a_measurement_far_inside_the_tolerance_is_certain_to_get_a_verdict():
    variances = {"rig": 1e-8, "pad_set": 4e-4, "rig × pad_set": 0.0, "repeatability": 1e-6}
    assert chances([design(3, 6, 2)], variances, width=100.0) == [1.0]


def test_more_rigs_help_where_the_rigs_are_uncertain():
    # R&R of 0.0054 against a tolerance of 0.2: 16 %, well inside the conditional band, if only it could be shown.
    variances = {"rig": 0.005**2, "pad_set": 4e-4, "rig × pad_set": 0.0, "repeatability": 0.002**2}
    few, many = chances([design(3, 8, 2), design(20, 8, 2)], variances, width=0.2)
    assert few < 0.7 < 0.9 < many
