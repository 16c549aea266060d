"""What a control chart refuses: limits that are not stated, a base period at the end, no limits at all.

In: question, data, series, regimes.  Out: nothing, or an error that says what to do.
"""

from __future__ import annotations

from collections.abc import Mapping

from repeatab.base.errors import EstimationError, StudyError, listed, nearest
from repeatab.jobs.charts.data import Key, ReferenceData
from repeatab.jobs.charts.question import ControlChart
from repeatab.jobs.charts.series import Series
from repeatab.jobs.charts.watch import Watched


def refuse_unstated(question: ControlChart, data: ReferenceData) -> None:
    """Refuse limits of a reference that did not run, and series without limits or a base period to form them."""
    for one in question.limits:
        if one.rests_on is None and one.reference is not None and one.reference not in data.sources:
            raise StudyError(
                f"limits of {one.rig}, {one.section}: the reference '{one.reference}' is not in the results; there are "
                f"{listed(data.sources)}.{nearest(one.reference, data.sources)} Correct it, or leave it out."
            )
    if question.base is not None:
        return
    stated = {(one.rig, one.section) for one in question.limits}
    lacking = [key for key in data.cells if key not in stated]
    if lacking:
        rig, section = lacking[0]
        known = [f"{one.rig}, {one.section}" for one in question.limits]
        raise StudyError(
            f"limits: none are stated for {rig}, {section}, and there is no base period to form them from."
            f"{nearest(f'{rig}, {section}', known)} State a base period, or these limits too."
        )


def refuse_base_at_the_end(question: ControlChart, series: Mapping[Key, Series]) -> None:
    """Refuse a base period after everything that is to be judged: it judges nothing."""
    if question.base is None or any(r.new.size for one in series.values() for r in one.regimes):
        return
    early = [one for one in series.values() if one.regimes[0].base.size and one.regimes[0].base[0] > 0]
    if early:
        start = question.base.start or ""
        raise StudyError(
            f"base: the base period (from {start}) lies after the results that are to be judged: the last "
            "result is of "
            f"{early[0].visits.when(len(early[0].visits) - 1)}. Limits come first, new results after them: "
            "end the base "
            "period before the results in question."
        )


def refuse_nothing(watched: Mapping[Key, tuple[Watched, ...]]) -> None:
    """Refuse to go on where no rig and section has limits."""
    if all(one.limits is None for regimes in watched.values() for one in regimes):
        (rig, section), regimes = next(iter(watched.items()))
        raise EstimationError(f"no limits can be formed. {rig}, {section}: {regimes[0].trouble}")
