"""Assigned values and scores of a round robin, with the wear of travelling sets in their uncertainty.

In: the data, its analysis and the organiser's decisions.  Out: RoundScores.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.errors import StudyError, listed
from repeatab.estimation.robust import algorithm_a
from repeatab.interlab.consensus import Consensus, consensus
from repeatab.interlab.drift import Drift
from repeatab.interlab.scores import (
    AssignedBasis,
    AssignedValue,
    Signal,
    e_n_score,
    negligible_beside,
    robust_assigned_value,
    signal_of_z,
    z_prime_score,
    z_score,
    zeta_score,
)
from repeatab.jobs.rounds.analysis import LevelAnalysis, RoundAnalysis
from repeatab.jobs.rounds.data import Label, RoundData
from repeatab.jobs.rounds.question import Scoring
from repeatab.jobs.rounds.sets import LevelDrift

REPEATS_ONLY = "its own repeats (s_r over the root of their number), since it states none"


@dataclass(frozen=True, kw_only=True)
class AssignedLevel:
    """What the results of a level are held against.

    sets_sd : between-set standard deviation of a lot that is not homogeneous enough, else 0. weighted : the
    consensus behind a weighted assigned value. uncertainty_from : where its uncertainty comes from, if it needs
    saying.
    """

    level: Label
    assigned: AssignedValue
    sigma_pt: float
    sets_sd: float = 0.0
    weighted: Consensus | None = None
    uncertainty_from: str = ""


@dataclass(frozen=True, kw_only=True)
class Score:
    """One laboratory at one level.

    u_total : standard uncertainty that the comparison brings in: of the assigned value, of the drift at the
    laboratory's place in the round, and of sets that are not alike. judged : z' where that is not negligible
    beside sigma_pt, else z. zeta and e_n need the laboratory's stated uncertainty u_x.
    """

    laboratory: Label
    level: Label
    result: float
    u_x: float | None
    u_drift: float
    u_total: float
    z: float
    z_prime: float
    zeta: float | None
    e_n: float | None

    uses_z_prime: bool

    @property
    def judged(self) -> float:
        return self.z_prime if self.uses_z_prime else self.z

    @property
    def signal(self) -> Signal:
        return signal_of_z(self.judged)


_GRAVITY = {Signal.ACCEPTABLE: 0, Signal.WARNING: 1, Signal.ACTION: 2}


@dataclass(frozen=True, kw_only=True)
class RoundScores:
    """Assigned values by level and the scores of every laboratory."""

    assigned: tuple[AssignedLevel, ...]
    scores: tuple[Score, ...]
    reference_laboratory: Label | None = None

    def of(self, laboratory: Label) -> tuple[Score, ...]:
        """The scores of one laboratory, level by level."""
        return tuple(score for score in self.scores if score.laboratory == laboratory)

    def at(self, level: Label) -> AssignedLevel:
        """The assigned value of a level."""
        return next(one for one in self.assigned if one.level == level)

    def worst(self, laboratory: Label) -> Signal | None:
        """The gravest signal of a laboratory; None where it has no score."""
        signals = [score.signal for score in self.of(laboratory)]
        return max(signals, key=_GRAVITY.__getitem__) if signals else None


def round_scores(
    scoring: Scoring,
    data: RoundData,
    analysis: RoundAnalysis,
    drifts: Mapping[Label, LevelDrift],
    sets_sd: Mapping[Label, float],
    *,
    drift_taken_out: bool,
) -> RoundScores:
    """Score every laboratory at every level.

    Parameters
    ----------
    drifts : of travelling sets, {} for others. sets_sd : by level, where the lot is not homogeneous enough.
    drift_taken_out : whether the results are free of the drift already.

    Raises
    ------
    StudyError
        A decision of the organiser is missing, the reference laboratory is not in the results, or some
        laboratories state an uncertainty and others do not where a weighted consensus needs all.
    """
    reference = _reference(scoring, data)
    assigned, scores = [], []
    for one in analysis.levels:
        found = _assigned(scoring, data, one, reference)
        found = replace(found, sets_sd=sets_sd.get(one.level, 0.0))
        assigned.append(found)
        known = drifts.get(one.level)
        drift = None if known is None else known.drift
        at = _places(data, one, drift, scoring.basis, reference)
        for index, laboratory in enumerate(one.every.laboratories):
            if laboratory == reference:
                continue
            u_drift = 0.0 if drift is None else _drift_uncertainty(drift, at, index, drift_taken_out)
            scores.append(_score(found, data, one, index, u_drift))
    return RoundScores(assigned=tuple(assigned), scores=tuple(scores), reference_laboratory=reference)


def _reference(scoring: Scoring, data: RoundData) -> Label | None:
    if scoring.basis is not AssignedBasis.REFERENCE_LABORATORY:
        return None
    for laboratory in data.laboratories:
        if str(laboratory) == str(scoring.reference_laboratory):
            return laboratory
    raise StudyError(
        f"reference_laboratory: '{scoring.reference_laboratory}' is not in the results; there are "
        f"{listed(data.laboratories)}."
    )


def _assigned(
    scoring: Scoring, data: RoundData, one: LevelAnalysis, reference: Label | None
) -> AssignedLevel:
    weighted, words = None, ""
    match scoring.basis:
        case AssignedBasis.ROBUST_CONSENSUS:
            centre = algorithm_a(one.every.mean)
            assigned = robust_assigned_value(centre.mean, centre.sd, one.every.p)
        case AssignedBasis.WEIGHTED_CONSENSUS:
            u, words = _uncertainties(data, one)
            weighted = consensus(one.every.mean, u, scoring.consensus)
            assigned = AssignedValue(
                value=weighted.value, standard_uncertainty=weighted.standard_uncertainty, basis=scoring.basis
            )
        case AssignedBasis.REFERENCE_LABORATORY:
            assigned, words = _of_reference(data, one, reference)
        case AssignedBasis.STATED:
            stated = scoring.stated_at(one.level)
            assigned = AssignedValue(
                value=stated.value, standard_uncertainty=stated.standard_uncertainty, basis=scoring.basis
            )
    sigma = scoring.spread_at(one.level).beside(assigned.value)
    return AssignedLevel(
        level=one.level, assigned=assigned, sigma_pt=sigma, weighted=weighted, uncertainty_from=words
    )


def _of_reference(data: RoundData, one: LevelAnalysis, reference: Label | None) -> tuple[AssignedValue, str]:
    if reference not in one.every.laboratories:
        raise StudyError(
            f"reference_laboratory: '{reference}' has no result at level '{one.level}', so that level has no "
            "assigned value. Leave the level out, or take a consensus."
        )
    index = one.every.laboratories.index(reference)
    u = data.stated.get((reference, one.level))
    words = "" if u is not None else REPEATS_ONLY
    assigned = AssignedValue(
        value=float(one.every.mean[index]),
        standard_uncertainty=u if u is not None else _from_repeats(one)[index],
        basis=AssignedBasis.REFERENCE_LABORATORY,
    )
    return assigned, words


def _uncertainties(data: RoundData, one: LevelAnalysis) -> tuple[list[float], str]:
    stated = [data.stated.get((laboratory, one.level)) for laboratory in one.every.laboratories]
    known = [u for u in stated if u is not None]
    if not known:
        return _from_repeats(
            one
        ), "the laboratories' repeats (s_r over the root of their number): none is stated"
    if len(known) < len(stated):
        lacking = [lab for lab, u in zip(one.every.laboratories, stated, strict=True) if u is None]
        raise StudyError(
            f"level '{one.level}': {listed(lacking)} states no uncertainty and others do, so a weighted consensus "
            "has no weight for it. Take the robust consensus, ask for the uncertainty, or leave the column out."
        )
    return known, ""


def _from_repeats(one: LevelAnalysis) -> list[float]:
    s_r = getattr(one.precision, "s_r", None)
    if not s_r:
        raise StudyError(
            f"level '{one.level}': no laboratory states an uncertainty and there is no scatter of repeats to take "
            "one from. Take the robust consensus or a stated value."
        )
    return [float(s_r / math.sqrt(n)) for n in one.every.count]


def _places(
    data: RoundData, one: LevelAnalysis, drift: Drift | None, basis: AssignedBasis, reference: Label | None
) -> list[float | None]:
    """How far each laboratory's runs lie from where the assigned value belongs to, in runs of the set.

    A consensus belongs to the middle of the places, the reference laboratory's value to its own, a stated value
    to the set as it was at the pilot laboratory's first visit.
    """
    if drift is None:
        return []
    places = {laboratory: data.position(laboratory, one.level) for laboratory in one.every.laboratories}
    known = [place for place in places.values() if place is not None]
    origin = drift.reference
    if basis in (AssignedBasis.ROBUST_CONSENSUS, AssignedBasis.WEIGHTED_CONSENSUS) and known:
        origin = float(np.mean(known))
    elif reference is not None and places.get(reference) is not None:
        origin = float(places[reference])  # type: ignore[arg-type]
    return [None if place is None else place - origin for place in places.values()]


def _drift_uncertainty(drift: Drift, at: list[float | None], index: int, taken_out: bool) -> float:
    distance = at[index]
    if distance is None:
        # Somewhere in the round: the farthest place is on the safe side.
        distance = max((abs(place) for place in at if place is not None), default=0.0)
    about = replace(drift, reference=0.0)
    place = np.array([distance])
    u = about.uncertainty_when_taken_out(place) if taken_out else about.uncertainty_when_left_in(place)
    return float(u[0])


def _score(found: AssignedLevel, data: RoundData, one: LevelAnalysis, index: int, u_drift: float) -> Score:
    laboratory, x = one.every.laboratories[index], one.every.mean[index : index + 1]
    u_x = data.stated.get((laboratory, one.level))
    total = math.hypot(found.assigned.standard_uncertainty, u_drift, found.sets_sd)
    value, sigma = found.assigned.value, found.sigma_pt
    own = None if u_x is None else np.array([u_x])
    return Score(
        laboratory=laboratory,
        level=one.level,
        result=float(x[0]),
        u_x=u_x,
        u_drift=u_drift,
        u_total=total,
        z=float(z_score(x, value, sigma)[0]),
        z_prime=float(z_prime_score(x, value, sigma, total)[0]),
        zeta=None if own is None else float(zeta_score(x, value, own, total)[0]),
        e_n=None if own is None else float(e_n_score(x, value, 2 * own, 2 * total)[0]),
        uses_z_prime=not negligible_beside(total, sigma),
    )
