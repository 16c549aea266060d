"""Measuring system and measurement process after ISO 22514-7: combined uncertainty against the tolerance.

In: standard uncertainties of the parts, in the unit of the result, and the width of the tolerance.  Out: u_MS
and u_MP, the performance ratios Q and the capability indices C. Also the bias of repeated readings of a
reference.
Source: ISO 22514-7:2012 and 2021 (formulas and limits from memory; they agree with one another: both limits
of a pair give the same u). Limits are the standard's; contract or customer decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from repeatab.base.errors import InputError
from repeatab.base.interval import Interval, IntervalMethod
from repeatab.cells import FloatArray

RESOLUTION_LIMIT = 5.0
"""Percent of the tolerance that one step of the indication may be."""

SYSTEM_LIMIT = 15.0
PROCESS_LIMIT = 30.0
"""Percent, the standard's limits of Q_MS and Q_MP; both answer to an index C of 1.33."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyParts:
    """What a measurement process is made of: standard uncertainties, except `resolution` (a step) and `bias`
    (an estimated systematic error); zero for what is absent.

    reference_repeatability : EVR, standard deviation of repeated readings of a reference part.
    object_repeatability : EVO, repeatability on the objects themselves.
    rig, operator : GV and AV; interaction : IA; drift : STAB, change with time.
    """

    resolution: float = 0.0
    calibration: float = 0.0
    linearity: float = 0.0
    bias: float = 0.0
    reference_repeatability: float = 0.0
    object_repeatability: float = 0.0
    rig: float = 0.0
    operator: float = 0.0
    interaction: float = 0.0
    drift: float = 0.0
    other: float = 0.0

    @property
    def u_resolution(self) -> float:
        """Of a step: rectangular over its width."""
        return self.resolution / math.sqrt(12)

    @property
    def u_bias(self) -> float:
        """Of a systematic error that is not corrected: rectangular over ± its size."""
        return abs(self.bias) / math.sqrt(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessCapability:
    """u_MS, u_MP in the unit of the result; Q in percent; C as pure numbers."""

    u_ms: float
    u_mp: float
    q_ms: float
    c_ms: float
    q_mp: float
    c_mp: float
    resolution_percent: float

    @property
    def resolution_is_fine_enough(self) -> bool:
        return self.resolution_percent <= RESOLUTION_LIMIT

    def __str__(self) -> str:
        return (
            f"measuring system Q_MS = {self.q_ms:.1f} %, C_MS = {self.c_ms:.2f}; measurement process "
            f"Q_MP = {self.q_mp:.1f} %, C_MP = {self.c_mp:.2f}"
        )


def system_uncertainty(parts: UncertaintyParts) -> float:
    """u_MS: calibration, linearity, bias, and the larger of EVR and resolution."""
    scatter = max(parts.reference_repeatability, parts.u_resolution)
    return math.hypot(parts.calibration, parts.linearity, parts.u_bias, scatter, parts.other)


def process_uncertainty(parts: UncertaintyParts) -> float:
    """u_MP: as the system, with rig, operator, interaction and drift; EVR, EVO and resolution hold one
    another, so that only the largest of the three enters."""
    scatter = max(parts.reference_repeatability, parts.object_repeatability, parts.u_resolution)
    return math.hypot(
        parts.calibration, parts.linearity, parts.u_bias, scatter,
        parts.rig, parts.operator, parts.interaction, parts.drift, parts.other,
    )  # fmt: skip


def process_capability(parts: UncertaintyParts, width: float) -> ProcessCapability:
    """Set the uncertainties against a tolerance of `width`: Q = 2 U / width with U = 2 u, C_MS = 0.3 width /
    (6 u_MS), C_MP = 0.3 width / (3 u_MP).

    Raises
    ------
    InputError
        The width is not positive, or a part is negative or not finite.
    """
    _check(parts, width)
    u_ms, u_mp = system_uncertainty(parts), process_uncertainty(parts)
    return ProcessCapability(
        u_ms=u_ms, u_mp=u_mp,
        q_ms=100 * 4 * u_ms / width, c_ms=_index(width, 6 * u_ms),
        q_mp=100 * 4 * u_mp / width, c_mp=_index(width, 3 * u_mp),
        resolution_percent=100 * parts.resolution / width,
    )  # fmt: skip


def _index(width: float, spread: float) -> float:
    return math.inf if spread == 0 else 0.3 * width / spread


def _check(parts: UncertaintyParts, width: float) -> None:
    if not (math.isfinite(width) and width > 0):
        raise InputError(f"tolerance: found a width of {width}, expected a positive number.")
    for name in UncertaintyParts.__slots__:
        value = getattr(parts, name)
        if not math.isfinite(value) or (value < 0 and name != "bias"):
            raise InputError(f"process uncertainty '{name}': found {value}, expected zero or more.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """Mean of repeated readings less the reference value, with its t test and interval."""

    value: float
    sd: float
    se: float
    df: int
    t: float
    p: float
    interval: Interval

    def __str__(self) -> str:
        return f"bias {self.value:.4g} ({self.interval}), t = {self.t:.3f} on {self.df} df, p = {self.p:.3f}"


def bias_of_readings(readings: FloatArray, reference: float, *, level: float = 0.95) -> Bias:
    """Bias by repeated readings of one reference part (independent-sample method of the automotive handbook,
    4th edition 2010, chapter III B).

    Raises
    ------
    InputError
        Fewer than two readings, or a reading that is not finite.
    """
    found = np.asarray(readings, np.float64)
    if found.ndim != 1 or found.size < 2 or not np.isfinite(found).all():
        raise InputError(f"bias: found {found.size} reading(s), expected at least two finite numbers.")
    df = found.size - 1
    value, sd = float(found.mean() - reference), float(found.std(ddof=1))
    se = sd / math.sqrt(found.size)
    half = float(special.stdtrit(df, (1 + level) / 2)) * se
    t = value / se if se else math.copysign(math.inf, value)
    return Bias(
        value=value, sd=sd, se=se, df=df, t=t, p=float(2 * special.stdtr(df, -abs(t))),
        interval=Interval(lower=value - half, upper=value + half, level=level, method=IntervalMethod.STUDENT),
    )  # fmt: skip
