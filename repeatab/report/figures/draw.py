"""One entry for all figures: the class of the data decides which drawing is made."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from repeatab.outcome import figures as data
from repeatab.report.figures.style import WIDE, styled

if TYPE_CHECKING:
    from matplotlib.figure import Figure


SECTIONS_PER_PART = 20
STRIPS_PER_PART = 6
RIGS_PER_PART = 20


def parts_of(figure: data.Figure) -> int:
    """In how many parts a page shows the figure, so that each fits a sheet of paper."""
    match figure:
        case data.OffsetsBySection():
            sections = len(figure.rows)
        case data.SetsAcrossRigs() | data.RepeatabilityByRig():
            sections = len(figure.sections)
        case data.ConsistencyByLaboratory():
            sections = len(figure.laboratories)
        case data.ResultsByLaboratory():
            sections = math.ceil(len(figure.lines) * max(1, len(figure.laboratories)) / 4)
        case data.WearOfSets():
            sections = 2 * len(figure.levels)
        case data.OrderOfRuns():
            sections = len({point.section for point in figure.points})
        case data.OffsetHistory():
            sections = len(figure.series)
        case data.ReferenceHistory() | data.SmoothedHistory() | data.JointHistory():
            return max(1, math.ceil(len(figure.strips) / STRIPS_PER_PART))
        case data.RigStates():
            return max(1, math.ceil(len(figure.rigs) / RIGS_PER_PART))
        case _:
            sections = 1
    return max(1, math.ceil(sections / SECTIONS_PER_PART))


def draw(
    figure: data.Figure, *, width: float = WIDE, titled: bool = True, part: tuple[int, int] = (1, 1)
) -> Figure:
    """Draw one figure.

    Parameters
    ----------
    figure : any figure of an Outcome.
    width : in inches; the height follows from the content. NARROW suits a telephone.
    titled : whether the title stands in the picture (a page that prints it as a heading leaves it out).
    part : which of how many parts of the sections; all parts have the same scale.
    """
    with styled():
        if isinstance(figure, _OfRigs):
            return _of_rigs(figure, width, titled, part)
        if isinstance(figure, _OfLaboratories):
            return _of_laboratories(figure, width, titled, part)
        return _of_months_or_plans(figure, width, titled, part)


_OfRigs = (
    data.OffsetsBySection
    | data.ScatterSources
    | data.SetsAcrossRigs
    | data.RepeatabilityByRig
    | data.OrderOfRuns
    | data.WhatMoreRunsBuy
)
_OfLaboratories = (
    data.ConsistencyByLaboratory
    | data.ResultsByLaboratory
    | data.PairsOfLevels
    | data.PrecisionByLevel
    | data.WearOfSets
)
_OfMonthsOrPlans = (
    data.OffsetHistory
    | data.ReferenceHistory
    | data.SmoothedHistory
    | data.JointHistory
    | data.RigStates
    | data.VerdictAgainstOffset
    | data.HoursAgainstGain
)


def _of_rigs(figure: _OfRigs, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    match figure:
        case data.OffsetsBySection():
            from repeatab.report.figures.offsets import draw_offsets

            return draw_offsets(figure, width, titled, part)
        case data.ScatterSources():
            from repeatab.report.figures.scatter import draw_scatter

            return draw_scatter(figure, width, titled)
        case data.SetsAcrossRigs():
            from repeatab.report.figures.sets import draw_sets

            return draw_sets(figure, width, titled, part)
        case data.RepeatabilityByRig():
            from repeatab.report.figures.repeatability import draw_repeatability

            return draw_repeatability(figure, width, titled, part)
        case data.OrderOfRuns():
            from repeatab.report.figures.order import draw_order

            return draw_order(figure, width, titled, part)
        case data.WhatMoreRunsBuy():
            from repeatab.report.figures.more_runs import draw_more_runs

            return draw_more_runs(figure, width, titled)


def _of_laboratories(figure: _OfLaboratories, width: float, titled: bool, part: tuple[int, int]) -> Figure:
    match figure:
        case data.ConsistencyByLaboratory():
            from repeatab.report.figures.consistency import draw_consistency

            return draw_consistency(figure, width, titled, part)
        case data.ResultsByLaboratory():
            from repeatab.report.figures.laboratories import draw_laboratories

            return draw_laboratories(figure, width, titled, part)
        case data.PairsOfLevels():
            from repeatab.report.figures.pairs import draw_pairs

            return draw_pairs(figure, width, titled)
        case data.PrecisionByLevel():
            from repeatab.report.figures.precision import draw_precision

            return draw_precision(figure, width, titled)
        case data.WearOfSets():
            from repeatab.report.figures.wear import draw_wear

            return draw_wear(figure, width, titled, part)


def _of_months_or_plans(
    figure: _OfMonthsOrPlans, width: float, titled: bool, part: tuple[int, int]
) -> Figure:
    match figure:
        case data.OffsetHistory():
            from repeatab.report.figures.offset_history import draw_offset_history

            return draw_offset_history(figure, width, titled, part)
        case data.ReferenceHistory() | data.SmoothedHistory() | data.JointHistory():
            from repeatab.report.figures.history import draw_history

            return draw_history(figure, width, titled, part)
        case data.RigStates():
            from repeatab.report.figures.rig_states import draw_rig_states

            return draw_rig_states(figure, width, titled, part)
        case data.VerdictAgainstOffset():
            from repeatab.report.figures.plans import draw_verdicts

            return draw_verdicts(figure, width, titled)
        case data.HoursAgainstGain():
            from repeatab.report.figures.plans import draw_plans

            return draw_plans(figure, width, titled)
