"""A round robin worked through: everything the report shows, before it is put into words.

In: the question and all results.  Out: RoundStudy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError, StudyError
from repeatab.base.quantity import FRICTION, KNOWN_QUANTITIES, Quantity
from repeatab.cell_files import CellTable
from repeatab.intake.results import Results
from repeatab.interlab.level_dependence import FormFit, LevelDependence, level_dependence
from repeatab.interlab.precision import Precision
from repeatab.jobs.rounds.analysis import RoundAnalysis, analyse
from repeatab.jobs.rounds.checks import unit_slips
from repeatab.jobs.rounds.codes import codes_of
from repeatab.jobs.rounds.components import LevelComponents, level_components
from repeatab.jobs.rounds.data import Label, RoundData
from repeatab.jobs.rounds.gathering import round_data
from repeatab.jobs.rounds.lot import LotCheck, lot_checks
from repeatab.jobs.rounds.question import RoundRobin, SetKind
from repeatab.jobs.rounds.scores import RoundScores, round_scores
from repeatab.jobs.rounds.sets import LevelDrift, drifts, set_kind, without_drift, without_return_runs
from repeatab.outcome.outcome import DataFinding, InputFile


@dataclass(frozen=True, kw_only=True)
class RoundStudy:
    """A round robin with all that follows from its results.

    data : what the numbers rest on: without return runs, and without the drift where it is taken out.
    dependence : of s_r and s_R on the level, None where there are too few levels.
    codes : of the laboratories, {} where no participants' pages are asked for.
    """

    question: RoundRobin
    quantity: Quantity
    data: RoundData
    analysis: RoundAnalysis
    kinds: Mapping[Label, SetKind]
    drifts: Mapping[Label, LevelDrift]
    components: tuple[LevelComponents, ...]
    dependence: Mapping[str, LevelDependence]
    scores: RoundScores | None
    lot: tuple[LotCheck, ...]
    codes: Mapping[Label, str]
    findings: tuple[DataFinding, ...]
    inputs: tuple[InputFile, ...]

    @property
    def drift_taken_out(self) -> bool:
        asked = self.question.travelling
        return asked is not None and asked.take_out

    def recommended(self, name: str) -> FormFit | None:
        """The recommended form for "s_r" or "s_R"."""
        found = self.dependence.get(name)
        if found is None or found.recommended is None:
            return None
        return found.fit(found.recommended)


def work_through(
    question: RoundRobin,
    results: Results | None,
    tables: Sequence[CellTable] = (),
    *,
    homogeneity_runs: Results | None = None,
    stability_runs: Results | None = None,
) -> RoundStudy:
    """Analyse a round robin.

    Raises
    ------
    StudyError, InputError
        The results do not fit the question; see `round_data`, `drifts`, `round_scores` and `lot_checks`.
    EstimationError
        No level holds results of two laboratories.
    """
    everything = round_data(question, results, tables)
    wear: dict[Label, LevelDrift] = {}
    data = everything
    if question.travelling is not None:
        wear = drifts(everything, question.travelling, confidence=question.confidence)
        data = without_return_runs(everything, question.travelling)
        if question.travelling.take_out:
            data = without_drift(data, wear)
    analysis = analyse(question, data)
    kinds = {level: set_kind(data, level, stated=question.sets) for level in data.levels}
    lot, scores = _scored(question, data, analysis, wear, homogeneity_runs, stability_runs)
    quantity = _quantity(results, tables)
    findings = [finding for one in analysis.levels for finding in unit_slips(one.every, quantity.unit)]
    read = () if results is None else results.findings
    raw = () if results is None else results.inputs
    return RoundStudy(
        question=question,
        quantity=quantity,
        data=data,
        analysis=analysis,
        kinds=kinds,
        drifts=wear,
        components=level_components(question, data, kinds),
        dependence=_dependence(analysis),
        scores=scores,
        lot=lot,
        codes={} if question.code_seed is None else codes_of(data.laboratories, question.code_seed),
        findings=(*findings, *read, *everything.findings),
        inputs=(*raw, *(table.input for table in tables)),
    )


def _quantity(results: Results | None, tables: Sequence[CellTable]) -> Quantity:
    if results is not None:
        return results.quantity
    known = [table.quantity for table in tables if table.quantity in KNOWN_QUANTITIES]
    return KNOWN_QUANTITIES[known[0]] if known else FRICTION


def _scored(
    question: RoundRobin,
    data: RoundData,
    analysis: RoundAnalysis,
    wear: Mapping[Label, LevelDrift],
    homogeneity_runs: Results | None,
    stability_runs: Results | None,
) -> tuple[tuple[LotCheck, ...], RoundScores | None]:
    if question.scoring is None:
        if homogeneity_runs is not None or stability_runs is not None:
            raise StudyError(
                "scores.sigma_pt: is missing. Homogeneity and stability are judged against 0.3 sigma_pt, the "
                "organiser's decision number."
            )
        return (), None
    taken_out = question.travelling is not None and question.travelling.take_out
    first = round_scores(question.scoring, data, analysis, wear, {}, drift_taken_out=taken_out)
    sigma = {one.level: one.sigma_pt for one in first.assigned}
    lot = lot_checks(sigma, homogeneity_runs, stability_runs)
    sets_sd = {check.level: check.sets_sd for check in lot if check.sets_sd > 0}
    if not sets_sd:
        return lot, first
    return lot, round_scores(question.scoring, data, analysis, wear, sets_sd, drift_taken_out=taken_out)


def _dependence(analysis: RoundAnalysis) -> dict[str, LevelDependence]:
    """How s_r and s_R depend on the level, over the levels that have both."""
    found = [one.precision for one in analysis.levels if isinstance(one.precision, Precision)]
    means = np.array([p.mean for p in found])
    df = {
        "s_r": np.array([float(p.repeatability_df) for p in found]),
        "s_R": np.array([float(p.laboratories - 1) for p in found]),
    }
    made = {}
    for name, degrees in df.items():
        try:
            made[name] = level_dependence(means, np.array([getattr(p, name) for p in found]), degrees)
        except EstimationError:
            continue
    return made
