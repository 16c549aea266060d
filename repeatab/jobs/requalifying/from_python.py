"""The requalification from Python: a dataframe and what the lab decides, an Outcome back.

In: run results as a dataframe or Results, labels, margins, burdens.  Out: an Outcome.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin
from repeatab.base.quantity import FRICTION, Quantity
from repeatab.intake.results import Results
from repeatab.jobs.from_python import margin_of, read_columns
from repeatab.jobs.questions import Analysis, RunCost
from repeatab.jobs.requalification import requalify_rig
from repeatab.jobs.requalifying.question import (
    Burden,
    Burdens,
    Check,
    Requalification,
    RequalSection,
    StatedDrift,
)
from repeatab.outcome.outcome import Outcome


def requalify(
    data: Any,
    *,
    moved_rig: Any,
    margin: Margin | float | Mapping[str, Margin | float],
    repeatability_limit: float,
    level_burden: Burden | str,
    repeatability_burden: Burden | str,
    sister_burden: Burden | str | None = None,
    sister_margin: Margin | float | Mapping[str, Margin | float] | None = None,
    control_rigs: Sequence[Any] = (),
    sister_rig: Any | None = None,
    before: Any = "before",
    after: Any = "after",
    result: str = "result",
    rig: str = "rig",
    phase: str = "phase",
    pad_set: str = "pad_set",
    section: str | None = None,
    visit: str | None = None,
    pad_lot: str | None = None,
    time: str | None = None,
    inform: tuple[str, ...] = (),
    ordinary_drift: float | StatedDrift | None = None,
    nothing_else_changed: str = "",
    looks: tuple[int, ...] = (),
    checklist: tuple[Check, ...] = (),
    confidence: float = 0.95,
    analysis: Analysis = Analysis.DIFFERENCE,
    covariates: tuple[str, ...] = (),
    beside: tuple[str, ...] = (),
    quantity: Quantity = FRICTION,
    cost: RunCost | None = None,
) -> Outcome:
    """Requalify a rig from a dataframe or Results: the requalification from Python.

    Parameters
    ----------
    data : Results, or a dataframe with one row per run (and section).
    moved_rig, control_rigs, sister_rig : labels of the rig that was moved, of rigs that stayed and ran in both
        phases, and of the rig it is compared with afterwards.
    before, after : labels of the phases.
    margin, sister_margin : the largest shift, and the largest offset to the sister rig, that do not matter: a
        Margin, a number in the unit of the result, or one of these per section.
    repeatability_limit : largest ratio of standard deviations after / before that would do, above 1.
    level_burden, repeatability_burden, sister_burden : "must be shown" or "must not be contradicted".
    result, rig, phase, pad_set, section, visit, pad_lot, time : column names of a dataframe.
    inform : sections that only inform.
    beside : further columns of labels, such as the disc batch: what changed with the move is looked for there.
    ordinary_drift : SD of a rig's ordinary drift between visits, from the lab's records.
    nothing_else_changed : without controls, why only the move can have changed the level.

    Returns
    -------
    Outcome

    Raises
    ------
    StudyError, InputError
    """
    columns = {"result": result, "rig": rig, "phase": phase, "pad_set": pad_set, "section": section,
               "visit": visit, "pad_lot": pad_lot, "time": time}  # fmt: skip
    results = (
        data
        if isinstance(data, Results)
        else read_columns(data, columns, quantity=quantity, covariates=covariates, factors=beside)
    )
    names = results.levels("section") if "section" in results.factors else ("result",)
    drift = StatedDrift(sd=ordinary_drift) if isinstance(ordinary_drift, int | float) else ordinary_drift
    sections = tuple(
        RequalSection(
            name=str(name), margin=margin_of(margin, str(name)), decides=name not in inform, drift=drift,
            sister_margin=None if sister_margin is None else margin_of(sister_margin, str(name)),
        )
        for name in names
    )  # fmt: skip
    question = Requalification(
        moved_rig=moved_rig, control_rigs=tuple(control_rigs), before=before, after=after, sections=sections,
        repeatability_limit=repeatability_limit, sister_rig=sister_rig,
        burdens=Burdens(
            level=burden_of(level_burden), repeatability=burden_of(repeatability_burden),
            sister=None if sister_burden is None else burden_of(sister_burden),
        ),
        nothing_else_changed=nothing_else_changed, looks=looks, checklist=checklist, confidence=confidence,
        analysis=analysis, covariates=covariates, cost=cost or RunCost(),
    )  # fmt: skip
    return requalify_rig(question, results)


def burden_of(text: Burden | str) -> Burden:
    """The burden that a word stands for.

    Raises
    ------
    StudyError
    """
    try:
        return Burden(text)
    except ValueError:
        raise StudyError.unknown_choice("burden", str(text), allowed=[b.value for b in Burden]) from None
