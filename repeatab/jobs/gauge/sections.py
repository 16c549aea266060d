"""A section of a gauge study, judged: capability, ratios to tolerance and total, process ratios, verdict.

In: question, data, fits, capabilities and checks.  Out: a GaugedSection per section of the question.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from repeatab.base.interval import Interval
from repeatab.jobs.gauge.checks import GaugeChecks, RigScatter
from repeatab.jobs.gauge.data import OPERATOR, RIG, GaugeData
from repeatab.jobs.gauge.fit import SectionFit
from repeatab.jobs.questions import Analysis, GaugeStudy, GaugeStudySection
from repeatab.judgement.acceptance import Acceptance, judge_percent
from repeatab.judgement.capability import Capability, Scatter, Share
from repeatab.judgement.grr_of_many import JudgedScatter
from repeatab.judgement.measurement_process import ProcessCapability, UncertaintyParts, process_capability
from repeatab.judgement.measures import percent_of_tolerance
from repeatab.outcome.verdict import Qualifier, Verdict

TOLERANCE, TOTAL = "the tolerance", "the total variation"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugedSection:
    """One section with everything the page says of it; `trouble` where nothing could be estimated.

    width : of the tolerance on the scale of the analysis; None without one or with a one-sided one.
    tolerance_percent : R&R against the tolerance; of : what the verdict rests on.
    process : ratios of ISO 22514-7, where there is a tolerance.
    """

    asked: GaugeStudySection
    trouble: str = ""
    level: float = math.nan
    runs: int = 0
    width: float | None = None
    capability: Capability | None = None
    tolerance_percent: Share | None = None
    of: str = ""
    acceptance: Acceptance | None = None
    parts: UncertaintyParts | None = None
    process: ProcessCapability | None = None

    @property
    def name(self) -> str:
        return self.asked.name

    @property
    def verdict(self) -> Verdict:
        return Verdict.UNDECIDED if self.acceptance is None else self.acceptance.verdict


def gauge_section(
    asked: GaugeStudySection,
    question: GaugeStudy,
    data: GaugeData,
    fit: SectionFit,
    capability: Capability | None,
    checks: GaugeChecks,
) -> GaugedSection:
    """Judge one section."""
    values = data.table.loc[data.table["section"] == asked.name, "result"].to_numpy(dtype=float)
    if capability is None:
        return GaugedSection(
            asked=asked, trouble=fit.trouble or "no estimate was possible.", runs=len(values)
        )
    level = float(np.mean(values))
    width = tolerance_width(asked, question.analysis)
    section = GaugedSection(
        asked=asked, level=level, runs=len(values), width=width, capability=capability,
        tolerance_percent=None if width is None else _against(capability.grr, width, question.multiplier),
    )  # fmt: skip
    share, of = _decisive(capability, width, question)
    acceptance = _accepted(section, share, of, question, checks.rigs.get(asked.name))
    parts = _parts(question, capability, level)
    return replace(
        section, of=of, acceptance=acceptance, parts=parts,
        process=None if width is None else process_capability(parts, width),
    )  # fmt: skip


def tolerance_width(asked: GaugeStudySection, analysis: Analysis) -> float | None:
    """The width of a two-sided tolerance on the scale of the analysis; None without one."""
    tolerance = asked.tolerance
    if tolerance is None or tolerance.width is None:
        return None
    if analysis is Analysis.DIFFERENCE:
        return tolerance.width
    assert tolerance.lower is not None
    assert tolerance.upper is not None
    return math.log(tolerance.upper / tolerance.lower) if tolerance.lower > 0 else None


def _against(grr: Scatter, width: float, multiplier: float) -> Share:
    def percent(sd: float) -> float:
        return percent_of_tolerance(sd, width, multiplier=multiplier)

    interval = grr.interval
    if interval is not None:
        interval = replace(interval, lower=percent(interval.lower), upper=percent(interval.upper))
    return Share(value=percent(grr.sd), interval=interval)


def _decisive(
    capability: JudgedScatter, width: float | None, question: GaugeStudy
) -> tuple[Share | None, str]:
    """What the verdict rests on: the tolerance where there is one, else the total variation."""
    if width is not None:
        return _against(capability.grr, width, question.multiplier), TOLERANCE
    return capability.total_percent, TOTAL


def verdict_of(capability: JudgedScatter, width: float | None, question: GaugeStudy) -> Verdict:
    """The verdict by the rule of the study, the rigs repeating alike."""
    share, of = _decisive(capability, width, question)
    if share is None or share.interval is None:
        return Verdict.UNDECIDED
    return _judge(share.value, share.interval, of, question, capability.upper_bound).verdict


def _accepted(
    section: GaugedSection, share: Share | None, of: str, question: GaugeStudy, rigs: RigScatter | None
) -> Acceptance:
    capability = section.capability
    assert capability is not None
    if share is None or share.interval is None:
        why = (
            "the scatter of the pad sets and the measurement's are one number here, so R&R has no ratio to the "
            "total; state a tolerance, or run some sets twice on the same rig."
            if capability.upper_bound
            else "only one pad set ran, so there is no total variation to set R&R against; state a tolerance."
        )
        return Acceptance(
            verdict=Verdict.UNDECIDED, estimate_alone=Verdict.UNDECIDED, reason=_capitalised(why),
            qualifier=Qualifier.CONFOUNDED if capability.upper_bound else Qualifier.NONE,
        )  # fmt: skip
    found = _judge(share.value, share.interval, of, question, capability.upper_bound)
    if rigs is None or not rigs.unequal:
        return found
    factor = _worst_rig_factor(capability, rigs, of)
    interval = share.interval
    worst = _judge(
        share.value * factor, replace(interval, lower=interval.lower * factor, upper=interval.upper * factor),
        of, question, capability.upper_bound,
    )  # fmt: skip
    rig = rigs.rigs[rigs.equality.worst]
    if worst.verdict is found.verdict:
        return found
    return replace(
        found,
        verdict=Verdict.UNDECIDED,
        reason=f"{found.reason} But the rigs do not repeat alike: with the repeatability of {rig} alone R&R would be "
        f"{share.value * factor:.1f} %, which is {worst.verdict.value}. A verdict has to hold for every rig.",
    )


def _judge(value: float, interval: Interval, of: str, question: GaugeStudy, upper_bound: bool) -> Acceptance:
    bands = question.bands
    return judge_percent(
        value, interval, of=of, acceptable=bands.acceptable, conditional=bands.conditional,
        upper_bound=upper_bound,
    )  # fmt: skip


def _worst_rig_factor(capability: Capability, rigs: RigScatter, of: str) -> float:
    """By how much the percentage grows if the worst rig's own repeatability stands for all."""
    own = rigs.equality.scatters[rigs.equality.worst].sd
    grr, pooled = capability.grr.sd**2, capability.repeatability.sd**2
    with_worst = grr + own**2 - pooled
    if of == TOLERANCE:
        return math.sqrt(with_worst / grr)
    parts = capability.total.sd**2 - grr
    return math.sqrt(with_worst / (with_worst + parts) / (grr / capability.total.sd**2))


