"""Names that sentences, tables and figures of a control chart share.

In: sections, sides, forms of points, what a series may have changed by.  Out: text.
"""

from __future__ import annotations

import numpy as np

from repeatab.control.signals import Side
from repeatab.jobs.charts.data import ReferenceData
from repeatab.jobs.charts.question import Plotted
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.series_limits import SeriesLimits
from repeatab.jobs.charts.wear import changed
from repeatab.jobs.wording import p_value

TOGETHER = "sections together"


def section_name(section: str) -> str:
    """A section as tables and figures name it."""
    return section or TOGETHER


def in_a_sentence(section: str) -> str:
    """A section as a sentence names it."""
    return section or f"the {TOGETHER}"


def neighbours_words(limits: SeriesLimits) -> str:
    """What the test on neighbours led to."""
    test = limits.neighbours
    if limits.recorded is not None and limits.model is None:
        return "points are charted, as then"
    if test is None and limits.model is None:
        return "too few base visits to test"
    if limits.model is not None:
        return f"residuals are charted (carry-over {limits.model.carry:.2f})"
    assert test is not None
    return f"points are charted ({p_value(test.p)})"


def of_what(series: Series | None, data: ReferenceData) -> str:
    """What a change on this chart is a change of."""
    if series is None:
        return "a change of the rig"
    sets = () if series.wear is None else tuple(data.sources[i] for i in np.unique(series.cells.source))
    return changed(series.wear, series.rig, sets, len(data.rigs))


def times(ratio: float) -> str:
    """A ratio of standard deviations; two digits are more than few runs know."""
    return f"{ratio:.2g}" if ratio < 99.5 else f"{ratio:.0f}"


def side_word(side: Side) -> str:
    """The side of a signal as tables name it."""
    return {Side.UP: "up", Side.DOWN: "down", Side.EITHER: "either"}[side]


PLOTTED_WORDS = {
    Plotted.SINGLE: "means of visits as single results",
    Plotted.MEAN_AND_RANGE: "mean and range of each visit, limits from the scatter within visits",
    Plotted.MEAN_AND_SD: "mean and standard deviation of each visit, limits from the scatter within visits",
    Plotted.VISITS: "means of visits, visit-to-visit and within-visit scatter kept apart",
}
