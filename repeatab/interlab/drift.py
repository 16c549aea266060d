"""Drift of sets that travel from laboratory to laboratory, from the return runs at the pilot laboratory.

In: position (or time) and result of each return run, set by set.  Out: Drift: slope with standard error, the
correction for a laboratory's place in the round and its uncertainty.
Not here: results of the other laboratories, whose offsets would be mixed with the wear.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.base.errors import EstimationError, NotSeparableError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Straight-line drift per unit of position, common to all sets, each set with its own level.

    reference : the position that results are taken back to.
    df : degrees of freedom of the standard error; inf where the scatter of a run was given and not estimated.
    """

    slope: float
    standard_error: float
    df: float
    residual_sd: float
    reference: float
    interval: Interval
    p_value: float

    def change_at(self, position: FloatArray) -> FloatArray:
        """What the drift has added to a result at `position`; subtract it to take the drift out."""
        return np.asarray(
            self.slope * (np.asarray(position, dtype=np.float64) - self.reference), dtype=np.float64
        )

    def uncertainty_when_taken_out(self, position: FloatArray) -> FloatArray:
        """Standard uncertainty that the correction brings into a result at `position`: |t - reference|
        se(slope).
        """
        distance = np.abs(np.asarray(position, dtype=np.float64) - self.reference)
        return np.asarray(distance * self.standard_error, dtype=np.float64)

    def uncertainty_when_left_in(self, position: FloatArray) -> FloatArray:
        """Standard uncertainty of a result at `position` whose drift is left in.

        The change is taken as known only to lie between none and the estimated one on either side
        (rectangular), and its own uncertainty is added in squares.

        References
        ----------
        JCGM 100:2008, 4.3.7 (rectangular distribution) and F.2.4.5 (an effect that is not corrected).
        """
        known = self.change_at(position) / math.sqrt(3)
        return np.hypot(known, self.uncertainty_when_taken_out(position))


def drift(
    position: Sequence[float] | FloatArray,
    result: Sequence[float] | FloatArray,
    *,
    pad_set: Sequence[Hashable] | None = None,
    reference: float | None = None,
    run_sd: float | None = None,
    confidence: float = 0.95,
) -> Drift:
    """Least-squares slope of the return runs of one or several travelling sets.

    Parameters
    ----------
    position : (runs,) place in the sequence of laboratories, or time; the slope is per unit of it.
    result : (runs,) results of the pilot laboratory, unit of the result.
    pad_set : (runs,) which set ran; None for a single one. Sets share the slope, not the level.
    reference : position to which results are taken back; the first one unless given.
    run_sd : known standard deviation of one return run, used instead of the scatter about the line. Needed
        where each set came back once only.
    confidence : of the two-sided interval of the slope (Student's t, or normal with `run_sd`).

    Raises
    ------
    NotSeparableError
        No set ran at two positions: wear and the laboratories are one.
    EstimationError
        Unequal lengths, numbers that are not finite, no degrees of freedom and no `run_sd`, or `run_sd` not
        positive.

    References ---------- Draper & Smith (1998), Applied Regression Analysis, ch. 1; common slope: ch. 14. Use
    in a round: ISO 13528:2022, 6.1 and annex B.5 (stability).
    """
    t, y = (np.asarray(values, dtype=np.float64).ravel() for values in (position, result))
    labels = ["one set"] * t.size if pad_set is None else list(pad_set)
    _refuse(t, y, labels, run_sd)
    codes = np.array([{label: i for i, label in enumerate(dict.fromkeys(labels))}[label] for label in labels])
    t_within, y_within = _within_sets(t, codes), _within_sets(y, codes)
    return drift_of_sums(
        spread=float(np.sum(t_within**2)),
        product=float(np.sum(t_within * y_within)),
        square=float(np.sum(y_within**2)),
        runs=t.size,
        sets=int(codes.max()) + 1,
        reference=float(t[0]) if reference is None else reference,
        size=float(np.max(np.abs(t))),
        run_sd=run_sd,
        confidence=confidence,
    )


def drift_of_sums(
    *,
    spread: float,
    product: float,
    square: float,
    runs: int,
    sets: int,
    reference: float,
    size: float = 1.0,
    run_sd: float | None = None,
    confidence: float = 0.95,
) -> Drift:
    """The same from sums over the runs about the means of their sets, as cells hold them.

    Parameters
    ----------
    spread, product, square : sums of t t, t y and y y about the set means; t position, y result.
    runs, sets : how many there are in all.
    reference, run_sd, confidence : as `drift`.
    size : largest position, against which the rounding of the sums is judged.

    Raises
    ------
    NotSeparableError, EstimationError
        As `drift`.
    """
    if spread <= 1e-24 * runs * size**2:
        raise NotSeparableError(
            "drift: no set ran at the pilot laboratory at two positions, so wear and laboratories are one. "
            "Run each travelling set at the pilot laboratory before and after the round."
        )
    slope = product / spread
    rest = max(0.0, square - slope * product)
    sd, df = _scatter(rest, runs - sets - 1, run_sd)
    return _drift(slope, sd, spread, df, reference, confidence)


def _refuse(t: FloatArray, y: FloatArray, labels: list[Hashable] | list[str], run_sd: float | None) -> None:
    if not (t.size == y.size == len(labels)):
        raise EstimationError(
            f"drift: found {t.size} positions, {y.size} results and {len(labels)} sets, expected as "
            "many of each."
        )
    if t.size < 2 or not (np.all(np.isfinite(t)) and np.all(np.isfinite(y))):
        raise EstimationError(
            f"drift: found {t.size} return runs, expected at least two with finite numbers."
        )
    if run_sd is not None and not (math.isfinite(run_sd) and run_sd > 0):
        raise EstimationError(
            f"drift: found a run standard deviation of {run_sd}, expected a positive number."
        )


def _within_sets(values: FloatArray, codes: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
    means = np.bincount(codes, weights=values) / np.bincount(codes)
    return np.asarray(values - means[codes], dtype=np.float64)


def _scatter(rest: float, df: int, run_sd: float | None) -> tuple[float, float]:
    if run_sd is not None:
        return run_sd, math.inf
    if df < 1:
        raise EstimationError(
            "drift: the return runs leave no scatter about the line to judge it by. Give the "
            "standard deviation of a "
            "run, or run the sets at the pilot laboratory at least once more."
        )
    return math.sqrt(rest / df), float(df)


def _drift(slope: float, sd: float, spread: float, df: float, reference: float, confidence: float) -> Drift:
    from scipy import stats

    error = sd / math.sqrt(spread)
    factor = float(stats.t.isf((1 - confidence) / 2, df))
    # Without any scatter about the line a slope is either there or not.
    size = abs(slope) / error if error > 0 else (math.inf if slope else 0.0)
    return Drift(
        slope=slope,
        standard_error=error,
        df=df,
        residual_sd=sd,
        reference=reference,
        interval=Interval(
            lower=slope - factor * error,
            upper=slope + factor * error,
            level=confidence,
            method=IntervalMethod.STUDENT,
        ),
        p_value=2 * float(stats.t.sf(size, df)),
    )