def _parts(question: GaugeStudy, capability: Capability, level: float) -> UncertaintyParts:
    """The parts of the measurement process; without readings of a reference the study's own repeatability
    stands in for them. Stated values are in the unit of the result; in a ratio analysis they are divided by
    the level."""
    scale = 1.0 if question.analysis is Analysis.DIFFERENCE else math.exp(level)
    process = question.process
    by_name = {
        source.name: scatter.sd
        for source, scatter in zip(capability.sources, capability.components, strict=True)
    }
    rig, operator = by_name.get(RIG, 0.0), by_name.get(OPERATOR, 0.0)
    reproducibility = capability.reproducibility.sd if capability.reproducibility else 0.0
    interaction = capability.interaction.sd if capability.interaction else 0.0
    # What reproducibility holds beside rig and operator is their interaction, or a mixture of the two.
    rest = math.sqrt(max(0.0, reproducibility**2 - rig**2 - operator**2))
    return UncertaintyParts(
        resolution=(process.resolution or 0.0) / scale,
        calibration=(process.calibration or 0.0) / scale,
        linearity=(process.linearity or 0.0) / scale,
        bias=(process.bias or 0.0) / scale,
        reference_repeatability=capability.repeatability.sd
        if process.reference_repeatability is None
        else process.reference_repeatability / scale,
        object_repeatability=capability.repeatability.sd,
        rig=rig,
        operator=operator,
        interaction=math.hypot(interaction, rest),
        drift=(process.drift or 0.0) / scale,
        other=(process.other or 0.0) / scale,
    )


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]
