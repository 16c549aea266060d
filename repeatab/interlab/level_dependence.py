"""How a standard deviation depends on the level: the standard's three functional forms, and which to use.

In: means and standard deviations (s_r, or s_R) per level.  Out: the fits and a recommendation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from repeatab.base.errors import EstimationError
from repeatab.cells import FloatArray


class Form(Enum):
    """The forms of ISO 5725-2, 7.5.2, and the absence of any dependence."""

    CONSTANT = "s constant"
    PROPORTIONAL = "s = b m"
    LINEAR = "s = a + b m"
    POWER = "lg s = c + d lg m"


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFit:
    """One fitted form.

    intercept, slope : a and b of the straight line (a = 0 for a proportion, b = 0 for a constant), or c and d
        of the power law.
    fitted : standard deviation that the form gives at each level, in the order of the input.
    deviance : misfit; a sum of one term per level, about 1 each where the form holds and the df are right.
    """

    form: Form
    intercept: float
    slope: float
    fitted: tuple[float, ...]
    deviance: float

    def at(self, mean: float) -> float:
        """The standard deviation this form gives at a level of mean `mean`."""
        if self.form is Form.POWER:
            return float(10 ** (self.intercept + self.slope * math.log10(mean)))
        return self.intercept + self.slope * mean


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDependence:
    """The forms that the data allow, in the order of the standard, and the one to use.

    recommended : the form of least deviance plus two per coefficient; of two within 2 of each other the
        simpler. None where there are fewer than three levels: two points lie on every line.
    """

    fits: tuple[FormFit, ...]
    recommended: Form | None

    def fit(self, form: Form) -> FormFit:
        """The fit of one form; KeyError where the data did not allow it."""
        for found in self.fits:
            if found.form is form:
                return found
        raise KeyError(f"the form '{form.value}' could not be fitted to these levels")


def level_dependence(
    means: FloatArray, sds: FloatArray, degrees_of_freedom: FloatArray, *, steps: int = 2
) -> LevelDependence:
    """Fit the three forms of the standard and a constant.

    Parameters
    ----------
    means, sds : (levels,) general mean and standard deviation of each level; the same unit.
    degrees_of_freedom : (levels,) of each standard deviation; they weigh the recommendation only, since the
        standard's fits do not use them.
    steps : reweightings of the straight line. The standard takes weights 1/s^2 from the data, then from the
        first line, and calls the second line (steps = 2) the final one.

    Raises
    ------
    EstimationError
        Unequal lengths, fewer than two levels, or numbers that are not finite or negative.

    References
    ----------
    ISO 5725-2:1994, 7.5.
    """
    m, s, df = (np.asarray(values, dtype=np.float64) for values in (means, sds, degrees_of_freedom))
    _refuse(m, s, df)
    fits = [_constant(m, s, df)]
    if np.all(m > 0):
        fits.append(_fit(Form.PROPORTIONAL, 0.0, float(np.mean(s / m)), m, s, df))
    distinct = m.size >= 3 and float(np.ptp(m)) > 0
    if distinct and np.all(s > 0):
        line = _straight_line(m, s, steps)
        if line is not None:
            fits.append(_fit(Form.LINEAR, *line, m, s, df))
        if np.all(m > 0):
            d, c = np.polyfit(np.log10(m), np.log10(s), 1)
            fits.append(_fit(Form.POWER, float(c), float(d), m, s, df))
    return LevelDependence(fits=tuple(fits), recommended=_recommend(fits) if distinct else None)


def _refuse(m: FloatArray, s: FloatArray, df: FloatArray) -> None:
    if not (m.size == s.size == df.size):
        raise EstimationError(
            f"dependence on the level: found {m.size} means, {s.size} standard deviations and "
            f"{df.size} degrees of "
            "freedom, expected as many of each."
        )
    if m.size < 2:
        raise EstimationError(f"dependence on the level: found {m.size} level, expected at least two.")
    if not (np.all(np.isfinite(m)) and np.all(np.isfinite(s)) and np.all(s >= 0) and np.all(df > 0)):
        raise EstimationError(
            "dependence on the level: expected finite means, standard deviations of at least zero "
            "and positive "
            f"degrees of freedom; found means {m.tolist()}, s {s.tolist()}, df {df.tolist()}."
        )


def _constant(m: FloatArray, s: FloatArray, df: FloatArray) -> FormFit:
    return _fit(Form.CONSTANT, float(np.sqrt(np.average(s**2, weights=df))), 0.0, m, s, df)


def _straight_line(m: FloatArray, s: FloatArray, steps: int) -> tuple[float, float] | None:
    """a and b by the standard's reweighting; None where the line leaves the positive range on the way."""
    fitted = s
    a = b = 0.0
    for _ in range(steps):
        weight = 1 / fitted**2
        t1, t2, t3 = weight.sum(), (weight * m).sum(), (weight * m * m).sum()
        t4, t5 = (weight * s).sum(), (weight * m * s).sum()
        a = float((t3 * t4 - t2 * t5) / (t1 * t3 - t2**2))
        b = float((t1 * t5 - t2 * t4) / (t1 * t3 - t2**2))
        fitted = a + b * m
        if np.any(fitted <= 0):
            return None
    return a, b


def _fit(form: Form, intercept: float, slope: float, m: FloatArray, s: FloatArray, df: FloatArray) -> FormFit:
    line = 10 ** (intercept + slope * np.log10(m)) if form is Form.POWER else intercept + slope * m
    return FormFit(
        form=form,
        intercept=intercept,
        slope=slope,
        fitted=tuple(float(value) for value in line),
        deviance=_deviance(s, line, df),
    )


def _deviance(s: FloatArray, fitted: FloatArray, df: FloatArray) -> float:
    """Twice the log-likelihood ratio of chi-square distributed s^2 against the fitted values.

    A level without scatter is infinitely unlikely under every form alike and therefore left out.
    """
    seen = (s > 0) & (fitted > 0)
    ratio = (s[seen] / fitted[seen]) ** 2
    return float(np.sum(df[seen] * (ratio - 1 - np.log(ratio))))


_COEFFICIENTS = {Form.CONSTANT: 1, Form.PROPORTIONAL: 1, Form.LINEAR: 2, Form.POWER: 2}


def _recommend(fits: list[FormFit]) -> Form:
    """Of the forms whose penalised misfit is within 2 of the best, the simplest, then the best (the choice
    is ours).

    The standard leaves the choice to a plot and prefers the first two forms for their simplicity.
    """
    score = {fit.form: fit.deviance + 2 * _COEFFICIENTS[fit.form] for fit in fits}
    best = min(score.values())
    near = [form for form, value in score.items() if value <= best + 2]
    return min(near, key=lambda form: (_COEFFICIENTS[form], score[form]))
