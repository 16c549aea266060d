"""The study file of a control chart: words become types, chart numbers follow from shift and rate, what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.rules import PUBLISHED_RULES
from repeatab.control.run_length import average_run_length
from repeatab.control.scatter import ScatterMethod
from repeatab.jobs.charts.question import (
    BasePeriod,
    ChartedSection,
    ControlChart,
    JointWatch,
    Plotted,
    Reference,
    Residuals,
    StatedLimits,
)
from repeatab.study.loading import Study

Load = Callable[..., Study]
Refusal = Callable[..., str]

CHART = """\
job = "control_chart"
title = "Reference pads"

[chart]
shift = 1.5

[base]
until = 2025-06-30

[results]
files = "history.csv"
quantity = "friction"

[columns]
result = "mu"
rig = "rig"
visit = "visit"
section = "section"

[sections."fade 1"]
[sections."recovery"]
decides = false
"""


def question(study: Study) -> ControlChart:
    assert isinstance(study.question, ControlChart)
    return study.question


def test_the_least_that_a_file_says(load: Load) -> None:
    found = question(load(base=CHART))
    assert found == ControlChart(
        sections=(ChartedSection(name="fade 1"), ChartedSection(name="recovery", decides=False)),
        base=BasePeriod(until="2025-06-30"),
        shift=1.5,
    )


def test_words_become_types(load: Load) -> None:
    study = load(
        "shift = 1.5",
        'shift = 1.0\nin_control = 200\npoints = "mean and range"\nlimit = 2.5\nrobust = true\nscreening = true\n'
        'rules = ["nine on one side", "Two of three beyond two sigma"]\nscatter = "standard deviation"\n'
        'residuals = "never"',
        base=CHART.replace(
            "[results]",
            '[events]\nfile = "log.csv"\ncolumns = { date = "when" }\nrestart_at = ["relocation"]\nclosing = []\n'
            '[joint]\nweight = 0.1\n[[limits]]\nrig = "R1"\nsection = "fade 1"\ncentre = 0.4\nsd = 0.004\nbase = 24\n'
            "[results]",
        ).replace(
            'title = "Reference pads"', 'title = "T"\nrigs = ["R1"]\nreference = "fresh sets of a lot"'
        ),
    )
    found = question(study)
    rules = tuple(PUBLISHED_RULES[name] for name in ("nine on one side", "two of three beyond two sigma"))
    assert found.shewhart == Shewhart(limit=2.5, rules=rules)
    assert (found.plotted, found.scatter) == (Plotted.MEAN_AND_RANGE, ScatterMethod.STANDARD_DEVIATION)
    assert (found.robust, found.screening, found.residuals) == (True, True, Residuals.NEVER)
    assert (found.rigs, found.reference) == (("R1",), Reference.LOT)
    assert found.joint == JointWatch(weight=0.1, in_control=200)
    assert found.limits == (StatedLimits(rig="R1", section="fade 1", centre=0.4, sd=0.004, base=24),)
    assert (found.restart_at, found.closing) == (("relocation",), ())
    assert study.events is not None
    assert (study.events.file, dict(study.events.columns)) == ("log.csv", {"date": "when"})


def test_chart_numbers_follow_from_shift_and_rate_of_false_alarms(load: Load) -> None:
    found = question(load("[results]", "[ewma]\n[cusum]\n[results]", base=CHART))
    assert isinstance(found.ewma, Ewma)
    assert isinstance(found.cusum, Cusum)
    # Rounded to what can be quoted, and still what was asked for.
    assert average_run_length(found.ewma) == pytest.approx(370, rel=0.01)
    assert average_run_length(found.cusum) == pytest.approx(370, rel=0.01)
    assert found.cusum.reference == 0.75
    stated = question(load("[results]", "[ewma]\nweight = 0.2\nlimit = 2.86\n[results]", base=CHART))
    assert stated.ewma == Ewma(weight=0.2, limit=2.86)
    half = question(load("[results]", "[ewma]\nweight = 0.2\n[results]", base=CHART))
    assert half.ewma is not None
    assert half.ewma.weight == 0.2
    assert average_run_length(half.ewma) == pytest.approx(370, rel=0.01)


def test_limits_of_ratios_are_stated_as_the_page_shows_them(load: Load) -> None:
    stated = '[[limits]]\nrig = "R1"\nsection = "fade 1"\ncentre = 0.4\nsd = 1.0\nwithin_sd = 2.0\nbase = 24\n[results]'
    base = CHART.replace('title = "Reference pads"', 'title = "T"\nanalysis = "ratio"')
    (found,) = question(load("[results]", stated, base=base)).limits
    assert math.exp(found.centre) == pytest.approx(0.4)
    assert found.within_sd is not None
    assert (100 * math.expm1(found.sd), 100 * math.expm1(found.within_sd)) == pytest.approx((1.0, 2.0))


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("shift = 1.5\n", "", ("chart.shift", "is missing", "standard deviations")),
        ("[base]\nuntil = 2025-06-30\n", "", ("base", "is missing", "[[limits]]", "20 visits")),
        ("until = 2025-06-30", "", ("base", "until", "visits")),
        ("until = 2025-06-30", "visits = 2", ("at least 3 visits",)),
        ('visit = "visit"\n', "", ("columns.visit", "time", "order")),
        ("shift = 1.5", 'shift = 1.5\nrules = ["nine on a side"]', ("Did you mean 'nine on one side'",)),
        ("shift = 1.5", 'shift = 1.5\nscatter = "moving ranges"', ("scatter", "Did you mean 'moving range'")),
        ("shift = 1.5", 'shift = 1.5\npoints = "visit"', ("points", "Did you mean 'visits'")),
        ("[results]", "[ewma]\nlimit = 2.8\n[results]", ("ewma.weight", "is missing")),
        ("[results]", "[cusum]\nreference = 0.5\n[results]", ("cusum", "together")),
        ("[results]", '[events]\ncolumns = { day = "d" }\n[results]', ("events", "'day'")),
        ('title = "Reference pads"', 'title = "T"\nreference = "the same set again"', ("columns.pad_set",)),
        ('title = "Reference pads"', 'title = "T"\ncovariates = ["temp"]', ("covariates",)),
    ],
)
def test_what_is_missing_or_wrong_is_said(
    refusal: Refusal, old: str, new: str, parts: tuple[str, ...]
) -> None:
    message = refusal(old, new, base=CHART)
    for part in ("study.toml", *parts):
        assert part in message


def test_a_joint_chart_needs_several_sections(refusal: Refusal) -> None:
    base = CHART.replace('[sections."recovery"]\ndecides = false\n', "")
    assert "at least two" in refusal("[results]", "[joint]\n[results]", base=base)
